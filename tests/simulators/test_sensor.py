"""A sensor that fails: what goes in is true, what comes out is what it says."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from dataclasses import replace

import orjson
import pytest

from monitor.core.airframe import Site
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, Value
from simulators.apron import Apron, Cue, Part
from simulators.models.sensor import Fault, Sensor
from simulators.orders import SENSOR_FAULTS, OrderError, Verb, misfit, parse_phrase
from simulators.publication import Publication

SECOND = 1_000_000
True_ = Callable[[float], Value]


def heard(
    signal: str, fault: Fault, true: True_, seconds: float, *, every_s: float = 0.1, seed: int = 1
) -> list[tuple[float, Value | None]]:
    known = DOOR_SIGNALS[signal] if signal in DOOR_SIGNALS else AIRFRAME_SIGNALS[signal]
    sensor = Sensor(known, random.Random(seed))
    sensor.ail(fault, 0)
    return [
        (n * every_s, sensor.say(true(n * every_s), round(n * every_s * SECOND)))
        for n in range(round(seconds / every_s))
    ]


def changes(said: list[tuple[float, Value | None]]) -> list[float]:
    return [at for (_, before), (at, now) in itertools.pairwise(said) if now != before]


def opened_at(at_s: float) -> True_:
    return lambda at: at < at_s


def test_one_that_nothing_ails_says_the_truth() -> None:
    assert all(said == (at * 2 % 1) for at, said in heard("travel", Fault(), lambda at: at * 2 % 1, 5.0))


def test_a_bias_shifts_and_a_drift_grows_within_the_range_of_the_reading() -> None:
    said = heard("differential_pressure_hpa", Fault(bias=2.5, drift_per_min=-6.0), lambda at: 10.0, 60.0, every_s=1.0)
    assert said[0] == (0.0, 12.5)
    assert said[30] == (30.0, pytest.approx(12.5 - 3.0))
    assert heard("travel", Fault(bias=0.4), lambda at: 0.9, 0.2)[0][1] == 1.0
    assert heard("travel", Fault(bias=-2.0), lambda at: 0.9, 0.2)[0][1] == 0.0
    count = heard("passengers_aboard", Fault(bias=2.4), lambda at: 40, 0.2)[0][1]
    assert count == 42
    assert isinstance(count, int)


def test_what_is_no_number_has_no_bias() -> None:
    assert heard("closed", Fault(bias=3.0), lambda at: True, 0.2)[0][1] is True
    assert heard("selector", Fault(drift_per_min=3.0), lambda at: "open", 0.2)[1][1] == "open"


def test_a_delay_tells_everything_later() -> None:
    said = heard("closed", Fault(delay_s=3.0), opened_at(2.0), 10.0)
    assert changes(said) == [pytest.approx(5.0)]
    ramp = heard("travel", Fault(delay_s=1.0), lambda at: round(min(1.0, at / 4), 2), 6.0)
    assert ramp[35][1] == pytest.approx(2.5 / 4, abs=0.011)
    assert ramp[-1][1] == 1.0


def test_a_short_opening_passes_a_delay_whole() -> None:
    said = heard("closed", Fault(delay_s=3.0), lambda at: not 1.0 <= at < 1.5, 10.0)
    assert changes(said) == [pytest.approx(4.0), pytest.approx(4.5)]


def test_a_loose_contact_bounces_at_first_and_at_each_change_and_then_tells_the_truth() -> None:
    said = heard("closed", Fault(bounce_s=0.8), opened_at(5.0), 10.0)
    assert len([at for at in changes(said) if at < 1.0]) == 8
    assert not [at for at in changes(said) if 1.0 <= at < 4.95]
    assert len([at for at in changes(said) if 4.95 <= at < 6.0]) >= 8
    assert [value for _, value in said[20:49]] == [True] * 29
    assert [value for _, value in said[60:]] == [False] * 40


def test_one_that_sticks_says_what_it_said_last() -> None:
    sensor = Sensor(DOOR_SIGNALS["closed"], random.Random(1))
    assert sensor.say(True, 0) is True
    sensor.ail(Fault(stuck=True), SECOND)
    assert sensor.say(False, 2 * SECOND) is True
    sensor.ail(replace(sensor.fault, stuck=False), 3 * SECOND)
    assert sensor.say(False, 4 * SECOND) is False


def test_a_drift_goes_on_when_another_fault_comes() -> None:
    sensor = Sensor(DOOR_SIGNALS["actuator_bar"], random.Random(1))
    sensor.ail(Fault(drift_per_min=60.0), 0)
    assert sensor.say(100.0, 10 * SECOND) == 110.0
    sensor.ail(replace(sensor.fault, bias=5.0), 10 * SECOND)
    assert sensor.say(100.0, 20 * SECOND) == 125.0


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_one_that_drops_out_is_silent_for_its_share_of_the_time_in_spells(share: float) -> None:
    """Two states with exponential spells: silent for ``share`` of the time, 3 s at a time on average."""
    said = heard("locked", Fault(silent_share=share), lambda at: True, 2_000.0, every_s=0.05)
    silent = [value is None for _, value in said]
    assert silent[0]
    assert sum(silent) / len(silent) == pytest.approx(share, abs=0.06)
    spells = [len(list(run)) * 0.05 for is_silent, run in itertools.groupby(silent) if is_silent]
    assert sum(spells) / len(spells) == pytest.approx(3.0, rel=0.25)


def test_never_and_always_silent() -> None:
    assert all(value is True for _, value in heard("locked", Fault(), lambda at: True, 20.0))
    assert all(value is None for _, value in heard("locked", Fault(silent_share=1.0), lambda at: True, 20.0))


@pytest.mark.parametrize("fault", [Fault(silent_share=0.5), Fault(bounce_s=0.8, delay_s=1.0), Fault(drift_per_min=9.0)])
def test_what_it_says_depends_neither_on_the_pace_nor_on_anything_but_the_seed(fault: Fault) -> None:
    signal = "travel" if fault.drift_per_min else "closed"
    true: True_ = (lambda at: 0.2) if fault.drift_per_min else opened_at(6.0)
    quick = dict(heard(signal, fault, true, 30.0, every_s=0.1, seed=5)[::5])
    slow = dict(heard(signal, fault, true, 30.0, every_s=0.5, seed=5))
    assert [quick[at] for at in sorted(quick)] == [slow[at] for at in sorted(slow)]


# In words, and on the wire


@pytest.mark.parametrize(
    ("phrase", "verb", "value"),
    [
        ("stick door/L1/closed", Verb.STICK, None),
        ("bounce door/L1/closed", Verb.BOUNCE, None),
        ("bounce door/L1/closed 1.5", Verb.BOUNCE, 1.5),
        ("bias airframe/differential_pressure_hpa -2.5", Verb.BIAS, -2.5),
        ("drift door/CF/actuator_bar 6", Verb.DRIFT, 6.0),
        ("delay door/L1/closed 3", Verb.DELAY, 3.0),
        ("drop out door/L1/locked 40", Verb.DROP_OUT, 40.0),
    ],
)
def test_a_phrase_breaks_the_sensor_that_it_names(phrase: str, verb: Verb, value: float | None) -> None:
    order = parse_phrase(phrase)
    assert (order.verb, order.value, order.signal) == (verb, value, phrase.removeprefix(verb.value).split()[0])
    assert order.door is None


@pytest.mark.parametrize(
    ("phrase", "said"),
    [
        ("stick", "done to a reading; name it, as in stick door/L1/closed"),
        ("bias 3", "done to a reading"),
        ("delay door/L1/closed", "followed by a number, not nothing"),
        ("delay door/L1/closed -3", "from 0 to 2000"),
        ("stick door/L1/closed 3", "nothing follows 'stick'"),
    ],
)
def test_what_breaks_no_sensor(phrase: str, said: str) -> None:
    with pytest.raises(OrderError, match=said):
        parse_phrase(phrase)


def test_faults_that_a_reading_cannot_have_are_named() -> None:
    for verb in SENSOR_FAULTS:
        order = parse_phrase(f"{verb} door/L1/closed{' 1' if verb in (Verb.BIAS, Verb.DRIFT, Verb.DELAY) else ''}")
        unfit = misfit(order, DOOR_SIGNALS["closed"])
        assert (unfit is not None) is (verb in (Verb.BIAS, Verb.DRIFT))
        assert misfit(order, DOOR_SIGNALS["travel"]) is None or verb is Verb.BOUNCE


Played = Callable[..., list[Publication]]


@pytest.fixture
def played(site: Site, start_us: int, after: Callable[[float], int]) -> Played:
    def play(*phrases: tuple[float, str], bundles: bool = False, pieces: int = 1) -> list[Publication]:
        cues = [Cue(at, "ZZ-KAT", parse_phrase(phrase, "L1")) for at, phrase in phrases]
        part = Part("ZZ-KAT", "alder", "S11", start="closed", bundles=bundles)
        apron = Apron(site, 1, start_us, cast=(part,), cues=cues, programme=None)
        return [p for n in range(pieces) for p in apron.advance(after(60.0 * (n + 1) / pieces))]

    return play


def told(sent: list[Publication], ending: str, start_us: int) -> list[tuple[float, Value]]:
    return [
        ((p.at_us - start_us) / SECOND, orjson.loads(p.payload)["value"])
        for p in sent
        if p.topic.endswith("/" + ending)
    ]


def test_each_fault_shows_on_the_wire(played: Played, start_us: int) -> None:
    sent = played(
        (5.0, "bounce door/L1/closed"),
        (10.0, "bias airframe/differential_pressure_hpa 3"),
        (10.0, "drift door/L2/slide_bottle_bar -30"),
        (10.0, "stick door/R1/closed"),
        (10.0, "delay door/L2/flap_pressed 5"),
    )
    assert len(told(sent, "door/L1/closed", start_us)) == 9
    assert told(sent, "differential_pressure_hpa", start_us)[-1][1] == 3.0
    bottle = told(sent, "L2/slide_bottle_bar", start_us)
    assert float(str(bottle[0][1])) - float(str(bottle[-1][1])) == pytest.approx(25.0, abs=0.5)
    assert len(bottle) > 40
    assert told(sent, "R1/closed", start_us) == [(0.0, True)]


def test_a_late_sensor_tells_the_handle_late(played: Played, start_us: int) -> None:
    sent = played((10.0, "delay door/L1/handle_lifted 5"), (15.0, "lift handle"), (30.0, "lower handle"))
    lifted = told(sent, "L1/handle_lifted", start_us)
    assert [value for _, value in lifted] == [False, True, False]
    assert 19.9 < lifted[1][0] < 20.6


@pytest.mark.parametrize("bundles", [False, True])
def test_one_that_dropped_out_tells_what_it_missed(played: Played, start_us: int, bundles: bool) -> None:
    """Silent at once, for 3 s on average; what changed meanwhile comes when it speaks again, and not before."""
    sent = played((10.0, "drop out door/L1/handle_lifted 50"), (10.1, "lift handle"), bundles=bundles)
    if bundles:
        named = [p for p in sent if p.topic.endswith("bundle") and b'"door/L1/handle_lifted":true' in p.payload]
        lifted_at = (named[0].at_us - start_us) / SECOND
    else:
        lifted_at = told(sent, "L1/handle_lifted", start_us)[1][0]
    assert 10.5 < lifted_at < 40.0


def test_released_it_tells_the_truth_at_once(site: Site, start_us: int, after: Callable[[float], int]) -> None:
    part = Part("ZZ-KAT", "alder", "S11", start="closed")
    apron = Apron(site, 1, start_us, cast=(part,), programme=None)
    (actor,) = apron.actors
    apron.advance(after(5))
    actor.give(parse_phrase("bias airframe/differential_pressure_hpa 4"), after(5))
    assert actor.feed.disturbed
    assert told(apron.advance(after(10)), "differential_pressure_hpa", start_us)[-1][1] == 4.0
    actor.feed.release("airframe/differential_pressure_hpa")
    assert told(apron.advance(after(12)), "differential_pressure_hpa", start_us)[-1][1] == 0.0
    assert not actor.feed.disturbed


def test_the_same_seed_breaks_sensors_alike_at_any_pace(played: Played) -> None:
    faults = ((5.0, "drop out door/L1/flap_pressed 50"), (5.0, "bounce door/L1/closed 4"), (9.0, "open from outside"))
    assert played(*faults) == played(*faults, pieces=60)
