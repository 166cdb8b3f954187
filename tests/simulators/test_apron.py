"""The whole apron: the same every time, lively soon, and honest about being simulated."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import orjson
import pytest

from monitor.core.airframe import Site
from simulators.apron import DEMO_CAST, DEMO_PROGRAMME, Apron, Part
from simulators.incidents import INCIDENTS
from simulators.publication import Publication


def lines(sent: list[Publication]) -> list[tuple[int, str, bytes, bool]]:
    return [tuple(publication) for publication in sent]


def test_one_seed_gives_the_same_bytes_whatever_the_pace(
    site: Site, start_us: int, after: Callable[[float], int]
) -> None:
    whole = Apron(site, 5, start_us).advance(after(180))
    again = Apron(site, 5, start_us)
    pieces = [publication for second in range(181) for publication in again.advance(after(second))]
    assert lines(whole) == lines(pieces)
    assert len(whole) > 2000


def test_another_seed_gives_other_bytes(site: Site, start_us: int, after: Callable[[float], int]) -> None:
    one, other = (Apron(site, seed, start_us).advance(after(30)) for seed in (1, 2))
    assert lines(one) != lines(other)


def test_six_aircraft_of_five_types_are_there_at_once(site: Site, start_us: int, after: Callable[[float], int]) -> None:
    sent = Apron(site, 1, start_us).advance(after(0.5))
    topics = {publication.topic.split("/")[4] for publication in sent if "/aircraft/" in publication.topic}
    assert topics == {part.reg for part in DEMO_CAST}
    assert {part.type for part in DEMO_CAST} == set(site.types)
    assert {part.stand for part in DEMO_CAST} == set(site.stands)
    assert all(part.reg.startswith("ZZ-") for part in DEMO_CAST)


@pytest.mark.parametrize("seed", range(1, 6))
def test_an_armed_handle_is_lifted_within_the_first_forty_seconds(
    site: Site, start_us: int, after: Callable[[float], int], seed: int
) -> None:
    apron = Apron(site, seed, start_us)
    sent = apron.advance(after(40))
    assert apron.happened[0].incident == "armed handle"
    reg, door = apron.happened[0].aircraft, apron.happened[0].door
    handle = f"/aircraft/{reg}/door/{door}/handle_lifted"
    shown = [orjson.loads(p.payload)["value"] for p in sent if p.topic.endswith(handle)]
    assert shown == [False, True, False]
    lever = f"/aircraft/{reg}/door/{door}/lever_armed"
    assert [orjson.loads(p.payload)["value"] for p in sent if p.topic.endswith(lever)] == [True]


def test_doors_move_in_the_first_minute(site: Site, start_us: int, after: Callable[[float], int]) -> None:
    sent = Apron(site, 1, start_us, programme=None).advance(after(60))
    assert [p for p in sent if p.topic.endswith("/travel") and orjson.loads(p.payload)["value"] > 0]


def test_incidents_keep_coming_of_every_kind_and_spare_the_calm_aircraft(
    site: Site, start_us: int, after: Callable[[float], int]
) -> None:
    apron = Apron(site, 1, start_us)
    for second in range(0, 1260, 60):
        apron.advance(after(second))
    happened = apron.happened
    assert {incident.incident for incident in happened} == set(INCIDENTS)
    assert not {incident.aircraft for incident in happened} & DEMO_PROGRAMME.calm
    gaps = [(now.at - before.at) / 1e6 for before, now in itertools.pairwise(happened)]
    assert min(gaps) >= 60.0
    assert max(gaps) < 300.0


def test_the_heartbeats_and_the_pressure_of_every_aircraft_stay_within_ten_seconds(
    site: Site, start_us: int, after: Callable[[float], int]
) -> None:
    last: dict[str, int] = {}
    for sent in Apron(site, 1, start_us, programme=None).advance(after(120)):
        if sent.topic.endswith(("heartbeat", "differential_pressure_hpa", "wind_kt", "gust_kt")):
            assert sent.at_us - last.get(sent.topic, sent.at_us) <= 10_000_000
            last[sent.topic] = sent.at_us
    assert len(last) == 6 + 4 + 2 * len(site.stands)
    assert min(last.values()) > after(109)


def test_sequence_numbers_count_up_by_one_per_topic_and_times_never_go_back(
    site: Site, start_us: int, after: Callable[[float], int]
) -> None:
    seqs: dict[str, int] = {}
    at = 0
    for sent in Apron(site, 1, start_us).advance(after(300)):
        body = orjson.loads(sent.payload)
        assert body["seq"] == seqs.get(sent.topic, 0) + 1
        assert body["simulated"] is True
        assert sent.at_us >= at
        assert len(sent.payload) < 64 * 1024
        seqs[sent.topic], at = body["seq"], sent.at_us


def test_states_are_retained_and_heartbeats_and_bundles_are_not(
    site: Site, start_us: int, after: Callable[[float], int]
) -> None:
    for sent in Apron(site, 1, start_us).advance(after(60)):
        assert sent.retain is not sent.topic.endswith(("/heartbeat", "/bundle"))


@pytest.mark.parametrize("speed", [0.5, 20.0])
def test_speed_stretches_the_work_but_not_the_signs_of_life(
    site: Site, start_us: int, after: Callable[[float], int], speed: float
) -> None:
    part = Part("ZZ-KAT", "alder", "S11", mark="disarmed")
    apron = Apron(site, 1, start_us, speed=speed, cast=(part,), programme=None)
    sent = apron.advance(after(30))
    beats = [p.at_us for p in sent if p.topic.endswith("airframe/heartbeat")]
    assert all(4_900_000 <= now - before <= 10_000_000 for before, now in itertools.pairwise(beats))
    opened = [p.at_us for p in sent if p.topic.endswith("L1/closed") and orjson.loads(p.payload)["value"] is False]
    assert bool(opened) is (speed > 1)


def test_a_new_picture_holds_everything_and_withdrawals_name_every_retained_topic(
    site: Site, start_us: int, after: Callable[[float], int]
) -> None:
    apron = Apron(site, 1, start_us)
    retained = {p.topic for p in apron.advance(after(20)) if p.retain}
    apron.owe_picture()
    again = {p.topic for p in apron.advance(after(21)) if p.retain}
    assert again == retained
    withdrawn = apron.withdrawals()
    assert {p.topic for p in withdrawn} == retained
    assert all(p.payload == b"" and p.retain for p in withdrawn)
