"""What the real core makes of a door that is first seen in a given combination, or comes to it.

Owns the running: many aircraft of one door each, all told at one instant, the clock moved by
hand, and what came out kept by aircraft. It expects nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, Final

from monitor.core.effects import (
    CountDropped,
    CountImplausible,
    Effect,
    PublishDoor,
    PublishEvent,
    PublishReadiness,
    RefuseCommand,
    RejectInput,
)
from monitor.core.events import Item, ReadingsArrived, StandReadingArrived
from monitor.core.signals import Quality
from monitor.core.system import System
from tests.exhaustive.doors import AT_REST, QUIET_AIR, Readings, Shape, wind_of
from tests.external.apron import SECOND, START_US

BATCH: Final = 64
"""So few that everybody's answers, which are spread over time, have come round before a horizon ends."""
REFRESH_S: Final = 25.0
QUALITIES: Final = {"good": Quality.GOOD, "bad": Quality.BAD, "uncertain": Quality.UNCERTAIN}


@dataclass(frozen=True)
class Case:
    """One door's readings, the airframe's, the wind at its stand; ``poor`` names readings that are not good, and how.

    ``first`` is what the door read before, ``first_s`` seconds earlier, ``first_air`` the airframe if it was other. How: bad, uncertain, stale,
    withdrawn or never.
    """

    door: Readings
    air: Readings
    wind: str = "calm"
    poor: dict[str, str] = field(default_factory=dict)
    first: Readings | None = None
    first_air: Readings | None = None
    first_s: float = 0.4


@dataclass
class Seen:
    """The door's state at once and at the end, each code's (seconds, priority) as told, the last answers, and what was odd."""

    at_once: str = "unknown"
    state: str = "unknown"
    told: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    answers: dict[str, Any] = field(default_factory=dict)
    odd: list[str] = field(default_factory=list)
    jumped: bool = False


def watch(
    shape: Shape, cases: Iterable[Case], horizon_s: float = REFRESH_S - 1, *, answering: bool = False
) -> Iterator[tuple[Case, Seen]]:
    """Run the cases through the core; yields each with what was seen. Without a horizon nothing falls due.

    ``answering``: the retained answers are worked out too, which takes most of the time.
    """
    waiting = iter(cases)
    while batch := list(islice(waiting, BATCH)):
        bench = _Bench(shape, batch, answering=answering)
        bench.run(horizon_s)
        yield from zip(batch, bench.seen, strict=True)


