"""Which alert of one run is which of the other: every one once, in order, and the nearest together."""

from __future__ import annotations

from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.alarm_health import Annunciation
from monitor.core.times import HOUR, SECOND
from monitor.trial.pairing import APART_MAX, QUIET, pair
from monitor.trial.spool import Raised, Spool

Pairs = list[tuple[float | None, float | None]]


def raised(at: float, *, id: str = "", door: str = "L1", code: str = "lock-disagree") -> Raised:  # noqa: A002 as the wire has it
    told = Annunciation(round(at * SECOND), "ZT-1", door, code, "ground_crew", "caution")
    return Raised(told, id or f"{at}-{door}", True)


def pairs(old: list[Raised], new: list[Raised]) -> Pairs:
    found: list[tuple[Raised | None, Raised | None]] = []
    pair(old, new, lambda one, other: found.append((one, other)))
    return [
        (None if a is None else a.told.time / SECOND, None if b is None else b.told.time / SECOND) for a, b in found
    ]


def times(*moments: float, prefix: str) -> list[Raised]:
    return [raised(at, id=f"{prefix}{at}") for at in moments]


def test_the_nearest_are_together() -> None:
    assert pairs(times(0, prefix="a"), times(-1, 250, prefix="b")) == [(0, -1), (None, 250)]
    assert pairs(times(0, 290, prefix="a"), times(289, prefix="b")) == [(0, None), (290, 289)]


def test_a_row_of_them_moves_together() -> None:
    """Chatter every 5 s that comes 4 s later: each is later, none is earlier by one."""
    assert pairs(times(0, 5, 10, prefix="a"), times(4, 9, 14, prefix="b")) == [(0, 4), (5, 9), (10, 14)]


def test_what_is_too_far_apart_is_not_the_same() -> None:
    far = APART_MAX / SECOND + 1
    assert pairs(times(0, prefix="a"), times(far, prefix="b")) == [(0, None), (None, far)]
    assert pairs(times(0, prefix="a"), times(far - 1, prefix="b")) == [(0, far - 1)]


def test_one_cause_is_one_alert_however_far_apart() -> None:
    assert pairs([raised(0, id="x")], [raised(10, id="y"), raised(1200, id="x")]) == [(0, 1200), (None, 10)]


def test_raised_again_it_is_paired_in_turn() -> None:
    old, new = [raised(at, id="x") for at in (0, 60)], [raised(at, id="x") for at in (1, 61, 90)]
    assert pairs(old, new) == [(0, 1), (60, 61), (None, 90)]


def test_another_place_is_another_alert() -> None:
    assert sorted(pairs([raised(0, id="x")], [raised(0, id="x", door="R1")]), key=str) == [(0, None), (None, 0)]


_MOMENTS = st.lists(st.tuples(st.integers(0, 3 * HOUR // SECOND), st.integers(0, 5), st.booleans()), max_size=40)


@settings(max_examples=40)
@given(_MOMENTS, _MOMENTS)
def test_every_alert_is_told_of_once_and_pairs_are_of_one_place(
    old: list[tuple[int, int, bool]], new: list[tuple[int, int, bool]]
) -> None:
    sides = [
        [raised(at, id=f"{name}", door="L1" if left else "R1") for at, name, left in sorted(side)]
        for side in (old, new)
    ]
    told: tuple[Counter[Raised], Counter[Raised]] = (Counter(), Counter())

    def take(one: Raised | None, other: Raised | None) -> None:
        assert one is not None or other is not None
        for side, each in enumerate((one, other)):
            if each is not None:
                told[side][each] += 1
        if one is not None and other is not None:
            assert one.place == other.place
            apart = abs(one.told.time - other.told.time)
            assert apart <= APART_MAX or one.alert_id == other.alert_id

    pair(*sides, take)
    assert told == (Counter(sides[0]), Counter(sides[1]))


@settings(max_examples=40)
@given(_MOMENTS)
def test_the_same_twice_is_all_the_same(moments: list[tuple[int, int, bool]]) -> None:
    side = [raised(at, id=str(name), door="L1" if left else "R1") for at, name, left in sorted(moments)]
    pair(side, side, lambda one, other: None if one == other else (_ for _ in ()).throw(AssertionError((one, other))))


def test_a_place_that_was_quiet_begins_anew() -> None:
    far = 2 * QUIET / SECOND
    assert pairs([raised(0, id="x")], [raised(far, id="x")]) == [(0, None), (None, far)]


def test_chatter_without_end_is_nowhere_parted() -> None:
    """More than are held against each other at once; wherever one stops to count them, each is 2 s later."""
    moments = [5.0 * number for number in range(500)]
    for extra in range(4):
        before = times(*(-1000.0 - number for number in range(extra, 0, -1)), prefix="a")
        old = before + times(*moments, prefix="a")
        new = times(*(moment + 2 for moment in moments), prefix="b")
        found = pairs(old, new)
        assert sorted(found[extra:]) == [(moment, moment + 2) for moment in moments], extra


def test_a_spool_gives_back_what_it_was_given() -> None:
    spool = Spool()
    given_ = [raised(at) for at in range(50)]
    for each in given_:
        spool.add(each)
    assert list(spool) == given_
    assert list(spool) == given_
    assert spool.number == 50
    spool.close()
