"""The page and its files.

Owns the names under which style, script and icon are served: each carries the hash
of its content, so that a browser may keep it for ever and never show an old one.
"""

from __future__ import annotations

import hashlib
from importlib import resources
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.adapters.web.problems import ProblemError

PREFIX: Final = "/assets/"

_FILES: Final = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}


def hash_name(name: str, content: bytes) -> str:
    """``page.css`` → ``page.0123456789abcdef.css``."""
    stem, _, suffix = name.rpartition(".")
    return f"{stem}.{hashlib.sha256(content).hexdigest()[:16]}.{suffix}"


class Assets:
    """The page's files, read once."""

    def __init__(self) -> None:
        folder = resources.files("monitor.adapters.web") / "static"
        page = (folder / "page.html").read_text("utf-8")
        self._files: dict[str, tuple[bytes, str]] = {}
        for name, media_type in _FILES.items():
            content = (folder / name).read_bytes()
            hashed = hash_name(name, content)
            self._files[hashed] = (content, media_type)
            page = page.replace(PREFIX + name, PREFIX + hashed)
        self._page = page.encode()

    def routes(self) -> list[Route]:
        """Return the routes of the page and its files."""
        return [Route("/", self._serve_page), Route(PREFIX + "{name}", self._serve_file)]

    async def _serve_page(self, _: Request) -> Response:
        return Response(self._page, media_type="text/html", headers={"Cache-Control": "no-cache"})

    async def _serve_file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in self._files:
            raise ProblemError("not-found", "There is no such file.")
        content, media_type = self._files[name]
        headers = {"Content-Type": media_type, "Cache-Control": "public, max-age=31536000, immutable"}
        return Response(content, headers=headers)
