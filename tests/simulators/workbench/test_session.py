"""The bench's session: what a hand does, what the models make of it, what the sensors then say."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from monitor.adapters.wire import Wire
from monitor.core.events import ReadingsArrived, StandReadingArrived
from monitor.core.times import MILLISECOND, SECOND
from monitor.ports import Message
from simulators.publication import Publication
from simulators.workbench.hands import Part
from simulators.workbench.session import HOLD_FOR, TICK, RefusedError, Session
from tests.stories import START, demo_site


class Bench:
    """A session with a clock of its own, and everything that it sent."""

    def __init__(self, type_name: str = "alder", *, start: str | None = "armed", seed: int = 1) -> None:
        self.session = Session(demo_site(), reg="ZZ-RIG", type_name=type_name, stand="S16", seed=seed, start_us=START)
        self.now = START
        self.sent: list[Publication] = []
        if start is not None:
            self.session.begin(start, self.now)
            self.run(0.5)

    def run(self, seconds: float) -> list[Publication]:
        """Let time pass; returns what was sent meanwhile."""
        sent: list[Publication] = []
        for _ in range(round(seconds * SECOND / TICK)):
            self.now += TICK
            sent += self.session.advance(self.now)
        self.sent += sent
        return sent

    def hold(self, door: str, part: Part, force: float, seconds: float) -> None:
        """Hold a part as the page does: renewed all the time, and then let go."""
        for _ in range(round(seconds / 0.4)):
            self.session.hold(door, part, force, self.now)
            self.run(0.4)
        self.session.hold(door, part, 0.0, self.now)
        self.run(0.1)

    def door(self, name: str) -> dict[str, Any]:
        found: dict[str, Any] = self.session.picture()[f"door/{name}"]
        return found

    def said(self, key: str) -> dict[str, Any]:
        """A sensor of the picture: what is true, what it said, its quality and faults."""
        part = "aircraft" if key.startswith("airframe/") else "/".join(key.split("/")[:2])
        return next(reading for reading in self.session.picture()[part]["readings"] if reading["key"] == key)


def values(sent: list[Publication], key: str) -> list[Any]:
    return [json.loads(p.payload)["value"] for p in sent if p.topic.endswith(f"/aircraft/ZZ-RIG/{key}")]


def lift(bench: Bench, door: str) -> None:
    bench.session.move(door, Part.HANDLE, 1.0)
    bench.run(2.5)


# Appearing and going


def test_nothing_is_sent_before_somebody_begins() -> None:
    bench = Bench(start=None)
    assert bench.run(12.0) == []
    assert bench.session.picture() == {}
    assert bench.session.withdrawals() == []
    with pytest.raises(RefusedError, match="begin first"):
        bench.session.order("beacon on", None, bench.now)


def test_it_comes_complete_and_simulated_and_the_contract_takes_every_message() -> None:
    bench = Bench()
    bench.run(12.0)
    wire = Wire("tarnwick", "test", frozenset(demo_site().types))
    for publication in bench.sent:
        assert json.loads(publication.payload)["simulated"] is True
        taken = wire.decode(Message(publication.topic, publication.payload, publication.retain))
        assert isinstance(taken, (ReadingsArrived, StandReadingArrived)), taken
    assert values(bench.sent, "airframe/type") == ["alder"]
    assert len(values(bench.sent, "airframe/heartbeat")) >= 2
    assert any("/stand/S16/wind_kt" in publication.topic for publication in bench.sent)
    for name, kind in demo_site().types["alder"].doors.items():
        for signal in kind.signals:
            assert values(bench.sent, f"door/{name}/{signal}"), (name, signal)


def test_taken_away_it_withdraws_all_that_it_sent_and_can_come_again() -> None:
    bench = Bench()
    kept = {publication.topic for publication in bench.sent if publication.retain}
    withdrawn = bench.session.end()
    assert {publication.topic for publication in withdrawn} == kept
    assert all(publication.payload == b"" and publication.retain for publication in withdrawn)
    assert bench.run(6.0) == []
    bench.session.begin("closed", bench.now)
    bench.run(0.5)
    assert bench.door("L1")["state"] == "closed_locked"
    with pytest.raises(RefusedError, match="already"):
        bench.session.begin("closed", bench.now)


def test_one_seed_and_the_same_hands_give_the_same_bytes() -> None:
    def played(seed: int) -> list[Publication]:
        bench = Bench(seed=seed)
        bench.session.order("disarm slide", "L1", bench.now)
        bench.run(2.0)
        lift(bench, "L1")
        bench.session.blow(30.0, 10.0)
        bench.hold("L1", Part.LEAF, 0.7, 4.0)
        bench.run(5.0)
        return bench.sent

    assert played(3) == played(3)
    assert played(3) != played(4)


def test_time_that_was_slept_through_is_not_made_up_for() -> None:
    bench = Bench()
    bench.now += 3600 * SECOND
    sent = bench.session.advance(bench.now)
    assert len(values(sent, "airframe/heartbeat")) <= 2


# Hands


def test_a_handle_may_be_half_way_and_its_sensors_follow_in_order() -> None:
    bench = Bench(start="closed")
    bench.session.move("L1", Part.HANDLE, 0.5)
    bench.run(2.0)
    door = bench.door("L1")
    assert door["mechanism"]["handle"] == pytest.approx(0.5)
    assert door["state"] == "unlocked"
    shown = {key: bench.said(f"door/L1/{key}")["said"] for key in ("handle_lifted", "locked", "latched", "closed")}
    assert shown == {"handle_lifted": True, "locked": False, "latched": True, "closed": True}
    bench.session.move("L1", Part.HANDLE, 0.0)
    bench.run(2.0)
    assert bench.door("L1")["state"] == "closed_locked"


def test_the_pin_blocks_the_lever_and_a_lever_half_way_engages_one_end() -> None:
    bench = Bench(start="closed")
    with pytest.raises(RefusedError, match="pin"):
        bench.session.move("L1", Part.LEVER, 1.0)
    bench.session.order("remove pin", "L1", bench.now)
    bench.run(0.2)
    bench.session.move("L1", Part.LEVER, 0.6)
    bench.run(2.0)
    slide = bench.door("L1")["slide"]
    assert (slide["left"], slide["right"], slide["lever"]) == (True, False, 0.6)
    assert bench.said("door/L1/girt_right")["said"] is False
    bench.session.move("L1", Part.LEVER, 1.0)
    bench.run(2.0)
    assert bench.door("L1")["state"] == "armed"
    for door in ("H1", "OL1"):
        with pytest.raises(RefusedError, match="no lever"):
            bench.session.move(door, Part.LEVER, 1.0)


def test_a_handle_that_is_held_moves_only_as_long() -> None:
    bench = Bench(start="closed")
    bench.hold("L1", Part.HANDLE, 1.0, 0.4)
    at = bench.door("L1")["mechanism"]["handle"]
    assert 0.1 < at < 0.9
    bench.run(2.0)
    assert bench.door("L1")["mechanism"]["handle"] == at


def test_a_door_is_opened_by_hand_and_held_open() -> None:
    bench = Bench()
    bench.session.order("disarm slide", "L1", bench.now)
    bench.run(2.0)
    assert bench.door("L1")["slide"]["pin"] is True
    bench.hold("L1", Part.LEAF, 1.0, 1.2)
    assert bench.door("L1")["mechanism"]["in_frame"], "latches hold what is pushed"
    lift(bench, "L1")
    bench.hold("L1", Part.LEAF, 1.0, 2.0)
    assert bench.door("L1")["state"] == "ajar"
    bench.hold("L1", Part.LEAF, 1.0, 12.0)
    assert bench.door("L1")["state"] == "open"
    assert bench.said("door/L1/hold_open")["said"] is True
    assert bench.said("door/L1/travel")["said"] == 1.0


def opened(**how: Any) -> Bench:
    bench = Bench(start="closed", **how)
    bench.session.blow(0.0, 0.0)
    lift(bench, "L1")
    bench.hold("L1", Part.LEAF, 1.0, 14.0)
    assert bench.door("L1")["state"] == "open"
    return bench


def test_a_leaf_held_open_is_pulled_in_vain_until_its_lock_is_released() -> None:
    bench = opened()
    bench.hold("L1", Part.LEAF, -1.0, 2.0)
    assert bench.door("L1")["state"] == "open"
    for _ in range(5):
        bench.session.hold("L1", Part.HOLD_OPEN, 1.0, bench.now)
        bench.session.hold("L1", Part.LEAF, -1.0, bench.now)
        bench.run(0.4)
    assert bench.door("L1")["state"] == "ajar"
    bench.session.hold("L1", Part.HOLD_OPEN, 0.0, bench.now)
    bench.hold("L1", Part.LEAF, -1.0, 16.0)
    bench.session.move("L1", Part.HANDLE, 0.0)
    bench.run(2.5)
    assert bench.door("L1")["state"] == "closed_locked"


def test_a_gentle_push_is_slower() -> None:
    def reached(force: float) -> float:
        bench = Bench(start="closed")
        bench.session.blow(0.0, 0.0)
        lift(bench, "L1")
        bench.hold("L1", Part.LEAF, force, 3.2)
        return float(bench.door("L1")["mechanism"]["leaf"])

    assert 0.0 < reached(0.4) < 0.6 * reached(1.0)


def test_the_wind_moves_a_leaf_that_nobody_holds() -> None:
    bench = Bench(start="closed")
    bench.session.blow(0.0, 0.0)
    lift(bench, "L1")
    bench.hold("L1", Part.LEAF, 1.0, 3.2)
    bench.run(3.0)
    calm = bench.door("L1")["mechanism"]["leaf"]
    bench.run(5.0)
    assert bench.door("L1")["mechanism"]["leaf"] == calm, "still air leaves it alone"
    bench.session.blow(60.0, 0.0)
    bench.run(6.0)
    assert abs(bench.door("L1")["mechanism"]["leaf"] - calm) > 0.1


def test_a_hand_that_is_not_renewed_lets_go() -> None:
    bench = Bench(start="closed")
    bench.session.blow(0.0, 0.0)
    lift(bench, "L1")
    bench.session.hold("L1", Part.LEAF, 1.0, bench.now)
    bench.run(HOLD_FOR / SECOND + 1.0)
    at = bench.door("L1")["mechanism"]["leaf"]
    assert 0.0 < at < 1.0
    bench.run(4.0)
    assert bench.door("L1")["mechanism"]["leaf"] == pytest.approx(at, abs=0.01)


def test_a_selector_springs_back_and_a_hold_door_is_worked_by_pump_and_by_hand() -> None:
    bench = Bench(start="closed")
    lift(bench, "CF")
    bench.hold("CF", Part.SELECTOR, 1.0, 4.0)
    door = bench.door("CF")
    assert door["mechanism"]["selector"] == "neutral"
    assert door["mechanism"]["actuator_bar"] > 100
    travelled = door["mechanism"]["leaf"]
    assert travelled > 0.02
    bench.hold("CF", Part.PUMP, 1.0, 4.0)
    by_hand = bench.door("CF")["mechanism"]["leaf"]
    assert travelled < by_hand < travelled + 0.2
    bench.hold("CF", Part.SELECTOR, -1.0, 4.0)
    assert bench.door("CF")["mechanism"]["leaf"] < by_hand


def test_a_flap_is_pressed_without_its_handle() -> None:
    bench = Bench(start="closed")
    bench.session.hold("L1", Part.FLAP, 1.0, bench.now)
    bench.run(0.4)
    assert bench.said("door/L1/flap_pressed")["said"] is True
    assert bench.said("door/L1/outside_handle_lifted")["said"] is False
    assert bench.door("L1")["state"] == "closed_locked"
    bench.session.hold("L1", Part.FLAP, 0.0, bench.now)
    bench.run(0.4)
    assert bench.said("door/L1/flap_pressed")["said"] is False


def test_an_armed_door_that_is_pushed_out_releases_its_slide() -> None:
    bench = Bench()
    lift(bench, "L1")
    assert bench.door("L1")["state"] == "armed_unlocked"
    bench.hold("L1", Part.LEAF, 1.0, 2.0)
    bench.run(8.0)
    door = bench.door("L1")
    assert door["state"] == "slide_deployed"
    assert door["slide"]["erect"]
    assert bench.said("door/L1/slide_erect")["said"] is True


# Orders, faults, wind


@pytest.mark.parametrize(
    ("phrase", "door", "why"),
    [
        ("open sesame", "L1", "nothing follows|not something"),
        ("lift handle", None, "done to a door"),
        ("lift handle", "L9", "no door L9"),
        ("start engine 4", None, "no engine 4"),
        ("arm slide", "H1", "no slide"),
        ("stroke hand pump 3", "L1", "no hydraulics"),
    ],
)
def test_what_makes_no_sense_is_refused_with_a_reason(phrase: str, door: str | None, why: str) -> None:
    bench = Bench()
    with pytest.raises(RefusedError, match=why):
        bench.session.order(phrase, door, bench.now)


def test_the_aircraft_is_worked_by_the_phrases_of_the_scenarios() -> None:
    bench = Bench(start="closed")
    for phrase in ("beacon on", "start refuelling", "declare emergency", "start engine 1", "board 12", "power off"):
        bench.session.order(phrase, None, bench.now)
    bench.session.order("dock bridge", "L1", bench.now)
    bench.run(15.0)
    plane = bench.session.picture()["aircraft"]
    assert (plane["switches"]["beacon"], plane["switches"]["refuelling"], plane["power"]) == (True, True, "off")
    assert plane["switches"]["emergency"]
    assert plane["engines"]["1"] == {"side": "left", "wanted": True, "running": True}
    assert plane["wanted"] == 12
    assert bench.door("L1")["mechanism"]["access"] == "bridge"


def test_a_fault_shows_in_what_is_said_beside_what_is_true() -> None:
    bench = Bench(start="closed")
    key = "door/L1/handle_lifted"
    bench.session.break_sensor(key, "stick", None, bench.now)
    bench.run(0.1)
    bench.session.move("L1", Part.HANDLE, 0.5)
    bench.run(2.0)
    shown = bench.said(key)
    assert (shown["true"], shown["said"]) == (True, False)
    assert shown["faults"] == [{"fault": "stick", "amount": None}]
    bench.session.break_sensor(key, "mend", None, bench.now)
    bench.run(0.5)
    assert bench.said(key) == {**shown, "said": True, "faults": []}


def test_what_somebody_reads_can_be_taken_back_and_read_again() -> None:
    bench = Bench(start="closed")
    key = "door/L1/lock_indicator"
    bench.session.break_sensor(key, "set", "unlocked", bench.now)
    assert values(bench.run(0.5), key) == ["unlocked"]
    bench.session.break_sensor(key, "mend", None, bench.now)
    sent = [publication for publication in bench.run(0.5) if publication.topic.endswith(key)]
    assert [(publication.payload, publication.retain) for publication in sent] == [(b"", True)]
    assert key not in {reading["key"] for reading in bench.door("L1")["readings"]}
    bench.session.break_sensor(key, "mend", None, bench.now)
    assert [publication for publication in bench.run(0.5) if publication.topic.endswith(key)] == []
    bench.session.break_sensor(key, "set", "unlocked", bench.now)
    assert values(bench.run(0.5), key) == ["unlocked"], "the same word again is news"
    bench.session.owe_picture()
    assert values(bench.run(0.5), key) == ["unlocked"]


def test_the_outflow_valve_lets_the_pressure_go() -> None:
    bench = Bench(start="closed")
    bench.session.order("supply air", None, bench.now)
    bench.run(30.0)
    held = bench.session.picture()["aircraft"]["pressure_hpa"]
    bench.session.order("open outflow valve", None, bench.now)
    assert bench.session.picture()["aircraft"]["outflow_open"] is True
    bench.run(30.0)
    assert bench.session.picture()["aircraft"]["pressure_hpa"] < held
    bench.session.order("shut outflow valve", None, bench.now)
    assert bench.session.picture()["aircraft"]["outflow_open"] is False


FAULTS: list[tuple[str, str, Any, Callable[[list[Any], dict[str, Any]], bool]]] = [
    ("door/L1/slide_bottle_bar", "bias", -20.0, lambda sent, shown: shown["said"] == pytest.approx(shown["true"] - 20)),
    ("door/L1/slide_bottle_bar", "drift", 60.0, lambda sent, shown: shown["said"] > shown["true"] + 3),
    ("door/L1/locked", "set", False, lambda sent, shown: (shown["true"], shown["said"]) == (True, False)),
    ("door/L1/locked", "bad", None, lambda sent, shown: shown["quality"] == "bad"),
    ("door/L1/locked", "uncertain", None, lambda sent, shown: shown["quality"] == "uncertain"),
    ("airframe/beacon", "withhold", None, lambda sent, shown: sent == [] and shown["true"] != shown["said"]),
    ("airframe/beacon", "delay", 60.0, lambda sent, shown: shown["true"] != shown["said"]),
    ("airframe/beacon", "bounce", 0.5, lambda sent, shown: len(sent) > 2 and shown["said"] == shown["true"]),
]


@pytest.mark.parametrize(("key", "fault", "amount", "holds"), FAULTS, ids=[f"{f[1]} {f[0]}" for f in FAULTS])
def test_every_kind_of_fault_reaches_the_wire(
    key: str, fault: str, amount: Any, holds: Callable[[list[Any], dict[str, Any]], bool]
) -> None:
    bench = Bench(start="closed")
    bench.session.break_sensor(key, fault, amount, bench.now)
    bench.run(0.1)
    bench.session.order("beacon on", None, bench.now)
    sent = values(bench.run(5.0), key)
    assert holds(sent, bench.said(key)), (sent, bench.said(key))


@pytest.mark.parametrize(
    ("key", "fault", "amount", "why"),
    [
        ("door/L1/smell", "stick", None, "no sensor"),
        ("door/L9/closed", "stick", None, "no sensor"),
        ("airframe/heartbeat", "stick", None, "no sensor"),
        ("door/L1/closed", "explode", None, "no fault"),
        ("door/L1/closed", "bias", 3.0, "a number"),
        ("door/L1/closed", "set", "yes", "true or false"),
        ("door/L1/travel", "set", 7.0, "from 0 to 1"),
        ("door/L1/travel", "drift", 1e9, "2000"),
    ],
)
def test_a_fault_that_cannot_be_is_refused(key: str, fault: str, amount: Any, why: str) -> None:
    bench = Bench()
    with pytest.raises(RefusedError, match=why):
        bench.session.break_sensor(key, fault, amount, bench.now)


def test_a_mark_that_somebody_reads_is_sent_though_no_sensor_is_fitted() -> None:
    bench = Bench(start="closed")
    assert "lock_indicator" in bench.door("L1")["marks"]
    bench.session.break_sensor("door/L1/lock_indicator", "set", "unlocked", bench.now)
    assert values(bench.run(0.5), "door/L1/lock_indicator") == ["unlocked"]


def test_silence_and_a_wrong_clock_are_the_feeds() -> None:
    bench = Bench()
    bench.session.order("fall silent", None, bench.now)
    assert bench.session.picture()["aircraft"]["silent"] is True
    assert [p for p in bench.run(11.0) if "/aircraft/" in p.topic] == []
    bench.session.order("speak again", None, bench.now)
    bench.session.order("shift clock 60", None, bench.now)
    sent = [p for p in bench.run(1.0) if "/aircraft/" in p.topic]
    ahead = json.loads(sent[0].payload)["time"]
    assert ahead > "2026-03-01T10:01"
    assert bench.session.picture()["aircraft"]["clock_ahead_s"] == 60


def test_the_wind_that_is_set_is_the_wind_that_is_told() -> None:
    bench = Bench()
    bench.session.blow(44.0, 6.0)
    told = [json.loads(p.payload)["value"] for p in bench.run(0.2) if p.topic.endswith("/stand/S16/wind_kt")]
    assert told == [pytest.approx(44.0)]
    bench.session.order("squall 20", None, bench.now)
    bench.run(10.0)
    assert bench.session.picture()["aircraft"]["wind"]["gust_now_kt"] > 55


@pytest.mark.parametrize("type_name", sorted(demo_site().types))
def test_every_type_is_drawn_and_every_trouble_of_its_doors_can_be_made(type_name: str) -> None:
    bench = Bench(type_name)
    for name in demo_site().types[type_name].doors:
        door = bench.door(name)
        assert json.loads(json.dumps(door)) == door
        for trouble in door["troubles"]:
            bench.session.order(trouble["do"], name, bench.now)
    bench.run(0.2)
    assert START % MILLISECOND == 0
