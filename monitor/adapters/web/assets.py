"""The board's pages and files.

Owns the names under which scripts, styles and words are served: each carries the hash of
its content, so that a browser may keep it for ever and never show an old one. Every page
is the same document: the script draws what its address names; the page to sign in is one
of its own.
"""

from __future__ import annotations

import gzip
import hashlib
import json
from importlib import resources
from typing import Final, NamedTuple

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.adapters.web.problems import ProblemError

PREFIX: Final = "/assets/"
PAGES: Final = ("/", "/aircraft/{reg}", "/alerts", "/health", "/debrief", "/handover")
"""The addresses at which the board may be opened."""
SIGN_IN: Final = "/sign-in"
_DOCUMENTS: Final = ("board.html", "sign-in.html")

_MEDIA_TYPES: Final = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "json": "application/json",
    "svg": "image/svg+xml",
    "txt": "text/plain; charset=utf-8",
}


class _File(NamedTuple):
    content: bytes
    packed: bytes
    media_type: str


class MissingBoardError(Exception):
    """The board's files are not there: this copy of the program was not built."""


def hash_name(name: str, content: bytes) -> str:
    """``board.css`` → ``board.0123456789abcdef.css``."""
    stem, _, suffix = name.rpartition(".")
    return f"{stem}.{hashlib.sha256(content).hexdigest()[:16]}.{suffix}"


class Assets:
    """The board's files, read and packed once; raises :class:`MissingBoardError`."""

    def __init__(self) -> None:
        folder = resources.files("monitor.adapters.web") / "static"
        try:
            pages = {name: (folder / name).read_text("utf-8") for name in _DOCUMENTS}
        except OSError:
            raise MissingBoardError("the board's files are missing; run .ci/setup, or install the package") from None
        self._files: dict[str, _File] = {}
        locales: dict[str, str] = {}
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
            media_type = _MEDIA_TYPES.get(entry.name.rpartition(".")[2])
            if media_type is None:
                continue
            content = entry.read_bytes()
            # The builder names parts by their content itself, since other parts name them.
            hashed = entry.name if entry.name.startswith("part-") else hash_name(entry.name, content)
            self._files[hashed] = _File(content, gzip.compress(content, mtime=0), media_type)
            for name, page in pages.items():
                pages[name] = page.replace(f'"{PREFIX}{entry.name}"', f'"{PREFIX}{hashed}"')
            if entry.name.startswith("locale-"):
                locales[entry.name.removeprefix("locale-").removesuffix(".json")] = PREFIX + hashed
        # Single quotes: the list itself is JSON. Names are ours, so nothing in it needs escaping.
        self._pages: dict[str, _File] = {}
        for name, page in pages.items():
            content = page.replace("'{locales}'", f"'{json.dumps(locales)}'").encode()
            self._pages[name] = _File(content, gzip.compress(content, mtime=0), "text/html; charset=utf-8")

    def routes(self) -> list[Route]:
        """Return the routes of the pages and their files."""
        pages = [Route(path, self._serve_page) for path in PAGES]
        return [*pages, Route(SIGN_IN, self._serve_sign_in), Route(PREFIX + "{name}", self._serve_file)]

    async def _serve_page(self, request: Request) -> Response:
        return _answer(request, self._pages["board.html"], "no-cache")

    async def _serve_sign_in(self, request: Request) -> Response:
        return _answer(request, self._pages["sign-in.html"], "no-cache")

    async def _serve_file(self, request: Request) -> Response:
        file = self._files.get(request.path_params["name"])
        if file is None:
            raise ProblemError("not-found", "There is no such file.")
        return _answer(request, file, "public, max-age=31536000, immutable")


def _answer(request: Request, file: _File, caching: str) -> Response:
    headers = {"Content-Type": file.media_type, "Cache-Control": caching, "Vary": "Accept-Encoding"}
    offered = {part.partition(";")[0].strip() for part in request.headers.get("accept-encoding", "").split(",")}
    if "gzip" not in offered:
        return Response(file.content, headers=headers)
    return Response(file.packed, headers={**headers, "Content-Encoding": "gzip"})
