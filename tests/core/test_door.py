"""The door machine: its table, what it reads off a door's signals, and that "secure" is never inferred.

The table is typed here from the design's section 5, apart from how the code builds its own.
"""

from __future__ import annotations

from itertools import product
from types import SimpleNamespace
from typing import Final

import pytest

from monitor.core.airframe import AirframeType, DoorKind, DoorType
from monitor.core.door import EDGES, State, is_legal, move, observe
from monitor.core.signals import Quality, Value
from monitor.core.state import AircraftRecord, DoorRecord, Reading, SiteRecord
from monitor.core.view import View
from tests.stories import ARMED, LOCKED, OUT, START, UNLOCKED, Story, alder, demo_site

PAIRS: Final = tuple(product(State, State))


def pairs(text: str) -> set[tuple[str, str]]:
    """Read "from to from to …"."""
    words = text.split()
    return set(zip(words[::2], words[1::2], strict=True))


ALWAYS: Final = pairs("""
    closed_locked armed            armed closed_locked
    closed_locked unlocked         unlocked closed_locked
    armed armed_unlocked           armed_unlocked armed
    armed unlocked
    unlocked armed_unlocked        armed_unlocked unlocked
    unlocked ajar                  ajar unlocked
    armed_unlocked ajar            ajar armed_unlocked
    ajar open                      open ajar
    armed_unlocked slide_deployed  ajar slide_deployed  open slide_deployed
    unknown closed_locked          closed_locked unknown
    unknown armed                  armed unknown
    unknown unlocked               unlocked unknown
    unknown armed_unlocked         armed_unlocked unknown
    unknown ajar                   ajar unknown
    unknown open                   open unknown
    unknown slide_deployed
""")
WITHOUT_HOLD_OPEN: Final = pairs("unlocked open  open unlocked  armed_unlocked open  open armed_unlocked")
IN_ONE_BUNDLE: Final = pairs("ajar closed_locked  ajar armed")
IN_ONE_BUNDLE_WITHOUT_HOLD_OPEN: Final = pairs("open closed_locked")
OVERWING: Final = pairs("armed slide_deployed")


def expected_legal(source: str, target: str, *, hold_open: bool, bundle: bool, overwing: bool, reset: bool) -> bool:
    pair = (source, target)
    if source == target or pair in ALWAYS:
        return True
    if source == "slide_deployed":
        return reset
    return (
        (pair in WITHOUT_HOLD_OPEN and not hold_open)
        or (pair in IN_ONE_BUNDLE and bundle)
        or (pair in IN_ONE_BUNDLE_WITHOUT_HOLD_OPEN and bundle and not hold_open)
        or (pair in OVERWING and overwing)
    )


def test_the_states_are_the_eight_of_the_contract() -> None:
    names = "unknown closed_locked armed unlocked armed_unlocked ajar open slide_deployed"
    assert " ".join(State) == names


def test_the_table_is_total() -> None:
    assert set(EDGES) == set(PAIRS)
    assert len(EDGES) == 64


@pytest.mark.parametrize("source", State)
def test_a_step_is_legal_exactly_where_the_design_says_so(source: State) -> None:
    wrong = []
    for target, (hold_open, bundle, overwing, reset) in product(State, product((False, True), repeat=4)):
        flags = {"hold_open": hold_open, "bundle": bundle, "overwing": overwing, "reset": reset}
        if is_legal(source, target, **flags) != expected_legal(source, target, **flags):
            wrong.append((str(target), flags))
    assert wrong == []


@pytest.mark.parametrize(("source", "target"), [(a, b) for a, b in PAIRS if a is not b])
def test_the_machine_goes_wherever_the_door_is(source: State, target: State) -> None:
    door = SimpleNamespace(state=str(source))
    move(door, target)
    assert door.state == str(target)


# What is read off a door's signals

ANSWERS: Final = ("true", "false", "missing", "bad", "stale")
"""What a fitted signal may be; an uncertain or a withdrawn one is told below."""


