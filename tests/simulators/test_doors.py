"""Every door of every shipped type, opened and closed: each message leaves a door that can be.

The state machine here is written from the wire contract's own list of legal edges, and
shares no code with the monitor.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

import orjson
import pytest

from monitor.config import default_config_path, load
from monitor.core.airframe import AirframeType, DoorKind, DoorType
from simulators.aircraft import Aircraft
from simulators.feed import Feed
from simulators.models import door as model
from simulators.models.cabin import CabinState
from simulators.models.hydraulics import HydraulicBuild
from simulators.models.weather import Wind
from simulators.orders import Order, Verb

TYPES = load(default_config_path(), environment={}).site.types
DOORS = [(airframe, name) for airframe in TYPES.values() for name in airframe.doors]

EDGES = {
    frozenset(pair)
    for pair in (
        ("closed_locked", "armed"), ("closed_locked", "unlocked"), ("armed", "armed_unlocked"),
        ("unlocked", "armed_unlocked"), ("unlocked", "ajar"), ("armed_unlocked", "ajar"), ("ajar", "open"),
    )
}  # fmt: skip
WITHOUT_LOCK = {frozenset(("unlocked", "open")), frozenset(("armed_unlocked", "open"))}
TO_DEPLOYED = {"armed_unlocked", "ajar", "open"}


def state_of(kind: DoorType, shown: dict[str, object]) -> str:
    """Judge a door by the sensors that it has."""
    if shown.get("slide_released") is True:
        return "slide_deployed"
    if shown["closed"] is not True:
        if "hold_open" in kind.signals:
            return "open" if shown["hold_open"] is True else "ajar"
        if "travel" in kind.signals:
            return "open" if float(str(shown["travel"])) >= 0.98 else "ajar"
        return "open"
    engaged = any(shown.get(signal) is True for signal in ("lever_armed", "girt_left", "girt_right"))
    engaged = engaged or (kind.kind is DoorKind.OVERWING and kind.slide)
    home = all(shown.get(signal, True) is True for signal in ("latched", "locked"))
    home = home and not shown.get("handle_lifted", False) and not shown.get("outside_handle_lifted", False)
    if engaged:
        return "armed" if home else "armed_unlocked"
    return "closed_locked" if home else "unlocked"


def messages(
    airframe: AirframeType, name: str, orders: list[Verb], seconds: float
) -> Iterator[tuple[float, str, object]]:
    """Do ``orders`` one after another and yield every reading of the door that is sent, in order."""
    plane = Aircraft("ZZ-TST", airframe, "S11", random.Random(7))
    feed = Feed("x", bundles=False, first_beat_us=0)
    for turn, verb in enumerate([None, *orders]):
        if verb is not None:
            plane.obey(Order(verb, name), 0)
        for tick in range(round(seconds * 10)):
            now = round(turn * seconds * 1e6) + tick * 100_000
            plane.step(now, 0.1)
            shown = {f"door/{name}/{signal}": value for signal, value in plane.door_readings(name).items()}
            for sent in feed.publish(now, shown):
                if f"/door/{name}/" in sent.topic:
                    yield now / 1e6, sent.topic.rpartition("/")[2], orjson.loads(sent.payload)["value"]


def walk(airframe: AirframeType, name: str, orders: list[Verb], seconds: float = 100.0) -> list[str]:
    """Return the states that the door goes through, having checked each message."""
    kind = airframe.doors[name]
    shown: dict[str, object] = {}
    states: list[str] = []
    for at, signal, value in messages(airframe, name, orders, seconds):
        assert signal in kind.signals
        shown[signal] = value
        if set(shown) < set(kind.signals):
            continue
        if shown.get("locked"):
            assert shown.get("latched", True), f"locked without latched at {at}"
        if shown.get("latched") or shown.get("locked"):
            assert shown["closed"], f"latched or locked out of frame at {at}"
        if shown.get("lock_flags"):
            assert shown["latched"], f"lock flags without latches at {at}"
        state = state_of(kind, shown)
        if states and state != states[-1]:
            edges = EDGES if "hold_open" in kind.signals else EDGES | WITHOUT_LOCK
            deployed = state == "slide_deployed" and states[-1] in TO_DEPLOYED | {"armed"}
            assert deployed or frozenset((states[-1], state)) in edges, f"{states[-1]} to {state} at {at}"
        if not states or state != states[-1]:
            states.append(state)
    return states


@pytest.mark.parametrize(("airframe", "name"), DOORS, ids=[f"{a.name}-{n}" for a, n in DOORS])
def test_opening_and_closing_goes_by_legal_edges(airframe: AirframeType, name: str) -> None:
    kind = airframe.doors[name]
    states = walk(airframe, name, [Verb.OPEN, Verb.CLOSE])
    if kind.kind is DoorKind.OVERWING and kind.slide:
        assert states == ["armed", "armed_unlocked", "open", "slide_deployed"]
        return
    assert states[0] == states[-1] == "closed_locked"
    assert "open" in states
    assert states.index("open") > states.index("unlocked")


@pytest.mark.parametrize("name", ["alder", "cedar", "larch"])
def test_an_armed_door_that_is_opened_loses_its_slide(name: str) -> None:
    states = walk(TYPES[name], "L1", [Verb.ARM_SLIDE, Verb.OPEN])
    assert states[:2] == ["closed_locked", "armed"]
    assert states[2] == "armed_unlocked"
    assert states[-1] == "slide_deployed"


def test_a_type_c_exit_stands_open_with_its_slide_within_ten_seconds_of_actuation() -> None:
    """14 CFR 25.809(b) and, for Type C, 25.810(a)(1)(ii)."""
    seen = list(messages(TYPES["alder"], "L1", [Verb.ARM_SLIDE, Verb.OPEN], 30.0))

    def first(signal: str) -> float:
        return next(at for at, name, value in seen if name == signal and value is True)

    assert first("hold_open") - first("handle_lifted") < 10.0
    assert first("slide_erect") - first("handle_lifted") < 10.0


def test_opening_from_outside_disengages_the_slide_first() -> None:
    states = walk(TYPES["alder"], "L1", [Verb.ARM_SLIDE, Verb.OPEN_OUTSIDE])
    assert "slide_deployed" not in states
    assert states[-1] == "open"


def test_a_powered_door_moves_only_under_pressure_and_comes_to_rest_in_neutral() -> None:
    seen = list(messages(TYPES["alder"], "CF", [Verb.OPEN], 60.0))
    out = next(at for at, signal, value in seen if signal == "closed" and value is False)
    bar = [float(str(value)) for at, signal, value in seen if signal == "actuator_bar" and at <= out]
    assert bar[-1] >= 120.0
    assert [value for _, signal, value in seen if signal == "selector"] == ["neutral", "open", "neutral"]
    assert [value for _, signal, value in seen if signal == "hold_open"] == [False, True]


def test_travel_ramps_over_a_realistic_time_and_never_jumps() -> None:
    seen = [(at, float(str(v))) for at, s, v in messages(TYPES["alder"], "L1", [Verb.OPEN], 60.0) if s == "travel"]
    steps = [now - before for (_, before), (_, now) in itertools.pairwise(seen)]
    assert all(0.0 < step <= 0.1 for step in steps)
    moving = [at for at, travel in seen if travel > 0.0]
    assert 5.0 < moving[-1] - moving[0] < 10.0


def test_a_push_against_engaged_latches_moves_nothing() -> None:
    mechanism = model.mechanism_for(TYPES["alder"].doors["L1"], random.Random(1))
    state = model.DoorState(leaf_to=1.0)
    for _ in range(100):
        state = model.step(mechanism, state, 0.1)
    assert state.in_frame


def test_the_handle_cannot_go_home_with_the_leaf_out() -> None:
    mechanism = model.mechanism_for(TYPES["alder"].doors["L1"], random.Random(1))
    state = model.DoorState(handle=1.0, handle_to=0.0, leaf=0.5, leaf_to=0.5)
    assert model.step(mechanism, state, 0.5).handle == 1.0


def test_a_leaf_that_sinks_loses_its_lock_and_stays_out_of_its_frame() -> None:
    mechanism = model.mechanism_for(TYPES["alder"].doors["CF"], random.Random(1))
    state = model.DoorState(handle=1.0, handle_to=1.0, leaf=1.0, leaf_to=1.0, hold_open=True, sink_per_s=0.02)
    travels = []
    for _ in range(100):
        state = model.step(mechanism, state, 0.1)
        travels.append(state.leaf)
    assert not state.hold_open
    assert travels == sorted(travels, reverse=True)
    assert 0.7 < state.leaf < 0.9


def test_the_hand_pump_is_slower_than_the_electric_one() -> None:
    mechanism = model.mechanism_for(TYPES["alder"].doors["CF"], random.Random(1))

    def seconds(**how: object) -> float:
        state = model.DoorState(handle=1.0, handle_to=1.0, **how)  # type: ignore[arg-type]
        for tick in range(5000):
            state = model.step(mechanism, state, 0.1)
            if state.leaf >= 1.0:
                return tick / 10
        raise AssertionError("the leaf never came up")

    assert seconds(hand_pump=True) > 2 * seconds(selector="open")


def powered(name: str = "alder") -> tuple[model.Mechanism, HydraulicBuild]:
    mechanism = model.mechanism_for(TYPES[name].doors["CF"], random.Random(1))
    assert mechanism.actuator is not None
    return mechanism, mechanism.actuator


def lived(mechanism: model.Mechanism, state: model.DoorState, seconds: float) -> model.DoorState:
    for _ in range(round(seconds * 10)):
        state = model.step(mechanism, state, 0.1)
    return state


def test_a_leaking_actuator_falls_below_what_holds_the_leaf_before_the_leaf_sinks() -> None:
    mechanism, actuator = powered("larch")
    state = model.DoorState(handle=1.0, handle_to=1.0, leaf=0.6, leaf_to=0.6, actuator_bar=actuator.lift_bar)
    state = model.losing(state, actuator, 8.0)
    assert not model.settled(mechanism, state)
    state = lived(mechanism, state, 3.0)
    assert actuator.sink_bar < state.actuator_bar < actuator.holding_bar
    assert state.leaf == 0.6
    later = lived(mechanism, state, 60.0)
    assert later.leaf < 0.55
    assert later.actuator_bar < actuator.holding_bar


def test_so_many_strokes_of_the_hand_pump_lift_the_leaf_so_far_and_then_it_rests() -> None:
    mechanism, actuator = powered()
    up = model.DoorState(handle=1.0, handle_to=1.0, actuator_bar=actuator.lift_bar)
    state = lived(mechanism, model.begin_pumping(up, 12), 30.0)
    assert not state.hand_pump
    assert model.settled(mechanism, state)
    assert state.leaf == pytest.approx(12 * actuator.stroke_cm3 / actuator.swept_cm3, rel=0.02)
    resting = model.begin_pumping(up, 0)
    assert not resting.hand_pump


def test_with_the_electric_pump_failed_only_the_hand_pump_lifts() -> None:
    mechanism, _ = powered()
    failed = model.DoorState(handle=1.0, handle_to=1.0, selector="open", pump_failed=True)
    assert lived(mechanism, failed, 30.0).actuator_bar == 0.0
    assert lived(mechanism, model.begin_pumping(failed), 30.0).leaf > 0.1


def test_latches_that_hold_the_leaf_take_the_pump_to_its_relief_valve() -> None:
    mechanism, actuator = powered()
    state = lived(mechanism, model.DoorState(selector="open"), 10.0)
    assert (state.leaf, state.actuator_bar) == (0.0, actuator.relief_bar)


def seconds_to_open(**worn: float) -> float:
    mechanism = model.mechanism_for(TYPES["alder"].doors["L1"], random.Random(1))
    state = model.DoorState(handle=1.0, handle_to=1.0, leaf_to=1.0, task=model.Task.OPENING, **worn)  # type: ignore[arg-type]
    for tick in range(1000):
        state = model.step(mechanism, state, 0.1)
        if state.leaf >= 1.0:
            return tick / 10
    raise AssertionError("the leaf never came to its stop")


def test_a_stiff_leaf_takes_three_times_as_long() -> None:
    assert 2.8 < seconds_to_open(drag=3.0) / seconds_to_open() < 3.2


def test_a_worn_damper_lets_the_leaf_go_faster_than_its_baseline_allows() -> None:
    usual = seconds_to_open()
    assert seconds_to_open(damper_worn=0.3) < seconds_to_open(damper_worn=0.1) < usual
    assert seconds_to_open(damper_worn=0.7) < 0.6 * usual
    assert seconds_to_open(damper_worn=1.0) > 0.5


def opened_in(wind: Wind | None) -> float:
    plane = Aircraft("ZZ-TST", TYPES["alder"], "S11", random.Random(7))
    plane.wind = wind
    plane.obey(Order(Verb.OPEN, "L1"), 0)
    for tick in range(600):
        plane.step(tick * 100_000, 0.1)
        if plane.doors["L1"].door.leaf >= 1.0:
            return tick / 10
    raise AssertionError("the leaf never came to its stop")


def test_a_breeze_changes_no_door_s_time_and_a_gale_from_behind_does() -> None:
    calm = opened_in(None)
    assert opened_in(Wind(12.0, 240.0)) == calm
    assert opened_in(Wind(45.0, 120.0)) < calm - 1.0


def lamps(plane: Aircraft, name: str) -> tuple[object, object]:
    shown = plane.door_readings(name)
    return shown["armed_light"], shown["pressure_light"]


def test_the_lamps_tell_what_somebody_at_the_door_must_know() -> None:
    plane = Aircraft("ZZ-TST", TYPES["cedar"], "S11", random.Random(7))
    assert lamps(plane, "L1") == (False, False)
    plane.arm_all(armed=True)
    plane.cabin = CabinState(dp_pa=400.0)
    assert lamps(plane, "L1") == (False, False)
    plane.obey(Order(Verb.LIFT_HANDLE, "L1", 0.2), 0)
    plane.step(100_000, 0.5)
    assert lamps(plane, "L1") == (True, True)
    plane.arm_all(armed=False)
    assert lamps(plane, "R1") == (False, True)
