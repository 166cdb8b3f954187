"""The script of the long tests: its parts, its closing lines, its exit code."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults import soak


@pytest.fixture
def parts(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Two parts of our own: one that says what it is given, one that fails."""
    (tmp_path / "saying.py").write_text("import sys\nprint('begins')\nprint('given', *sys.argv[1:])\n")
    (tmp_path / "failing.py").write_text("print('lost 1')\nraise SystemExit(3)\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(
        soak,
        "PARTS",
        {
            "saying": soak.Part("saying", lambda chosen: ["--cycles", str(chosen.kills)], "says"),
            "failing": soak.Part("failing", lambda chosen: [], "fails"),
        },
    )
    return tmp_path


@pytest.mark.usefixtures("parts")
def test_each_part_has_a_closing_line_with_its_figures(capfd: pytest.CaptureFixture[str]) -> None:
    assert soak.main(["saying", "--kills", "7"]) == 0
    said = capfd.readouterr().out.splitlines()
    assert "  begins" in said
    assert said[-1].startswith("soak saying: passed after ")
    assert said[-1].endswith("given --cycles 7")


@pytest.mark.usefixtures("parts")
def test_one_that_fails_fails_it_all_and_the_others_run(capfd: pytest.CaptureFixture[str]) -> None:
    assert soak.main([]) == 1
    closing = [line for line in capfd.readouterr().out.splitlines() if " after " in line]
    assert [line.split()[:3] for line in closing] == [["soak", "saying:", "passed"], ["soak", "failing:", "FAILED"]]


def test_a_part_that_is_none_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as refused:
        soak.main(["naps"])
    assert refused.value.code == 2
    assert "there are kills, simulation, fuzz, memory" in capsys.readouterr().err


def test_the_parts_are_modules_that_are_there() -> None:
    for part in soak.PARTS.values():
        path = Path(__file__).resolve().parents[2].joinpath(*part.module.split("."))
        assert path.with_suffix(".py").exists() or (path / "__main__.py").exists(), part.module
