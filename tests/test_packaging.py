"""What a build carries: the board's bundle with the licences of what is in it, and none of its makings."""

from __future__ import annotations

import json
import re
import tarfile
import zipfile
from pathlib import Path

import pytest
from hatchling.builders.sdist import SdistBuilder
from hatchling.builders.wheel import WheelBuilder

ROOT = Path(__file__).resolve().parent.parent
BOARD = ROOT / "monitor/adapters/web/board"
STATIC = "monitor/adapters/web/static/"
BENCH = "simulators/workbench/static/"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    [path] = WheelBuilder(str(ROOT)).build(directory=str(tmp_path_factory.mktemp("wheel")), versions=["standard"])
    return zipfile.ZipFile(path)


def test_the_wheel_carries_the_board_built(wheel: zipfile.ZipFile) -> None:
    names = {name.removeprefix(STATIC) for name in wheel.namelist() if name.startswith(STATIC)}
    assert {"board.html", "board.js", "board.css", "icon.svg", "licences.txt", "locale-en.json"} <= names
    assert "<App" not in wheel.read(f"{STATIC}board.js").decode()
    bench = {name.removeprefix(BENCH) for name in wheel.namelist() if name.startswith(BENCH)}
    assert {"bench.html", "bench.js", "bench.css", "icon.svg", "licences.txt"} <= bench


def test_the_wheel_carries_a_licence_for_everything_in_the_bundle(wheel: zipfile.ZipFile) -> None:
    licences = wheel.read(f"{STATIC}licences.txt").decode()
    lock = json.loads((BOARD / "package-lock.json").read_text("utf-8"))
    bundled = [name for name, entry in lock["packages"].items() if name and not entry.get("dev")]
    assert {"node_modules/preact", "node_modules/uplot"} <= set(bundled)
    for name in bundled:
        title = f"{name.removeprefix('node_modules/')} {lock['packages'][name]['version']} ("
        assert title in licences, name
    assert licences.count("Permission is hereby granted") >= len(bundled)


def test_what_is_not_in_a_bundle_is_not_named_with_it(wheel: zipfile.ZipFile) -> None:
    """The bench draws no curves."""
    licences = wheel.read(f"{BENCH}licences.txt").decode()
    assert "\npreact " in licences
    assert "uplot" not in licences.lower()


def test_no_makings_travel_in_the_wheel(wheel: zipfile.ZipFile) -> None:
    assert [name for name in wheel.namelist() if re.search("/board/|/page/|node_modules", name)] == []


def test_the_source_carries_the_makings_and_nothing_that_npm_brought(tmp_path: Path) -> None:
    [path] = SdistBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    with tarfile.open(path) as archive:
        names = archive.getnames()
    assert any(name.endswith("/monitor/adapters/web/board/src/main.tsx") for name in names)
    assert any(name.endswith("/monitor/adapters/web/board/package-lock.json") for name in names)
    assert [name for name in names if "node_modules" in name] == []


def test_the_lock_pins_by_hash_and_names_no_address() -> None:
    text = (BOARD / "package-lock.json").read_text("utf-8")
    assert re.search(r"https?:", text) is None
    lock = json.loads(text)
    assert [name for name, entry in lock["packages"].items() if name and "integrity" not in entry] == []
    wanted = json.loads((BOARD / "package.json").read_text("utf-8"))
    loose = [v for k in ("dependencies", "devDependencies") for v in wanted[k].values() if not v[0].isdecimal()]
    assert loose == []
