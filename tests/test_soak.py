"""A short run of ``python -m tests.soak``, and that growth is found.

The whole length is for ``make soak``.
"""

from __future__ import annotations

import dataclasses

import pytest

from tests.soak import SLACK_HANDLES, SLACK_MB, SLACK_TASKS, SLACK_THREADS, Weighed, find_growth, main, soak

EARLY = Weighed(hours=0.5, memory_mb=100.0, handles=20, threads=3, tasks=20)


@pytest.mark.timeout(300)
def test_two_minutes_leave_nothing_behind() -> None:
    """The rings of the last minutes still fill in so short a run, so that memory gets more slack."""
    told: list[str] = []
    lived, grown = soak(hours=0.03, seed=3, say=told.append, slack_mb=2 * SLACK_MB)
    assert grown == []
    assert len(told) == 4
    assert lived.sent > 500
    assert lived.frames > 50
    assert lived.events > 0


@pytest.mark.parametrize(
    ("what", "slack"),
    [("memory_mb", SLACK_MB), ("handles", SLACK_HANDLES), ("threads", SLACK_THREADS), ("tasks", SLACK_TASKS)],
)
def test_growth_beyond_its_slack_is_told(what: str, slack: float) -> None:
    at = getattr(EARLY, what)
    assert find_growth(EARLY, dataclasses.replace(EARLY, hours=8.0, **{what: at + slack})) == []
    (line,) = find_growth(EARLY, dataclasses.replace(EARLY, hours=8.0, **{what: at + slack + 1}))
    assert f"grew from {at:g} to {at + slack + 1:g} between 0.50 h and 8.00 h; {slack:g} is allowed" in line


def test_no_time_at_all_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--hours", "0"])
    assert ended.value.code == 2
    assert "--hours is above 0" in capsys.readouterr().err
