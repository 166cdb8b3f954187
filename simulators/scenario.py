"""Scenarios: who stands where, and what happens when, read from a YAML file.

Owns finding a shipped scenario or a file, and what must fit together in it: aircraft and
types, doors and orders, sensors and values. It reads files and nothing else; playing a
scenario is :mod:`simulators.apron`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from monitor.config import ConfigError, Problem
from monitor.config.document import Location, read_document
from monitor.config.explain import validate
from monitor.config.layers import file_layer, place
from monitor.config.problems import suggest
from monitor.core.airframe import AirframeType, DoorKind, DoorType, Site
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, HEARTBEAT, RejectedValueError, Signal, Value
from simulators.apron import Apron, Cue, Part
from simulators.durations import parse_moment
from simulators.expectation import Expectations
from simulators.expectation_check import check_expectations, read_expectations
from simulators.incidents import Programme
from simulators.models.weather import Climate
from simulators.orders import (
    NEEDS_ACTUATOR,
    NEEDS_COVER,
    NEEDS_OUTSIDE_HANDLE,
    NEEDS_SLIDE,
    Order,
    OrderError,
    Verb,
    misfit,
    parse_phrase,
)
from simulators.scenario_file import AircraftEntry, ScenarioFile, StepEntry

_SHIPPED: Final = Path(__file__).resolve().parent / "scenarios"
_SUFFIXES: Final = (".yaml", ".yml")
_POWERED: Final = (DoorKind.CARGO, DoorKind.MAIN_DECK)
_ONE_HANDLE: Final = (*_POWERED, DoorKind.WINDOW)

Finding = tuple[Location, str]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario that fits its site; ``end_s`` is ``None`` where it never ends by itself."""

    name: str
    about: str
    seed: int
    end_s: float | None
    cast: tuple[Part, ...]
    cues: tuple[Cue, ...]
    programme: Programme | None
    climate: Climate
    expectations: Expectations = field(default_factory=Expectations)

    def apron(self, site: Site, start_us: int, *, seed: int | None = None, speed: float = 1.0) -> Apron:
        """Set the scenario up at ``site`` from ``start_us`` (µs) on; ``seed`` overrides its own."""
        return Apron(
            site,
            self.seed if seed is None else seed,
            start_us,
            speed=speed,
            cast=self.cast,
            cues=self.cues,
            programme=self.programme,
            climate=self.climate,
        )


def shipped_scenarios() -> list[Path]:
    """Return the paths of the scenarios that come with the program, by name."""
    return sorted(path for path in _SHIPPED.iterdir() if path.suffix in _SUFFIXES)


def find_scenario(name: str) -> Path:
    """Return the path of a shipped scenario, or of a file; raise :class:`ConfigError` where there is none."""
    shipped = {path.stem: path for path in shipped_scenarios()}
    if name in shipped:
        return shipped[name]
    path = Path(name)
    if path.suffix in _SUFFIXES or path.exists():
        return path
    raise ConfigError([Problem(name, None, "", f"there is no such scenario; {suggest(name, shipped)}")])


def load_scenario(path: Path, site: Site) -> Scenario:
    """Read the scenario at ``path`` for ``site``; raise :class:`ConfigError` with everything that is wrong."""
    layers = [file_layer(read_document(path))]
    file = validate(ScenarioFile, layers)
    check = _Check(file, site)
    findings = [*check.aircraft(), *check.incidents(), *check_expectations(file, check.types)]
    cues: list[Cue] = []
    for index, step in enumerate(file.steps):
        for found in check.step(index, step):
            if isinstance(found, Cue):
                cues.append(found)
            else:
                findings.append(found)
    if findings:
        raise ConfigError(place(layers, location, message) for location, message in findings)
    return Scenario(
        name=path.stem,
        about=file.about,
        seed=file.seed,
        end_s=file.end,
        cast=tuple(_part(entry) for entry in file.aircraft),
        cues=tuple(cues),
        programme=_programme(file),
        climate=Climate(mean_kt=file.wind.mean_kt, gust_kt=file.wind.gusts_kt, from_deg=file.wind.from_deg),
        expectations=read_expectations(file),
    )


