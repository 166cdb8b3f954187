"""The health of the alarms, exact at every boundary."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from monitor.core.alarm_health import (
    ALL,
    DAY,
    ROLES,
    Annunciation,
    FloodWatch,
    LiveRates,
    band_of,
    list_stale,
    make_annunciation,
    measure,
    read_annunciation,
)
from monitor.core.effects import PublishEvent
from monitor.core.times import HOUR, MINUTE, SECOND, format_time, parse_time
from tests.stories import OUT, alder

T0 = parse_time("2026-03-01T10:00:00Z")
TEAM = "door team"


def told(at_s: float, **changes: Any) -> Annunciation:
    """One annunciation, ``at_s`` seconds after T0."""
    fields = {"aircraft": "TW-101", "door": "L1", "code": "wind-limit", "role": TEAM, "priority": "caution"}
    return Annunciation(T0 + round(at_s * SECOND), **{**fields, **changes})


def spread(times_s: Iterable[float]) -> list[Annunciation]:
    """One a moment, each at a place of its own, so that nothing chatters."""
    return [told(at, door=f"D{number}") for number, at in enumerate(times_s)]


def figures(alerts: Iterable[Annunciation], *, hours: float = 24, **settings: Any) -> dict[str, Any]:
    return measure(alerts, since=T0, until=T0 + round(hours * HOUR), roles=ROLES, **settings)


# What counts


@pytest.mark.parametrize(
    ("kind", "counts"),
    [
        ("raised", True),
        ("reraised", True),
        ("reprioritised", False),
        ("cleared", False),
        ("unsuppressed", False),
        ("acknowledged", False),
    ],
)
def test_what_asks_for_attention_counts(kind: str, counts: bool) -> None:
    data = {"role": TEAM, "priority": "warning"}
    read = read_annunciation(PublishEvent("TW-101", "L1", "wind-limit", kind, "e1", T0, data))
    assert read == (told(0, priority="warning") if counts else None)


def test_an_alert_that_rises_to_a_warning_counts_once() -> None:
    story = alder()
    story.door_bundle("R1", OUT, at=2)
    story.send("airframe/engine_1_running", True, at=3)
    story.send("airframe/engine_2_running", True, at=4)
    lives = [effect for effect in story.effects if isinstance(effect, PublishEvent)]
    kinds = [effect.type for effect in lives if effect.code == "open-engine-running"]
    assert kinds == ["raised", "reprioritised"]
    read = [read_annunciation(effect) for effect in lives if effect.code == "open-engine-running"]
    assert [each is not None for each in read] == [True, False]


def test_drills_and_what_comes_late_are_left_out_and_told() -> None:
    marked = make_annunciation(T0, "TW-101", "L1", "wind-limit", "raised", {"role": TEAM, "drill": True})
    assert marked is not None
    assert marked.drill
    document = figures([told(1), told(2, drill=True), told(3, drill=True), told(4, late=True)])
    assert document["overall"]["raised"] == document["roles"][TEAM]["raised"] == 1
    assert document["left_out"] == {"drill": 2, "late": 1}


def test_each_role_has_its_own_figures_and_all_of_them_together_theirs() -> None:
    document = figures([told(1), told(2, role="ops"), told(3, role="ops"), told(4, role="someone new")])
    assert set(document["roles"]) == set(ROLES)
    assert {role: each["raised"] for role, each in document["roles"].items() if each["raised"]} == {TEAM: 1, "ops": 2}
    assert document["overall"]["raised"] == 4


def test_the_period_takes_its_first_moment_and_not_its_last() -> None:
    document = figures([told(-1), told(0), told(3599.999999), told(3600)], hours=1)
    assert document["overall"]["raised"] == 2


def test_a_period_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="since must be before until"):
        measure([], since=T0, until=T0, roles=ROLES)


# Rates and bands


def test_rates_are_means_over_the_whole_period() -> None:
    overall = figures(spread(range(0, 36_000, 1000)), hours=12)["overall"]
    assert overall["raised"] == 36
    assert (overall["per_hour"], overall["per_day"], overall["per_10_minutes"]["mean"]) == (3.0, 72.0, 0.5)


@pytest.mark.parametrize(
    ("times", "peak"),
    [
        ([0, 599.999999], 2),
        ([0, 600], 1),
        ([0, 300, 600, 899.999999], 3),
        ([], 0),
        ([5, 5, 5], 3),
    ],
)
def test_the_peak_is_the_most_in_any_ten_minutes(times: list[float], peak: int) -> None:
    assert figures(spread(times))["overall"]["per_10_minutes"]["peak"] == peak


def test_the_peak_says_when() -> None:
    found = figures(spread([0, 5000, 5100]))["overall"]["per_10_minutes"]
    assert found["peak_at"] == format_time(T0 + 5100 * SECOND)
    assert figures([])["overall"]["per_10_minutes"]["peak_at"] is None


@pytest.mark.parametrize(
    ("number", "length", "name", "band"),
    [
        (150, DAY, "per_day", "acceptable"),
        (151, DAY, "per_day", "manageable"),
        (300, DAY, "per_day", "manageable"),
        (301, DAY, "per_day", "above"),
        (12, 2 * HOUR, "per_hour", "acceptable"),
        (13, 2 * HOUR, "per_hour", "manageable"),
        (25, 2 * HOUR, "per_hour", "above"),
        (6, HOUR, "per_10_minutes", "acceptable"),
        (7, HOUR, "per_10_minutes", "manageable"),
        (13, HOUR, "per_10_minutes", "above"),
        (1, 10 * MINUTE - 1, "per_10_minutes", "manageable"),
        (0, 1, "per_day", "acceptable"),
    ],
)
def test_a_rate_on_a_limit_is_within_it(number: int, length: int, name: str, band: str) -> None:
    assert band_of(number, length, name) == band


def test_the_band_of_a_role_is_the_worst_of_its_three() -> None:
    document = figures(spread(n * 580 for n in range(148)))
    team = document["roles"][TEAM]
    assert team["bands"] == {"per_10_minutes": "manageable", "per_hour": "manageable", "per_day": "acceptable"}
    assert team["band"] == "manageable"
    assert not {"band", "bands"} & set(document["overall"]), "they are published for one operator, not for several"


@pytest.mark.parametrize(("length", "short"), [(30 * DAY - 1, True), (30 * DAY, False)])
def test_a_period_shorter_than_thirty_days_says_so(length: int, short: bool) -> None:
    document = measure([], since=T0, until=T0 + length, roles=ROLES)
    assert document["shorter_than_30_days"] is short


# Floods


def feed(times_s: Iterable[float]) -> FloodWatch:
    watch = FloodWatch()
    for at in times_s:
        watch.take(T0 + round(at * SECOND))
    return watch


def since_s(watch: FloodWatch, now_s: float) -> float | None:
    begun = watch.since(T0 + round(now_s * SECOND))
    return None if begun is None else (begun - T0) / SECOND


def test_ten_in_ten_minutes_are_no_flood_and_eleven_are_one() -> None:
    assert since_s(feed(range(10)), 9) is None
    assert since_s(feed(range(11)), 10) == 10


def test_what_is_exactly_ten_minutes_old_has_left_the_window() -> None:
    assert since_s(feed([0, *range(591, 601)]), 600) is None
    assert since_s(feed([0, *range(590, 600)]), 599) == 599


def test_a_flood_ends_when_fewer_than_five_came_in_ten_minutes() -> None:
    watch = feed(range(11))  # the fifth newest came at 6 s
    assert since_s(watch, 605.999999) == 10
    assert since_s(watch, 606) is None


def test_a_flood_goes_on_at_five() -> None:
    watch = feed([*range(11), 606])  # as one leaves, another comes: still five
    assert since_s(watch, 606) == 10
    assert since_s(watch, 606.999999) == 10
    assert since_s(watch, 607) is None


def test_a_flood_that_ended_is_handed_over_by_the_next_alert() -> None:
    watch = feed(range(11))
    assert watch.take(T0 + 700 * SECOND) == (T0 + 10 * SECOND, T0 + 606 * SECOND)
    assert watch.take(T0 + 701 * SECOND) is None


def test_asking_changes_nothing() -> None:
    watch = feed(range(11))
    assert since_s(watch, 606) is None
    watch.take(T0 + 606 * SECOND)
    assert since_s(watch, 606) == 10


def test_a_clock_that_runs_backwards_counts_as_standing_still() -> None:
    watch = feed([100, *range(10)])
    assert since_s(watch, 100) == 100


def test_floods_of_a_period_their_share_and_their_target() -> None:
    floods = figures(spread([*range(11), *range(7200, 7211)]))["overall"]["floods"]
    assert floods["number"] == 2
    assert floods["time_s"] == 2 * 596
    assert floods["time_ratio"] == round(2 * 596 / 86_400, 6)
    assert floods["meets_target"] is False
    assert floods["newest"] == [
        {"began_at": format_time(T0 + at * SECOND), "ended_at": format_time(T0 + (at + 596) * SECOND)}
        for at in (7210, 10)
    ]


@pytest.mark.parametrize(("hours", "meets"), [(596 / 36, False), (596 / 36 + 0.001, True)])
def test_just_one_percent_in_flood_is_too_much(hours: float, meets: bool) -> None:
    assert figures(spread(range(11)), hours=hours)["overall"]["floods"]["meets_target"] is meets


def test_a_flood_that_still_stands_at_the_end_has_no_end() -> None:
    floods = figures(spread(range(11)), hours=0.1)["overall"]["floods"]
    assert floods["newest"][0]["ended_at"] is None
    assert floods["time_s"] == 350
    ended = measure(spread(range(11)), since=T0, until=T0 + 606 * SECOND, roles=ROLES)["overall"]["floods"]
    assert ended["newest"][0]["ended_at"] == format_time(T0 + 606 * SECOND)


def test_a_flood_that_began_before_the_period_counts_from_its_beginning() -> None:
    overall = figures(spread(range(-20, 0)))["overall"]
    assert overall["raised"] == 0
    assert overall["floods"]["number"] == 1
    assert overall["floods"]["time_s"] == 595  # till the fifth newest, at -5 s, is ten minutes old
    assert overall["floods"]["newest"][0]["began_at"] == format_time(T0 - 10 * SECOND)
    over = figures(spread(range(-2000, -1980)))["overall"]
    assert over["floods"]["number"] == 0


def test_live_windows_say_who_is_flooded_now() -> None:
    rates = LiveRates(ROLES)
    for number in range(11):
        rates.take(told(number, role="ops" if number < 3 else TEAM))
        rates.take(told(number, drill=True))
        rates.take(told(number, late=True))
    floods = rates.floods(T0 + 10 * SECOND)
    assert floods == {ALL: T0 + 10 * SECOND, **dict.fromkeys(ROLES)}
    for number in range(11, 14):
        rates.take(told(number))
    assert rates.floods(T0 + 13 * SECOND)[TEAM] == T0 + 13 * SECOND
    assert rates.floods(T0 + DAY) == dict.fromkeys((ALL, *ROLES))


def test_live_windows_agree_with_the_sum_of_the_period() -> None:
    times = [0, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 400, 500, 605, 611, 1000, 1200, 1209]
    watch = FloodWatch()
    for index, at in enumerate(times):
        watch.take(T0 + at * SECOND)
        until = T0 + at * SECOND + 1
        floods = measure(spread(times[: index + 1]), since=T0, until=until, roles=ROLES)["overall"]["floods"]["newest"]
        standing = floods[0]["began_at"] if floods and floods[0]["ended_at"] is None else None
        begun = watch.since(until - 1)
        assert standing == (None if begun is None else format_time(begun)), at


# Chattering, stale, priorities, the worst


@pytest.mark.parametrize(
    ("times", "episodes"),
    [
        ([0, 30, 59.999999], 1),
        ([0, 30, 60], 0),
        ([0, 59], 0),
        ([0, 10, 20, 30, 40], 1),
        ([0, 10, 20, 500, 510, 520], 2),
        ([0, 10, 20, 79, 80.1], 1),
    ],
)
def test_three_times_in_a_minute_is_chattering(times: list[float], episodes: int) -> None:
    chattering = figures([told(at) for at in times])["overall"]["chattering"]
    assert chattering["number"] == (1 if episodes else 0)
    assert chattering["meets_target"] is not bool(episodes)
    assert [each["episodes"] for each in chattering["worst"]] == ([episodes] if episodes else [])


def test_chattering_is_of_one_alarm_at_one_place() -> None:
    elsewhere = [told(0), told(1, door="R1"), told(2, aircraft="TW-102"), told(3, code="bottle-low")]
    assert figures(elsewhere)["overall"]["chattering"]["number"] == 0
    (worst,) = figures([told(at) for at in (0, 1, 2, 3, 500)])["overall"]["chattering"]["worst"]
    assert worst == {
        "aircraft": "TW-101",
        "door": "L1",
        "code": "wind-limit",
        "episodes": 1,
        "most_in_window": 4,
        "raised": 5,
        "first_at": format_time(T0),
        "last_at": format_time(T0 + 3 * SECOND),
    }


def test_what_counts_as_chattering_can_be_set() -> None:
    document = figures([told(at) for at in (0, 100)], chatter_count=2, chatter_window=101 * SECOND)
    assert document["overall"]["chattering"]["number"] == 1
    assert document["chattering_is"] == {"times": 2, "within_s": 101}


def standing(age_us: int, **changes: Any) -> dict[str, Any]:
    raised_at = format_time(T0 - age_us)
    return {"alert_id": "a1", "state": "acknowledged", "role": TEAM, "raised_at": raised_at, **changes}


@pytest.mark.parametrize(
    ("alert", "stale"),
    [
        (standing(DAY), 0),
        (standing(DAY + 1), 1),
        (standing(DAY + 1, state="unacknowledged"), 1),
        (standing(DAY + 1, state="latched"), 1),
        (standing(DAY + 1, state="shelved"), 0),
        (standing(DAY + 1, state="suppressed"), 0),
        (standing(DAY + 1, state="out_of_service"), 0),
        (standing(DAY + 1, drill=True), 0),
    ],
)
def test_what_stands_for_longer_than_a_day_is_stale(alert: dict[str, Any], stale: int) -> None:
    assert list_stale([alert], T0)["number"] == stale


def test_the_stale_are_listed_longest_first_and_by_role() -> None:
    alerts = [standing(DAY + n, alert_id=f"a{n}", role="ops" if n == 3 else TEAM) for n in (1, 3, 2)]
    document = list_stale(alerts, T0)
    assert [alert["alert_id"] for alert in document["alerts"]] == ["a3", "a2", "a1"]
    assert document["by_role"] == {TEAM: 2, "ops": 1}


@pytest.mark.parametrize(("number", "meets"), [(4, True), (5, False)])
def test_fewer_than_five_may_be_stale(number: int, meets: bool) -> None:
    alerts = [standing(DAY + 1, alert_id=f"a{n}") for n in range(number)]
    assert list_stale(alerts, T0)["meets_target"] is meets


def test_priorities_are_shares_beside_their_targets() -> None:
    words = ["warning"] + ["caution"] * 3 + ["advisory"] * 16
    document = figures([told(n, priority=word) for n, word in enumerate(words)])
    assert {word: each["share"] for word, each in document["overall"]["priorities"].items()} == (
        document["targets"]["priority_shares"]
    )
    assert figures([])["overall"]["priorities"]["warning"] == {"raised": 0, "share": None}


def test_the_worst_ten_are_alarms_at_places_with_their_share() -> None:
    alerts = [told(n, door=f"D{n % 20}") for n in range(380)] + [told(1000 + n, code="bottle-low") for n in range(20)]
    worst = figures(alerts)["overall"]["worst_ten"]
    assert len(worst["alarms"]) == 10
    first = {"aircraft": "TW-101", "door": "L1", "code": "bottle-low", "raised": 20, "share": 0.05}
    assert worst["alarms"][0] == first
    assert worst["share"] == round((20 + 9 * 19) / 400, 4)
    assert worst["meets_target"] is False
    assert figures(alerts)["overall"]["by_code"] == {"wind-limit": 380, "bottle-low": 20}


@pytest.mark.parametrize(("places", "meets"), [(200, True), (199, False)])
def test_the_worst_ten_may_be_a_twentieth_of_all(places: int, meets: bool) -> None:
    assert figures(spread(range(places)))["overall"]["worst_ten"]["meets_target"] is meets


def test_nothing_raised_is_no_share_at_all() -> None:
    worst = figures([])["overall"]["worst_ten"]
    assert worst == {"share": None, "meets_target": None, "alarms": []}