def kinds() -> dict[DoorKind, tuple[AirframeType, DoorType]]:
    """One door of each kind, from the shipped types."""
    found: dict[DoorKind, tuple[AirframeType, DoorType]] = {}
    for airframe in demo_site().types.values():
        for door in airframe.doors.values():
            found.setdefault(door.kind, (airframe, door))
    return found


KINDS: Final = kinds()


def reading(value: Value | None, quality: Quality = Quality.GOOD, *, stale: bool = False) -> Reading:
    return Reading(value, quality, START, None, False, False, START, 0, stale)


def answer(word: str, *, good: bool) -> Reading | None:
    """A reading for a word: a bad or stale one reads as it would if all were well, so that it tempts."""
    return {
        "true": reading(True),
        "false": reading(False),
        "missing": None,
        "bad": reading(good, Quality.BAD),
        "uncertain": reading(good, Quality.UNCERTAIN),
        "stale": reading(good, stale=True),
        "withdrawn": reading(None),
    }[word]


def see(kind: DoorKind, readings: dict[str, Reading | None], *, deployed: bool = False) -> State:
    airframe, spec = KINDS[kind]
    door = DoorRecord(spec.name, since=START, deployed=deployed)
    door.readings = {name: r for name, r in readings.items() if r is not None}
    aircraft = AircraftRecord("TW-1", first_seen=START, type=airframe.name, doors={spec.name: door}, live_at=START)
    return observe(View(SiteRecord(), START, aircraft, airframe, door))


def slide(kind: DoorKind, *, engaged: bool) -> dict[str, Reading | None]:
    fitted = KINDS[kind][1].signals
    return {name: reading(engaged) for name in ("lever_armed", "girt_left", "girt_right") if name in fitted}


def test_every_kind_of_door_is_among_the_shipped_types() -> None:
    assert set(KINDS) == set(DoorKind)


@pytest.mark.parametrize("kind", DoorKind)
def test_secure_needs_closed_latched_locked_and_handles_home_all_known_good(kind: DoorKind) -> None:
    """14 CFR 25.783(e)(1) and (e)(3): three things together; no single bad or stale reading yields "secure"."""
    spec = KINDS[kind][1]
    handles = [h for h in ("handle_lifted", "outside_handle_lifted") if h in spec.signals]
    secure = {State.ARMED if kind is DoorKind.OVERWING and spec.slide else State.CLOSED_LOCKED}
    assert handles
    for closed, latched, locked, *lifted in product(ANSWERS, repeat=3 + len(handles)):
        readings = {
            "closed": answer(closed, good=True),
            "latched": answer(latched, good=True),
            "locked": answer(locked, good=True),
            **{handle: answer(word, good=False) for handle, word in zip(handles, lifted, strict=True)},
            **slide(kind, engaged=False),
            "hold_open": reading(False) if "hold_open" in spec.signals else None,
            "travel": reading(0.0) if "travel" in spec.signals else None,
        }
        state = see(kind, readings)
        said = (closed, latched, locked, *lifted)
        if closed == latched == locked == "true" and set(lifted) == {"false"}:
            assert {state} == secure, said
        elif closed not in ("true", "false"):
            assert state is State.UNKNOWN, said
        elif closed == "false":
            assert state in (State.AJAR, State.OPEN), said
        elif latched == "false" or locked == "false" or "true" in lifted:
            assert state is (State.ARMED_UNLOCKED if kind is DoorKind.OVERWING and spec.slide else State.UNLOCKED), said
        else:
            assert state is State.UNKNOWN, said


@pytest.mark.parametrize("word", ["uncertain", "withdrawn", "bad", "stale", "missing"])
@pytest.mark.parametrize("signal", ["closed", "latched", "locked", "handle_lifted", "outside_handle_lifted"])
def test_one_reading_that_is_not_good_is_enough_to_know_nothing(signal: str, word: str) -> None:
    readings = {
        **{name: reading(True) for name in ("closed", "latched", "locked")},
        **{name: reading(False) for name in ("handle_lifted", "outside_handle_lifted", "hold_open")},
        **slide(DoorKind.CABIN, engaged=True),
    }
    assert see(DoorKind.CABIN, readings) is State.ARMED
    readings[signal] = answer(word, good=signal in ("closed", "latched", "locked"))
    assert see(DoorKind.CABIN, readings) is State.UNKNOWN


