"""Where all is done as it should be, nothing alarms anybody: a whole day, and what else is normal on an apron.

Everything goes through the real codec into the core, in virtual time. What the sensors and
the line do to the truth is drawn from a seed, which is told.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator

import pytest

from monitor.core.events import PermitGranted
from monitor.core.times import SECOND, format_time
from monitor.engine import take_message
from monitor.ports import Message
from simulators.orders import Order, Verb
from simulators.publication import Publication
from simulators.turnaround import plan_turnaround
from tests.scenarios.quiet_day import START, Alarms, Day, apron_day, follow, listen, live, plan_of
from tests.scenarios.quiet_noise import Line
from tests.stories import ARMED, Story, alder, codec, demo_site

HOURS = 24.0
SEED = int(os.environ.get("SILLWATCH_QUIET_SEED", "20260301"))
SITE = demo_site()
TYPES = sorted(SITE.types)


def end_of(seconds: float) -> int:
    return START + round(seconds * SECOND)


def line(name: str) -> Line:
    return Line(random.Random(f"{SEED}:{name}"))


@pytest.mark.timeout(600)  # a minute where nobody else wants the processor
def test_a_day_of_turnarounds_alarms_nobody(tell: Callable[[str], None]) -> None:
    days = [Day(SITE, kind, f"ZZ-D{n:02d}", SITE.stands[n], SEED) for n, kind in enumerate(TYPES)]
    heard = listen(SITE, apron_day(SITE, days, SEED, HOURS), until=end_of(HOURS * 3600))
    tell(
        f"seed {SEED}, {HOURS * len(days):.0f} aircraft-hours of {len(days)} types, "
        f"{sum(day.turnarounds for day in days)} turnarounds, {heard.messages} messages, "
        f"{len(heard.alarms())} warnings and cautions, {len(heard.advisories())} advisories"
    )
    assert all(day.turnarounds > 12 for day in days)
    assert heard.states == {"closed_locked", "armed", "unlocked", "ajar", "open"}
    assert heard.alarms() == [], f"seed {SEED}"
    assert {type(effect).__name__ for effect in heard.odd} <= {"CountDropped"}, f"seed {SEED}"


@pytest.mark.parametrize("name", TYPES)
def test_a_night_stop_with_the_power_off_alarms_nobody(name: str) -> None:
    hatch = next(door for door in SITE.types[name].doors if door.startswith("H"))
    night = plan_of(
        (300.0, Order(Verb.POWER_OFF)),
        (3600.0, Order(Verb.OPEN, hatch)),
        (4200.0, Order(Verb.CLOSE, hatch)),
        (8 * 3600.0, Order(Verb.POWER_ON)),
    )
    actor = follow(SITE, name, night, seed=SEED)
    # The gateway goes off with the power, and what a mechanic then does is not heard.
    actor.play([(302.0, Order(Verb.FALL_SILENT)), (8 * 3600.0 + 20.0, Order(Verb.SPEAK_AGAIN))], START)
    end = end_of(9 * 3600)
    heard = listen(SITE, line(f"night {name}").carry(live(actor, START, end)), until=end)
    assert heard.messages > 100
    assert heard.alarms() == [], f"seed {SEED}"


@pytest.mark.parametrize("name", TYPES)
def test_a_tow_with_nobody_aboard_alarms_nobody(name: str) -> None:
    tow = plan_of(
        (60.0, Order(Verb.BEACON_ON)),
        (80.0, Order(Verb.CHOCKS_OUT)),
        (90.0, Order(Verb.RELEASE_BRAKE)),
        (95.0, Order(Verb.TAXI, None, 4.0)),
        (110.0, Order(Verb.LEAVE_STAND)),
        (400.0, Order(Verb.STOP_TAXIING)),
        (405.0, Order(Verb.REACH_STAND)),
        (410.0, Order(Verb.SET_BRAKE)),
        (420.0, Order(Verb.CHOCKS_IN)),
        (430.0, Order(Verb.BEACON_OFF)),
    )
    end = end_of(900)
    heard = listen(SITE, line(f"tow {name}").carry(live(follow(SITE, name, tow, seed=SEED), START, end)), until=end)
    assert heard.messages > 100
    assert heard.alarms() == [], f"seed {SEED}"


SPARSE = frozenset({"closed", "locked", "handle_lifted", "hold_open", "lever_armed", "access", "pin_fitted"})
"""What a visitor's doors send, which has fewer sensors than its type."""


