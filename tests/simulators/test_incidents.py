"""Each kind of incident where it can happen: what the sensors show, and that it is put right."""

from __future__ import annotations

import random
from collections.abc import Callable

import orjson
import pytest

from monitor.core.airframe import Site
from simulators.apron import Apron, Part
from simulators.incidents import INCIDENTS
from simulators.orders import Order, Verb
from simulators.publication import Publication

Stage = Callable[[str], tuple[Apron, str]]

# What an incident is tried on: how the aircraft stands at the beginning.
STARTS = {
    "armed handle": "armed",
    "access withdrawn": "open",
    "engine running": "open",
    "pressure": "closed",
    "slide deployed": "armed",
    "feed loss": "closed",
    "girt end": "armed",
    "bad sensor": "closed",
    "squall": "open",
    "pin missing": "open",
}


@pytest.fixture
def played(site: Site, start_us: int, after: Callable[[float], int]) -> Callable[[str], tuple[str, list[Publication]]]:
    def play(name: str) -> tuple[str, list[Publication]]:
        part = Part("ZZ-KAT", "alder", "S11", start=STARTS[name])
        apron = Apron(site, 1, start_us, cast=(part,), programme=None)
        sent = apron.advance(after(10))
        (actor,) = apron.actors
        before = {door: actor.plane.door_readings(door) for door in actor.plane.doors}
        door = INCIDENTS[name].where(actor.plane)[0]
        script = INCIDENTS[name].script(actor.plane, door, random.Random(1))
        actor.play(script, after(10))
        assert actor.occupied(after(11))
        sent += apron.advance(after(400))
        assert {name: actor.plane.door_readings(name) for name in actor.plane.doors} == before
        assert not actor.feed.disturbed
        assert not actor.plane.engine_running
        assert not actor.occupied(after(400))
        return door, sent

    return play


def values(sent: list[Publication], ending: str) -> list[object]:
    return [orjson.loads(p.payload)["value"] for p in sent if p.topic.endswith("/" + ending)]


def test_every_kind_is_tried() -> None:
    assert set(STARTS) == set(INCIDENTS)


@pytest.mark.parametrize("name", sorted(STARTS))
def test_it_cannot_happen_to_an_aircraft_on_the_move(site: Site, start_us: int, name: str) -> None:
    part = Part("ZZ-KAT", "alder", "S11", mark="landed", after_s=20.0)
    (actor,) = Apron(site, 1, start_us, cast=(part,), programme=None).actors
    assert INCIDENTS[name].where(actor.plane) == []


@pytest.mark.parametrize(
    ("name", "signal", "shown"),
    [
        ("armed handle", "handle_lifted", [False, True, False]),
        ("girt end", "girt_right", [True, False, True]),
        ("access withdrawn", "access", ["bridge", "none", "bridge"]),
        ("pin missing", "pin_fitted", [True, False, True]),
        ("pressure", "handle_lifted", [False, True, False]),
        ("slide deployed", "slide_released", [False, True, False]),
    ],
)
def test_it_shows_at_its_door_and_is_put_right(
    played: Callable[[str], tuple[str, list[Publication]]], name: str, signal: str, shown: list[object]
) -> None:
    door, sent = played(name)
    expected = ["stairs" if value == "bridge" else value for value in shown]
    assert values(sent, f"door/{door}/{signal}") in (shown, expected)


def test_a_lifted_armed_handle_stays_locked_and_armed(
    played: Callable[[str], tuple[str, list[Publication]]],
) -> None:
    door, sent = played("armed handle")
    for signal in ("closed", "latched", "locked", "lever_armed", "girt_left", "girt_right"):
        assert values(sent, f"door/{door}/{signal}") == [True]


def test_an_engine_runs_beside_an_open_door(played: Callable[[str], tuple[str, list[Publication]]]) -> None:
    _, sent = played("engine running")
    runs = [values(sent, f"airframe/engine_{number}_running") for number in (1, 2)]
    assert sorted(map(len, runs)) == [1, 3]
    assert [False, True, False] in runs


def test_the_supply_brings_the_pressure_over_the_limit_before_the_handle_moves(
    played: Callable[[str], tuple[str, list[Publication]]],
) -> None:
    door, sent = played("pressure")
    lifted = next(
        p.at_us for p in sent if p.topic.endswith(f"{door}/handle_lifted") and orjson.loads(p.payload)["value"]
    )
    pressures = [
        (p.at_us, float(orjson.loads(p.payload)["value"]))
        for p in sent
        if p.topic.endswith("differential_pressure_hpa")
    ]
    assert [pressure for at, pressure in pressures if at <= lifted][-1] > 2.5
    assert pressures[-1][1] == 0.0


def test_a_lost_feed_is_silent_for_longer_than_thirty_seconds(
    played: Callable[[str], tuple[str, list[Publication]]],
) -> None:
    _, sent = played("feed loss")
    times = [p.at_us for p in sent if "/aircraft/" in p.topic]
    gaps = [(now - before) / 1e6 for before, now in zip(times, times[1:], strict=False)]  # noqa: RUF007
    assert 40.0 < max(gaps) < 65.0


def test_a_bad_sensor_says_so(played: Callable[[str], tuple[str, list[Publication]]]) -> None:
    _, sent = played("bad sensor")
    bad = [p.topic for p in sent if orjson.loads(p.payload).get("quality") == "bad"]
    assert len(bad) == 1
    told = [orjson.loads(p.payload)["quality"] for p in sent if p.topic == bad[0]]
    assert told == ["good", "bad", "good"]


def test_a_squall_passes_the_limit_of_the_open_door(
    played: Callable[[str], tuple[str, list[Publication]]], site: Site
) -> None:
    door, sent = played("squall")
    limit = site.types["alder"].doors[door].wind_held_kt
    assert limit is not None
    gusts = [float(str(value)) for value in values(sent, "stand/S11/gust_kt")]
    assert max(gusts) > limit
    assert gusts[-1] < limit - 5
    assert max(float(str(value)) for value in values(sent, "stand/S12/gust_kt")) < 25


def test_the_plan_waits_for_the_incident(site: Site, start_us: int, after: Callable[[float], int]) -> None:
    def beacon_on_at(hold_s: float) -> int:
        part = Part("ZZ-KAT", "alder", "S11", mark="armed")
        apron = Apron(site, 1, start_us, cast=(part,), programme=None)
        apron.actors[0].play([(1.0, Order(Verb.LIFT_HANDLE, "L1", 0.2))], start_us, hold_s=hold_s)
        sent = apron.advance(after(200))
        return next(p.at_us for p in sent if p.topic.endswith("/beacon") and orjson.loads(p.payload)["value"])

    assert beacon_on_at(40.0) - beacon_on_at(0.0) == 40_000_000