class _Bench:
    """One batch on one system."""

    def __init__(self, shape: Shape, cases: Sequence[Case], *, answering: bool) -> None:
        self.shape = shape
        self.cases = cases
        self.system = System(shape.site, answering=answering)
        self.now = START_US
        self.met = START_US
        self.beats = 0
        self.seen = [Seen() for _ in cases]

    def run(self, horizon_s: float) -> None:
        self._first_pictures()
        self.met = self.now
        self._tell_wind()
        for number, case in enumerate(self.cases):
            beat = {} if "stale" in case.poor.values() else {"heartbeat": self.beats}
            self._tell(number, case, case.door, {**_who(number, case), **case.air, **beat})
        for seen in self.seen:
            seen.at_once = seen.state
        if horizon_s:
            self._pass(horizon_s)

    def _first_pictures(self) -> None:
        """What came before: an earlier picture, or the reading that is to be stale or withdrawn by now."""
        self.beats += 1
        before_s = max((case.first_s for case in self.cases if case.first is not None), default=0.0)
        stale = any("stale" in case.poor.values() for case in self.cases)
        self._first()
        if before_s:
            # Twice, so that the door's bundles are known to come faster than 2 Hz.
            self._pass(before_s, refresh=False)
            self._first()
        if stale:
            # Kept in touch meanwhile, so that it is one reading that is lost and not the feed.
            for _ in range(2):
                self._pass(15.0, refresh=False)
                for number in range(len(self.cases)):
                    self._tell(number, Case({}, {}), {}, {"stand": f"S{number}"})
        elif before_s:
            self._pass(before_s, refresh=False)
        for number, case in enumerate(self.cases):
            for name, how in case.poor.items():
                if how == "withdrawn":
                    self.now += 1
                    door = self.shape.door if name in case.door else None
                    self._step(number, (Item(door, name, None, Quality.GOOD),), time=None)
        self.beats += 1
        for seen in self.seen:
            seen.told.clear()
            seen.odd.clear()
            seen.jumped = False

    def _first(self) -> None:
        for number, case in enumerate(self.cases):
            gone = [name for name, how in case.poor.items() if how in ("stale", "withdrawn")]
            if gone:
                good = Case({}, {})
                # At rest while it was known, so that nothing of it is rightly remembered.
                door = {name: AT_REST[name] for name in gone if name in case.door}
                air = {name: QUIET_AIR.get(name, False) for name in gone if name in case.air}
                self._tell(number, good, door, {**_who(number, case), **air})
            elif case.first is not None:
                self._tell(
                    number,
                    case,
                    case.first,
                    {**_who(number, case), **(case.first_air or case.air), "heartbeat": self.beats},
                )

    def _pass(self, seconds: float, *, refresh: bool = True) -> None:
        end = self.now + round(seconds * SECOND)
        while refresh and (due := self.now + round(REFRESH_S * SECOND)) <= end:
            self._advance(due)
            self.beats += 1
            self._tell_wind()
            for number, case in enumerate(self.cases):
                pressure = "differential_pressure_hpa"
                kept = {pressure: case.air[pressure]} if pressure in case.air else {}
                self._tell(number, case, {}, {**kept, "heartbeat": self.beats})
        self._advance(end)

    def _advance(self, to: int) -> None:
        self.now = to
        self._keep(self.system.advance(to))

    def _tell_wind(self) -> None:
        """The larger of wind and gust counts: here one, there the other. Two aircraft on one stand would be a conflict."""
        for number, case in enumerate(self.cases):
            if case.wind == "untold":
                continue
            knots = wind_of(self.shape, case.wind)
            told = {"wind_kt": knots, "gust_kt": knots / 2} if number % 2 else {"wind_kt": knots / 2, "gust_kt": knots}
            for signal, value in told.items():
                stand = f"S{number}"
                topic = f"apron/v1/tarnwick/stand/{stand}/{signal}"
                event = StandReadingArrived(stand, topic, self.now, None, False, False, signal, value, Quality.GOOD)
                self._keep(self.system.step(event, self.now))

    def _tell(self, number: int, case: Case, door: Readings, air: Readings) -> None:
        items = [
            Item(place, name, value, QUALITIES.get(case.poor.get(name, "good"), Quality.GOOD))
            for place, readings in ((None, air), (self.shape.door, door))
            for name, value in readings.items()
            if case.poor.get(name) not in ("stale", "withdrawn", "never")
        ]
        self._step(number, tuple(items), time=self.now)

    def _step(self, number: int, items: tuple[Item, ...], *, time: int | None) -> None:
        reg = f"X{number}"
        only = items[0]
        tail = (
            "bundle"
            if time is not None
            else f"door/{only.door}/{only.signal}"
            if only.door
            else f"airframe/{only.signal}"
        )
        topic = f"apron/v1/tarnwick/aircraft/{reg}/{tail}"
        event = ReadingsArrived(reg, topic, time is not None, time, None, False, False, items)
        self._keep(self.system.step(event, self.now))

    def _keep(self, effects: list[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, PublishEvent):
                seen = self.seen[int(effect.aircraft[1:])]
                if effect.type in ("raised", "reprioritised"):
                    at = (effect.time - self.met) / SECOND
                    seen.told.setdefault(effect.code, []).append((at, effect.data["priority"]))
                else:
                    seen.odd.append(f"{effect.code} {effect.type}")
            elif isinstance(effect, PublishDoor) and effect.document is not None:
                self.seen[int(effect.aircraft[1:])].state = effect.document["state"]
            elif isinstance(effect, PublishReadiness) and effect.document is not None:
                self.seen[int(effect.aircraft[1:])].answers = effect.document
            elif isinstance(effect, CountImplausible):
                self.seen[int(effect.aircraft[1:])].jumped = True
            elif isinstance(effect, (RejectInput, CountDropped, RefuseCommand)):
                for seen in self.seen:
                    seen.odd.append(repr(effect))


def _who(number: int, case: Case) -> Readings:
    return {"type": case.air["type"], "stand": f"S{number}"}