def _part(entry: AircraftEntry) -> Part:
    mark, after_s = parse_moment(entry.turnaround_at)
    return Part(
        reg=entry.reg,
        type=entry.type,
        stand=entry.stand,
        start=entry.start,
        mark=mark,
        after_s=after_s,
        passengers=entry.passengers,
        bundles=entry.sends == "bundles",
    )


def _programme(file: ScenarioFile) -> Programme | None:
    entry = file.incidents
    if entry is None:
        return None
    shortest, longest = entry.every
    return Programme(entry.first, (shortest, longest), entry.begins_with, frozenset(entry.calm))


class _Check:
    """What must fit together in one file."""

    def __init__(self, file: ScenarioFile, site: Site) -> None:
        self._file = file
        self._site = site
        self.types: Mapping[str, AirframeType | None] = {
            entry.reg: site.types.get(entry.type) for entry in file.aircraft
        }

    def aircraft(self) -> Iterator[Finding]:
        """Check registrations, types and stands."""
        regs: set[str] = set()
        stands: set[str] = set()
        for index, entry in enumerate(self._file.aircraft):
            where: Location = ("aircraft", index)
            if entry.reg in regs:
                yield (*where, "reg"), f"{entry.reg} is there twice; give each aircraft its own registration"
            if entry.stand in stands:
                yield (*where, "stand"), f"{entry.stand} is taken twice; give each aircraft its own stand"
            if entry.type not in self._site.types:
                yield (*where, "type"), f"{entry.type!r} is not a known type; {suggest(entry.type, self._site.types)}"
            if entry.stand not in self._site.stands:
                right = suggest(entry.stand, self._site.stands)
                yield (*where, "stand"), f"{entry.stand!r} is not a stand of {self._site.name}; {right}"
            airframe = self.types[entry.reg]
            if airframe is not None and (entry.passengers or 0) > airframe.seats:
                yield (*where, "passengers"), f"{entry.passengers} is more than {airframe.seats} seats; give fewer"
            regs.add(entry.reg)
            stands.add(entry.stand)

    def incidents(self) -> Iterator[Finding]:
        """Check the aircraft that are spared, and the times."""
        entry = self._file.incidents
        if entry is None:
            return
        for index, reg in enumerate(entry.calm):
            if reg not in self.types:
                yield ("incidents", "calm", index), f"there is no aircraft {reg}; {suggest(reg, self.types)}"
        if not 1 <= entry.every[0] <= entry.every[1]:
            yield ("incidents", "every"), "the two times are out of order; give the shorter first, at least 1s"

    def step(self, index: int, step: StepEntry) -> Iterator[Cue | Finding]:
        """Turn one step into cues, or say what is wrong with it."""
        where: Location = ("steps", index)
        reg = step.aircraft
        if reg is None and len(self.types) == 1:
            reg = next(iter(self.types))
        if reg is None:
            yield where, f"says no aircraft; add aircraft: and one of {', '.join(self.types)}"
            return
        if reg not in self.types:
            yield (*where, "aircraft"), f"there is no aircraft {reg}; {suggest(reg, self.types)}"
            return
        end_s = self._file.end
        if end_s is not None and step.at > end_s:
            yield (*where, "at"), f"{step.at:g}s is after the end at {end_s:g}s; give an earlier time, or a later end:"
        airframe = self.types[reg]
        if airframe is None:
            return
        if step.door is not None and step.door not in airframe.doors:
            yield (*where, "door"), f"{reg} has no door {step.door!r}; {suggest(step.door, airframe.doors)}"
            return
        found = [*_done(where, step, airframe), *_falsified(where, step, airframe)]
        if not found:
            yield where, "does nothing; add do:, set:, quality:, withhold: or release:"
        for item in found:
            yield Cue(step.at, reg, item) if isinstance(item, Order) else item