@pytest.mark.parametrize(
    ("moved", "engaged", "disengaged"), [(False, "armed", "closed_locked"), (True, "armed_unlocked", "unlocked")]
)
def test_any_part_of_the_slide_that_says_engaged_makes_it_engaged(moved: bool, engaged: str, disengaged: str) -> None:
    for words in product(ANSWERS, repeat=3):
        readings = {
            "closed": reading(True),
            "latched": reading(not moved),
            "locked": reading(not moved),
            "handle_lifted": reading(moved),
            "outside_handle_lifted": reading(False),
        }
        readings |= {
            name: answer(word, good=False)
            for name, word in zip(("lever_armed", "girt_left", "girt_right"), words, strict=True)
        }
        expected = engaged if "true" in words else disengaged if set(words) == {"false"} else "unknown"
        assert see(DoorKind.CABIN, readings) == expected, words


@pytest.mark.parametrize(
    ("kind", "readings", "state"),
    [
        (DoorKind.CABIN, {"hold_open": True}, "open"),
        (DoorKind.CABIN, {"hold_open": False}, "ajar"),
        (DoorKind.CABIN, {"hold_open": False, "travel": 1.0}, "ajar"),
        (DoorKind.CABIN, {"hold_open": True, "travel": 0.4}, "open"),
        (DoorKind.CABIN, {"travel": 1.0}, "unknown"),
        (DoorKind.WINDOW, {"travel": 0.98}, "open"),
        (DoorKind.WINDOW, {"travel": 0.979}, "ajar"),
        (DoorKind.WINDOW, {}, "unknown"),
        (DoorKind.BULK, {"travel": 1.0}, "open"),
        (DoorKind.BULK, {"travel": 0.3}, "ajar"),
        (DoorKind.HATCH, {}, "open"),
        (DoorKind.OVERWING, {}, "open"),
        # An optional signal is used when it is sent, and never asked for.
        (DoorKind.HATCH, {"travel": 0.5}, "ajar"),
        (DoorKind.HATCH, {"travel": 1.0}, "open"),
        (DoorKind.HATCH, {"hold_open": False}, "ajar"),
        (DoorKind.BULK, {"travel": 1.0, "hold_open": False}, "ajar"),
    ],
)  # fmt: skip
def test_out_of_frame_is_open_or_ajar_by_what_the_kind_has(
    kind: DoorKind, readings: dict[str, Value], state: str
) -> None:
    given: dict[str, Reading | None] = {name: reading(value) for name, value in readings.items()}
    assert see(kind, {"closed": reading(False), **slide(kind, engaged=False), **given}) == state


def test_out_of_frame_needs_neither_latch_nor_lock_nor_slide() -> None:
    assert see(DoorKind.CABIN, {"closed": reading(False), "hold_open": reading(True)}) is State.OPEN


@pytest.mark.parametrize(
    ("more", "out"),
    [({"hold_open": True}, True), ({"travel": 0.51}, True), ({"travel": 0.5}, False), ({"hold_open": False}, False)],
)
def test_a_frame_switch_that_other_sensors_contradict_is_not_believed(more: dict[str, Value], out: bool) -> None:
    readings: dict[str, Reading | None] = {
        **{name: reading(True) for name in ("closed", "latched", "locked")},
        **{name: reading(False) for name in ("handle_lifted", "outside_handle_lifted", "hold_open")},
        **slide(DoorKind.CABIN, engaged=False),
        **{name: reading(value) for name, value in more.items()},
    }
    assert (see(DoorKind.CABIN, readings) in (State.OPEN, State.AJAR)) is out


