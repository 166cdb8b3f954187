"""Holding what was told against what was expected, and telling how that came out."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import ConfigError
from monitor.core.airframe import Site
from monitor.core.effects import PublishEvent
from monitor.core.times import SECOND
from simulators.expectation import Expectations, Expected, Judgement, Verdict, judge
from simulators.expectation_play import play_expected
from simulators.expectation_table import describe_played, tell_played
from simulators.scenario import load_scenario

START = 1_772_359_200_000_000
LIFTED = Expected("armed-handle-moved", by_s=13.0, after_s=12.0, aircraft="ZZ-KAT", door="L1", priority="warning")


def told(
    at_s: float,
    kind: str = "raised",
    *,
    door: str = "L1",
    code: str = "armed-handle-moved",
    priority: str = "warning",
    state: str = "unacknowledged",
) -> PublishEvent:
    data = {"priority": priority, "state": state, "text": f"{door}: {code}"}
    return PublishEvent("ZZ-KAT", door, code, kind, "id", START + round(at_s * SECOND), data)


def hold(events: list[PublishEvent], *expected: Expected, only: bool = True, never: tuple[str, ...] = ()) -> Judgement:
    return judge(Expectations(expected, never, only), events, START)


def verdict(events: list[PublishEvent], expected: Expected = LIFTED) -> Verdict:
    return hold(events, expected).outcomes[0].verdict


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([told(12.0)], Verdict.MET),
        ([told(13.0)], Verdict.MET),
        ([told(12.5, "reraised")], Verdict.MET),
        ([told(12.5, "unsuppressed")], Verdict.MET),
        ([], Verdict.MISSING),
        ([told(12.5, "acknowledged")], Verdict.MISSING),
        ([told(12.5, door="R1")], Verdict.MISSING),
        ([told(12.5, code="slide-deployed")], Verdict.MISSING),
        ([told(11.999)], Verdict.EARLY),
        ([told(13.001)], Verdict.LATE),
        ([told(12.5, priority="caution")], Verdict.OTHER_PRIORITY),
        ([told(11.0, priority="caution"), told(12.5, "reprioritised")], Verdict.MET),
        # Risen while something silences it: nobody hears of that.
        ([told(11.0, priority="caution"), told(12.5, "reprioritised", state="suppressed")], Verdict.EARLY),
    ],
)
def test_an_expected_alert(events: list[PublishEvent], expected: Verdict) -> None:
    assert verdict(events) is expected


def test_what_is_expected_at_any_door_may_come_at_several_but_at_each_once() -> None:
    anywhere = Expected("armed-handle-moved", by_s=13.0, after_s=12.0)
    both = [told(12.1), told(12.2, door="R1")]
    assert hold(both, anywhere).passed
    again = hold([*both, told(12.3, "reraised")], anywhere)
    assert not again.passed
    assert [(telling.at_s, telling.door) for telling in again.unexpected] == [(12.3, "L1")]


def test_each_of_two_expectations_is_met_by_an_alert_of_its_own() -> None:
    first = Expected("armed-handle-moved", by_s=20.0, door="L1")
    second = Expected("armed-handle-moved", by_s=30.0, door="L1")
    assert hold([told(12.0), told(18.0, "reraised")], first, second).passed
    assert [o.verdict for o in hold([told(12.0)], first, second).outcomes] == [Verdict.MET, Verdict.MISSING]


def test_a_fall_is_met_only_where_its_priority_is_expected_and_surprises_nobody() -> None:
    raised = Expected("wind-limit", by_s=10.0, door="L1", priority="warning")
    fallen = Expected("wind-limit", by_s=20.0, after_s=15.0, door="L1", priority="caution")
    events = [told(9.0, code="wind-limit"), told(16.0, "reprioritised", code="wind-limit", priority="caution")]
    assert hold(events, raised, fallen).passed
    assert hold(events, raised).passed
    anything = Expected("wind-limit", by_s=20.0, after_s=15.0, door="L1")
    assert hold(events, raised, anything).outcomes[1].verdict is not Verdict.MET


def test_a_rise_that_nobody_expects_is_unexpected() -> None:
    events = [told(5.0, priority="caution"), told(6.0, "reprioritised")]
    judged = hold(events, Expected("armed-handle-moved", by_s=7.0, door="L1"))
    assert [(telling.at_s, telling.priority) for telling in judged.unexpected] == [(6.0, "warning")]
    assert not judged.passed


@pytest.mark.parametrize(
    ("ends", "passed"), [([told(23.0, "cleared")], True), ([told(23.1, "cleared")], False), ([], False)]
)
def test_what_has_to_be_over_by_a_time(ends: list[PublishEvent], passed: bool) -> None:
    expected = Expected("armed-handle-moved", by_s=13.0, door="L1", cleared_by_s=23.0)
    judged = hold([told(12.0), *ends], expected)
    assert judged.passed is passed
    assert judged.outcomes[0].verdict is (Verdict.MET if passed else Verdict.NOT_OVER)


@pytest.mark.parametrize(
    ("over_s", "expected"), [(21.9, Verdict.OVER_EARLY), (22.0, Verdict.MET), (23.1, Verdict.NOT_OVER)]
)
def test_what_must_not_be_over_before_a_time(over_s: float, expected: Verdict) -> None:
    lasting = Expected("armed-handle-moved", by_s=13.0, door="L1", cleared_after_s=22.0, cleared_by_s=23.0)
    assert verdict([told(12.0), told(over_s, "cleared")], lasting) is expected


def test_what_need_not_be_over_must_not_be_over_too_early_either() -> None:
    lasting = Expected("armed-handle-moved", by_s=13.0, door="L1", cleared_after_s=22.0)
    assert verdict([told(12.0)], lasting) is Verdict.MET
    assert verdict([told(12.0), told(12.1, "cleared")], lasting) is Verdict.OVER_EARLY


def test_what_nobody_forbids_is_told_and_fails_nothing() -> None:
    events = [told(12.5), told(14.0, code="pin-missing")]
    for never, passed in (((), True), (("slide-deployed",), True), (("pin-missing",), False)):
        judged = hold(events, LIFTED, only=False, never=never)
        assert judged.passed is passed
        assert [telling.alert for telling in judged.unexpected] == ["pin-missing"]
    assert not hold(events, LIFTED).passed


FILE = """\
about: a handle is lifted
end: 20s
aircraft:
  - {reg: ZZ-KAT, type: alder, stand: S11, start: armed}