@pytest.mark.parametrize("name", TYPES)
def test_a_visitor_with_few_sensors_and_no_heartbeat_alarms_nobody(name: str) -> None:
    day = Day(SITE, name, "ZZ-VIS", "S12", SEED)

    def sent() -> Iterator[Publication]:
        last: dict[str, Publication] = {}
        refreshed = START
        for publication in day.sent(0.6):
            signal = publication.topic.rpartition("/")[2]
            if signal == "heartbeat" or ("/door/" in publication.topic and signal not in SPARSE):
                continue
            last[publication.topic] = publication
            yield publication
            if publication.at_us - refreshed > 14 * SECOND:
                # With no heartbeat to vouch for them, readings are sent over and over.
                refreshed = publication.at_us
                yield from (known._replace(at_us=refreshed) for known in last.values())

    heard = listen(SITE, line(f"visitor {name}").carry(sent()), until=end_of(0.6 * 3600))
    assert heard.messages > 1000
    assert heard.alarms() == [], f"seed {SEED}"


@pytest.mark.parametrize("mark", ["disarmed", "open", "boarding", "departing"])
def test_retained_messages_left_behind_alarm_nobody(mark: str) -> None:
    plan = plan_turnaround(SITE.types["alder"], random.Random(SEED), arriving=120)
    actor = follow(SITE, "alder", plan, seed=SEED)
    actor.plane.arm_all(armed=True)
    actor.plane.put_aboard(120)
    kept = {p.topic: p for p in live(actor, START, end_of(plan.marks[mark])) if p.retain}
    system, wire = Alarms(SITE), codec()
    hours_later = end_of(5 * 3600)
    effects = []
    for publication in kept.values():
        effects += take_message(system, wire, Message(publication.topic, publication.payload, True), hours_later)[1]
    effects += system.advance(hours_later + 3600 * SECOND)
    assert len(kept) > 150
    assert [effect for effect in effects if type(effect).__name__ in ("PublishEvent", "PublishActive")] == []


# Under a permit


def de_ice(story: Story) -> None:
    """Beacon on, doors shut, slides engaged, people aboard; fluid upsets the sensors on the outside."""
    story.bundle({"airframe/beacon": True})
    for round_ in range(30):
        story.advance(1.0)
        story.send("door/L1/flap_pressed", round_ % 2 == 0)
    story.send("door/R1/outside_handle_lifted", False, quality="bad")
    story.advance(60.0)
    story.send("door/R1/outside_handle_lifted", False)
    story.advance(60.0)
    story.bundle({"airframe/beacon": False})
    story.advance(60.0)


def ready() -> Story:
    story = alder().until(40.0)
    story.bundle({"airframe/passengers_aboard": 120})
    for door in ("L1", "R1", "L2", "R2"):
        story.door_bundle(door, ARMED)
    return story


def run_up(story: Story) -> None:
    """A mechanic stands at an open hatch while both engines run, with nobody aboard."""
    story.bundle({"airframe/beacon": True})
    story.send("door/H2/handle_lifted", True, story.clock + 1)
    story.door_bundle("H2", {"latched": False, "locked": False}, at=story.clock + 1)
    story.send("door/H2/closed", False, story.clock + 1)
    for engine in (1, 2):
        story.send(f"airframe/engine_{engine}_running", True, story.clock + 20)
    story.advance(600.0)
    for engine in (1, 2):
        story.send(f"airframe/engine_{engine}_running", False, story.clock + 5)
    story.send("door/H2/closed", True, story.clock + 5)
    story.door_bundle("H2", {"latched": True, "locked": True, "handle_lifted": False}, at=story.clock + 1)
    story.bundle({"airframe/beacon": False}, story.clock + 5)
    story.advance(120.0)


def permit(story: Story, kind: str, doors: tuple[str, ...], codes: tuple[str, ...]) -> None:
    until = story.now + 3600 * SECOND
    story.step(PermitGranted(kind, story.reg, doors, codes, until, "Ann", f"until {format_time(until)}"))


def raised(story: Story) -> set[str]:
    return {event.code for event in story.told() if event.type in ("raised", "reraised", "reprioritised")}


def test_de_icing_under_a_permit_alarms_nobody() -> None:
    without = ready()
    de_ice(without)
    assert raised(without) == {"signal-chatter", "signal-bad"}
    story = ready()
    permit(story, "de-icing", ("L1", "R1"), ("signal-chatter", "signal-bad"))
    de_ice(story)
    assert raised(story) == set()


def test_a_ground_run_under_a_permit_alarms_nobody() -> None:
    without = alder().until(40.0)
    run_up(without)
    assert raised(without) == {"open-engine-running"}
    story = alder().until(40.0)
    permit(story, "ground-run", ("H2",), ("open-engine-running",))
    run_up(story)
    assert raised(story) == set()