@pytest.mark.parametrize("kind", DoorKind)
def test_a_door_of_which_nothing_was_heard_is_unknown(kind: DoorKind) -> None:
    assert see(kind, {}) is State.UNKNOWN


@pytest.mark.parametrize("closed", ["true", "false", "missing"])
def test_a_released_slide_outranks_everything_else(closed: str) -> None:
    readings = {"closed": answer(closed, good=True)}
    assert see(DoorKind.CABIN, readings, deployed=True) is State.SLIDE_DEPLOYED


def test_an_overwing_hatch_with_a_slide_sits_armed_and_one_without_does_not() -> None:
    assert KINDS[DoorKind.OVERWING][1].slide
    story = alder()
    assert (story.state("OL1"), story.state("OR1")) == ("armed", "armed")
    bare = [
        (airframe.name, door)
        for airframe in demo_site().types.values()
        for door in airframe.doors.values()
        if door.kind is DoorKind.OVERWING and not door.slide
    ]
    assert bare
    for name, door in bare:
        assert Story(type=name).baseline().state(door.name) == "closed_locked"


# Told as stories


def test_a_door_worked_the_normal_way_passes_through_its_states_in_order() -> None:
    story = alder()
    seen = [story.state("L1")]
    for at, readings in enumerate(
        (ARMED, {"lever_armed": False, "girt_left": False, "girt_right": False}, UNLOCKED, {"closed": False, "travel": 0.1},
         {"hold_open": True, "travel": 1.0}, {"hold_open": False, "travel": 0.9}, {"closed": True, "travel": 0.0}, LOCKED),
        start=2,
    ):  # fmt: skip
        story.door_bundle("L1", readings, at=at)
        seen.append(story.state("L1"))
    assert " ".join(seen) == "closed_locked armed closed_locked unlocked ajar open ajar unlocked closed_locked"
    assert story.jumps() == []
    assert not story.door("L1").get("implausible")


def test_readings_of_one_bundle_are_applied_together_before_a_jump_is_judged() -> None:
    story = alder()
    story.door_bundle("CB", OUT, {"travel": 0.5}, at=2)
    assert story.jumps() == [("CB", "closed_locked", "ajar")]
    story.door_bundle("CB", LOCKED, {"closed": True, "travel": 0.0}, at=3)
    assert story.jumps() == [("CB", "closed_locked", "ajar")], "ajar to closed and locked is legal within one bundle"


def test_a_jump_is_taken_marked_and_counted_never_ignored() -> None:
    story = alder()
    story.door_bundle("L1", OUT, {"hold_open": True, "travel": 1.0}, at=2)
    assert story.state("L1") == "open"
    assert story.door("L1")["implausible"] is True
    assert story.jumps() == [("L1", "closed_locked", "open")]
    story.door_bundle("L1", {"hold_open": False}, at=3)
    assert story.state("L1") == "ajar"
    assert "implausible" not in story.door("L1"), "the mark goes with the next legal change"


def test_a_change_into_unknown_ends_nothing() -> None:
    story = alder()
    story.door_bundle("L1", OUT, {"hold_open": True, "travel": 1.0}, at=2)
    story.send("door/L1/closed", False, at=3, quality="bad")
    assert story.state("L1") == "unknown"
    assert story.door("L1")["implausible"] is True


def test_a_released_slide_survives_silence_and_leaves_by_a_reset_only() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=2)
    story.door_bundle("L1", UNLOCKED, at=3)
    story.door_bundle("L1", {"slide_released": True}, at=4)
    assert story.state("L1") == "slide_deployed"
    story.beating = False
    story.until(120)
    assert story.state("L1") == "slide_deployed"
    assert story.door("L1")["blind"] is True
    story.beating = True
    story.beat(at=121)
    story.door_bundle("L1", {"slide_released": False, "closed": True}, LOCKED, at=122)
    assert story.state("L1") == "slide_deployed"
    story.reset("L1")
    assert story.state("L1") == "armed"
    assert story.jumps() == []
