"""Whether an alert was answered in time, from its changes alone: nobody is blamed for what asked for no answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from monitor.core.times import MINUTE, SECOND, format_time
from monitor.debrief.alerts import sum_up, tell_alerts
from monitor.debrief.values import AlertLine, Scope, Told
from tests.stories import REG, START

LIMIT: Final = 5
ASKS, OVER = ("unacknowledged", True), ("normal", False)


def scope() -> Scope:
    return Scope("aircraft", REG, REG, None, None, None, START, START + 60 * MINUTE, "UTC")


def tell(*changes: tuple[float, str, tuple[str, bool]], **data: Any) -> AlertLine:
    """Tell one alert from (seconds, what happened, (state, whether it still holds))."""
    (line,) = tell_alerts(scope(), list_told(changes, data))
    return line


def list_told(changes: Sequence[tuple[float, str, tuple[str, bool]]], data: dict[str, Any]) -> list[Told]:
    said = {"alert_id": "a1", "priority": "warning", "text": "text", "respond_within_s": LIMIT, **data}
    said["raised_at"] = format_time(START + round(changes[0][0] * SECOND))
    return [
        Told(
            START + round(at * SECOND), REG, "L1", "armed-handle-moved", what, {**said, "state": state, "active": held}
        )
        for at, what, (state, held) in changes
    ]


def test_what_was_suppressed_at_once_asked_nobody() -> None:
    line = tell((0, "raised", ASKS), (0.1, "suppressed", ("suppressed", True)), (60, "cleared", OVER))
    assert (line.response, line.in_time) == (None, None)


def test_what_asked_for_too_long_before_it_was_set_aside_was_not_answered() -> None:
    line = tell((0, "raised", ASKS), (6, "suppressed", ("suppressed", True)), (60, "cleared", OVER))
    assert line.in_time is False


def test_what_was_over_before_the_time_was_up_needed_no_answer_and_one_that_comes_later_is_not_late() -> None:
    over = (3, "cleared", ("rtn_unacknowledged", False))
    assert tell((0, "raised", ASKS), over).in_time is None
    line = tell((0, "raised", ASKS), over, (90, "acknowledged", OVER))
    assert (line.response, line.in_time) == (90 * SECOND, None)


def test_what_is_raised_again_is_answered_from_then_on() -> None:
    line = tell(
        (0, "raised", ASKS),
        (3, "cleared", ("rtn_unacknowledged", False)),
        (1800, "reraised", ASKS),
        (1802, "acknowledged", ("acknowledged", True)),
    )
    assert (line.response, line.in_time) == (2 * SECOND, True)
    assert (line.raised_at, line.cleared_at) == (START, None)


def test_an_answer_after_the_time_is_too_late_and_none_is_not_answered() -> None:
    assert tell((0, "raised", ASKS), (6, "acknowledged", ("acknowledged", True))).in_time is False
    assert tell((0, "raised", ASKS), (4, "acknowledged", ("acknowledged", True))).in_time is True
    assert tell((0, "raised", ASKS)).in_time is False
    assert tell((3599, "raised", ASKS)).in_time is None, "the time is not up"


def test_a_drill_that_begins_later_does_not_make_an_alert_its_own() -> None:
    told = list_told([(0, "raised", ASKS), (90, "acknowledged", OVER)], {})
    told[1] = told[1]._replace(data={**told[1].data, "drill": True})
    (line,) = tell_alerts(scope(), told)
    assert not line.drill


def test_a_hazard_out_of_service_is_told_but_is_no_alert() -> None:
    out = ("out_of_service", False)
    line = tell((0, "taken-out-of-service", out))
    assert (line.sounded, line.cleared_at, line.in_time) == (False, None, None)
    summary = sum_up(scope(), [line])
    assert summary["alerts"] == {"warning": 0, "caution": 0, "advisory": 0}
    assert summary["stood_before"] == 0
    back = tell((0, "taken-out-of-service", out), (60, "returned-to-service", OVER))
    assert (back.sounded, back.cleared_at) == (False, START + 60 * SECOND)
    held = tell((0, "taken-out-of-service", out), (60, "returned-to-service", ASKS), (63, "acknowledged", OVER))
    assert (held.sounded, held.response, held.in_time) == (True, 3 * SECOND, True)