steps:
  - {at: 5s, door: L1, do: lift handle}
  - {at: 15s, door: L1, do: lower handle}
expect:
  - {alert: armed-handle-moved, door: L1, priority: warning, after: 5s, by: 5.5s, cleared_by: 18s}
only_expected: true
"""


def test_a_file_is_played_through_the_core_and_its_outcome_told(tmp_path: Path, site: Site) -> None:
    path = tmp_path / "lifted.yaml"
    path.write_text(FILE)
    played = play_expected(load_scenario(path, site), site, seed=3)
    said = tell_played(played).splitlines()
    assert said[0] == "lifted (simulated, seed 3, 20s): a handle is lifted"
    assert said[-1] == "passed: 1 of 1 as expected, nothing not expected"
    assert said[3].endswith("as expected")
    document = describe_played(played)
    assert (document["simulated"], document["passed"], document["seed"]) == (True, True, 3)
    assert document["expected"][0]["seen"]["door"] == "L1"


def test_a_failure_names_what_was_late_and_what_nobody_expected(tmp_path: Path, site: Site) -> None:
    path = tmp_path / "lifted.yaml"
    path.write_text(FILE.replace("after: 5s, by: 5.5s", "after: 2s, by: 3s"))
    played = play_expected(load_scenario(path, site), site)
    said = tell_played(played)
    assert "too late" in said
    assert "raised and not expected:\n  armed-handle-moved  ZZ-KAT L1  warning" in said
    assert said.splitlines()[-1] == "FAILED: 0 of 1 as expected, 1 not expected"
    assert describe_played(played)["passed"] is False


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("alert: armed-handle-moved", "alert: armed-handle-lifted"), "9: expect[0].alert: 'armed-handle-lifted' is not one of the known words; did you mean 'armed-handle-moved'?"),
        (("alert: armed-handle-moved", "alert: overload"), "9: expect[0].alert: 'overload' is not one of the known words"),
        (("alert: armed-handle-moved, ", ""), "9: expect[0].alert: is missing; give the code of the alert, such as armed-handle-moved"),
        (("by: 5.5s, ", ""), "9: expect[0].by: is missing; give when it is raised at the latest, from the beginning, such as 12.5s"),
        (("by: 5.5s", "by: soon"), "9: expect[0].by: 'soon' is not a length of time; write a length of time such as 12s"),
        (("door: L1, priority", "door: L9, priority"), "9: expect[0].door: ZZ-KAT has no door 'L9'; give one of WL, WR, L1"),
        (("door: L1, priority", "door: CF, priority"), "9: expect[0].door: armed-handle-moved is not raised at CF, a cargo door; give one of L1, R1, L2, R2"),
        (("priority: warning", "priority: caution"), "9: expect[0].priority: armed-handle-moved is never a caution; give one of warning, advisory"),
        (("priority: warning", "priority: alarm"), "9: expect[0].priority: 'alarm' is not one of the known words"),
        (("after: 5s", "after: 6s"), "9: expect[0].after: 6s is later than by: 5.5s; give an earlier time"),
        (("cleared_by: 18s", "cleared_by: 4s"), "9: expect[0].cleared_by: 4s is before by: 5.5s; give a later time"),
        (("cleared_by: 18s", "cleared_after: 19s, cleared_by: 18s"), "9: expect[0].cleared_after: 19s is later than cleared_by: 18s; give an earlier time"),
        (("cleared_by: 18s", "cleared_after: 30s"), "9: expect[0].cleared_after: 30s is after the end at 20s; give an earlier time, or a later end:"),
        (("cleared_by: 18s", "cleared_by: 30s"), "9: expect[0].cleared_by: 30s is after the end at 20s; give an earlier time, or a later end:"),
        (("door: L1, priority", "aircraft: ZZ-KAR, priority"), "9: expect[0].aircraft: there is no aircraft ZZ-KAR; give ZZ-KAT"),
        (("armed-handle-moved, door: L1, priority: warning", "feed-lost, door: L1"), "9: expect[0].door: feed-lost is an alert of the whole aircraft; leave door: out"),
        (("only_expected", "only_expectd"), "10: only_expectd: is not a known key; did you mean 'only_expected'?"),
        (("only_expected: true", "never: [armed-handle-moved]"), "10: never[0]: armed-handle-moved is expected above; keep one of the two"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_an_expectation_is_said_in_one_line_with_its_place(
    change: tuple[str, str], expected: str, tmp_path: Path, site: Site
) -> None:
    text = FILE.replace(*change)
    assert text != FILE
    path = tmp_path / "bad.yaml"
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_scenario(path, site)
    said = [str(problem).removeprefix(f"{path}:") for problem in caught.value.problems]
    assert said[0].startswith(expected), said
    assert len(said) == 1


def test_where_nothing_ends_nothing_can_be_held_to_be_all(tmp_path: Path, site: Site) -> None:
    path = tmp_path / "bad.yaml"
    path.write_text("about: endless\naircraft: [{reg: ZZ-KAT, type: alder, stand: S11}]\nonly_expected: true\n")
    with pytest.raises(ConfigError, match="only_expected: has no end to be held to; add end:"):
        load_scenario(path, site)