def _done(where: Location, step: StepEntry, airframe: AirframeType) -> Iterator[Order | Finding]:
    for phrase in step.do:
        try:
            order = parse_phrase(phrase, step.door)
        except OrderError as error:
            yield (*where, "do"), str(error)
            continue
        engine = order.verb in (Verb.START_ENGINE, Verb.STOP_ENGINE)
        if engine and order.value not in airframe.engines:
            yield (*where, "do"), f"there is no engine {order.value:g}; give one of {_listed(airframe.engines)}"
        elif order.verb is Verb.BOARD and float(order.value or 0) > airframe.seats:
            yield (*where, "do"), f"{order.value:g} is more than {airframe.seats} seats; give fewer"
        elif order.door and (lacking := _lacking(order, airframe)):
            yield (*where, "door"), lacking
        elif order.signal is not None:
            yield from _sensor_fault((*where, "do"), order.signal, airframe, order)
        else:
            yield order


def _lacking(order: Order, airframe: AirframeType) -> str | None:
    """Say what the door lacks that an order needs, and which doors have it; ``None`` where it lacks nothing."""
    needs: tuple[tuple[frozenset[Verb], str, Callable[[DoorType], bool]], ...] = (
        (NEEDS_SLIDE, "slide", lambda door: door.slide),
        (NEEDS_ACTUATOR, "hydraulic drive", lambda door: door.kind in _POWERED),
        (NEEDS_COVER, "cover", lambda door: door.kind is DoorKind.OVERWING),
        (NEEDS_OUTSIDE_HANDLE, "second handle outside", lambda door: door.kind not in _ONE_HANDLE),
    )
    for verbs, what, has in needs:
        if order.verb in verbs and order.door and not has(airframe.doors[order.door]):
            able = [name for name, door in airframe.doors.items() if has(door)]
            return f"door {order.door} has no {what}; {suggest('', able)}"
    return None


def _sensor_fault(where: Location, key: str, airframe: AirframeType, order: Order) -> Iterator[Order | Finding]:
    signal = _signal(key, airframe)
    wrong = signal if isinstance(signal, str) else misfit(order, signal)
    yield order if wrong is None else (where, wrong)


def _falsified(where: Location, step: StepEntry, airframe: AirframeType) -> Iterator[Order | Finding]:
    for key, raw in step.set.items():
        signal = _signal(key, airframe)
        if isinstance(signal, str):
            yield (*where, "set", key), signal
            continue
        try:
            value: Value = signal.check(raw)
        except RejectedValueError as error:
            yield (*where, "set", key), f"{raw!r} does not fit; {error.detail}"
        else:
            yield Order(Verb.SET_READING, None, value, key)
    for key, quality in step.quality.items():
        yield from _marked((*where, "quality", key), key, airframe, Order(Verb.SET_QUALITY, None, quality, key))
    for key in step.withhold:
        yield from _marked((*where, "withhold"), key, airframe, Order(Verb.WITHHOLD_READING, None, None, key))
    for key in step.release:
        yield from _marked((*where, "release"), key, airframe, Order(Verb.RELEASE_READING, None, None, key))


def _marked(where: Location, key: str, airframe: AirframeType, order: Order) -> Iterator[Order | Finding]:
    signal = _signal(key, airframe)
    yield (where, signal) if isinstance(signal, str) else order


def _signal(key: str, airframe: AirframeType) -> Signal | str:
    """Return the signal that ``key`` names, or what is wrong with it."""
    match key.split("/"):
        case ["airframe", name] if name in AIRFRAME_SIGNALS and name != HEARTBEAT:
            return AIRFRAME_SIGNALS[name]
        case ["airframe", name] if name == HEARTBEAT:
            return "the sender counts its heartbeat itself; write do: fall silent to stop it"
        case ["airframe", name]:
            return f"{name!r} is not an airframe signal; {suggest(name, AIRFRAME_SIGNALS)}"
        case ["door", door, name] if door in airframe.doors and name in airframe.doors[door].signals:
            return DOOR_SIGNALS[name]
        case ["door", door, name] if door in airframe.doors:
            return f"door {door} sends no {name!r}; {suggest(name, sorted(airframe.doors[door].signals))}"
        case ["door", door, _]:
            return f"there is no door {door!r}; {suggest(door, airframe.doors)}"
        case _:
            return f"{key!r} names no reading; write door/L1/closed or airframe/beacon"


def _listed(numbers: Mapping[int, object] | Sequence[int]) -> str:
    return ", ".join(map(str, numbers))
