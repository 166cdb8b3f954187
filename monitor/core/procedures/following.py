"""The runs of procedures at every door: begun, followed, told and ended.

Owns which readings begin a run, what ends it from outside, and what goes out of it. How a run takes its
readings is :mod:`monitor.core.procedures.matching`'s. A run begins only at an edge that was seen: what was
already so, or not known just before, begins nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from functools import partial
from typing import Final, NamedTuple

from monitor.core.airframe import AirframeType
from monitor.core.alert import derive_alert_id
from monitor.core.effects import Document, NoteRun, PublishProcedure
from monitor.core.intake import Changes
from monitor.core.lineup import RUN
from monitor.core.procedures.asking import ask
from monitor.core.procedures.drills import find_drill
from monitor.core.procedures.fitting import Fitted, fit_all
from monitor.core.procedures.matching import Ask, Look, narrow, next_due
from monitor.core.procedures.run import Candidate, Run, StepMemo
from monitor.core.procedures.telling import describe_run
from monitor.core.refusal import RefusedError
from monitor.core.showing import Showing
from monitor.core.state import AircraftRecord, DoorRecord
from monitor.core.times import format_time, parse_time
from monitor.core.view import View, is_present, why_not_judged

_NOTHING: Final[frozenset[str]] = frozenset()


class DoorFits(NamedTuple):
    """The procedures of one door by name, and the changes that may begin one, or move one that goes on."""

    procedures: Mapping[str, Fitted]
    begins_by: frozenset[str]
    heeds: frozenset[str]


_NONE_FITS: Final = DoorFits({}, frozenset(), frozenset())


class Following(Showing):
    """Follows people through procedures."""

    _fits: dict[tuple[str, str], DoorFits]
    _air_heeded: frozenset[str]
    _ready: dict[tuple[str, ...], tuple[str, ...]]

    def _requeue(self) -> None:
        """Take up the runs of a restored record, as this configuration knows their procedures."""
        self._fits, self._ready = {}, {}
        doors = [door for airframe in self.site.types.values() for door in airframe.doors.values()]
        fitted = (each for door in doors for each in fit_all(self.site.procedures.values(), door))
        heeded = _NOTHING.union(*(each.heeds for each in fitted))
        self._air_heeded = frozenset(name for name in heeded if name.startswith("airframe/"))
        super()._requeue()
        for aircraft in self.record.aircraft.values():
            airframe = self.airframe(aircraft)
            for door in aircraft.doors.values() if airframe is not None and self.site.procedures else ():
                fits = self._find_fits(airframe, door)
                if door.run is not None:
                    _refit(door.run, fits)
                    door.run.queued = None
                    self._queue_run(aircraft, door, door.run, fits)
                view = View(self.record, self.record.at, aircraft, airframe, door)
                door.ready = self._list_ready(fits, partial(ask, view))

    def _find_fits(self, airframe: AirframeType | None, door: DoorRecord) -> DoorFits:
        if airframe is None:
            return _NONE_FITS
        key = (airframe.name, door.name)
        found = self._fits.get(key)
        if found is None:
            spec = airframe.doors.get(door.name)
            fitted = fit_all(self.site.procedures.values(), spec) if spec is not None else ()
            found = self._fits[key] = DoorFits(
                {each.procedure.name: each for each in fitted},
                _NOTHING.union(*(each.begins_by for each in fitted)),
                _NOTHING.union(*(each.heeds for each in fitted)),
            )
        return found

    def _list_ready(self, fits: DoorFits, asked: Ask) -> tuple[str, ...]:
        """Name the procedures that the next edge may begin: known to stand just before it."""
        ready = tuple(
            name
            for name, each in fits.procedures.items()
            if asked(each.procedure.begins_from) and asked(each.procedure.begins) is False
        )
        return self._ready.setdefault(ready, ready)

    # What changed

    def is_followed(self, airframe: AirframeType, door: DoorRecord, names: Collection[str]) -> bool:
        """Tell whether a procedure is read from any of these changes at a door."""
        fits = self._find_fits(airframe, door)
        return not (fits.heeds if door.run is not None else fits.begins_by).isdisjoint(names)

    def _follow_procedures(self, aircraft: AircraftRecord, airframe: AirframeType, changes: Changes, now: int) -> None:
        """Follow what changed at an aircraft's doors in one instant, once their states are settled."""
        if not self.site.procedures:
            return
        air = changes.get(None, _NOTHING)
        concerned = self._air_heeded & air
        everything = "*" in air
        for name in aircraft.doors if everything or concerned else [each for each in changes if each is not None]:
            door = aircraft.doors[name]
            changed = changes.get(name, _NOTHING) | concerned
            anew = everything or "*" in changed
            if anew or self.is_followed(airframe, door, changed):
                self._follow_at(aircraft, airframe, door, changed, now, anew=anew)

    def _follow_at(
        self,
        aircraft: AircraftRecord,
        airframe: AirframeType,
        door: DoorRecord,
        changed: Collection[str],
        now: int,
        *,
        anew: bool,
    ) -> None:
        view = View(self.record, now, aircraft, airframe, door)
        fits, asked = self._find_fits(airframe, door), partial(ask, view)
        given_up = _list_given_up(door.run)
        if door.run is not None:
            if is_present(aircraft):
                looks = _looks(door.run, fits, asked, now)
                for look in looks:
                    look.follow()
                self._tell(aircraft, door, door.run, fits, looks, now)
            else:
                self._abandon(aircraft, door, now, why_not_judged(aircraft) or "not here")
        if not anew and fits.begins_by.isdisjoint(changed):
            return  # a leaf on its way, most often: it moves the run, and begins nothing
        begun = [
            each for name in door.ready if (each := fits.procedures.get(name)) and asked(each.procedure.begins) is True
        ]
        if begun:
            self._begin(aircraft, door, fits, begun, asked, changed, now, given_up=given_up)
        door.ready = self._list_ready(fits, asked)

    def _begin(
        self,
        aircraft: AircraftRecord,
        door: DoorRecord,
        fits: DoorFits,
        begun: list[Fitted],
        asked: Ask,
        changed: Collection[str],
        now: int,
        *,
        given_up: Collection[str] = (),
    ) -> None:
        drill = find_drill(self.record, aircraft.reg, door.name)
        named = [each for each in begun if drill is not None and each.procedure.name == drill.procedure]
        begun = named or [each for each in begun if asked(each.procedure.outside_a_drill) is True]
        going = door.run
        if not begun or (going is not None and not named and going.drill_procedure == going.candidates[0].procedure):
            return
        if going is not None and going.drill_id == (drill.permit_id if drill is not None else ""):
            names = {each.procedure.name for each in begun}
            if names <= {each.procedure for each in going.candidates} and (going.by_word or names <= set(given_up)):
                going.by_word = False
                return
        if going is not None:
            self._abandon(aircraft, door, now, f"another one began: {begun[0].procedure.title}")
        run_id = derive_alert_id(self.site.name, "procedure", aircraft.reg, door.name, self._cause, str(now))
        run = door.run = Run(run_id, now, now, [Candidate(each.procedure.name) for each in begun])
        if drill is not None:
            run.drill_id, run.drill_name, run.drill_procedure = drill.permit_id, drill.name, drill.procedure
        looks = _looks(run, fits, asked, now)
        for look in looks:
            look.begin(changed)
        self._tell(aircraft, door, run, fits, looks, now)

    # What falls due, and what people say

    def _queue_run(self, aircraft: AircraftRecord, door: DoorRecord, run: Run, fits: DoorFits) -> None:
        dues = [
            next_due(fits.procedures[each.procedure], each, run.began_at)
            for each in run.candidates
            if each.procedure in fits.procedures
        ]
        if dues and (run.queued is None or min(dues) < run.queued):
            run.queued = min(dues)
            self._push(run.queued, RUN, aircraft.reg, door.name, run.run_id)

    def _on_run_due(self, reg: str, name: str, run_id: str, due: int, at: int) -> None:
        aircraft = self.record.aircraft.get(reg)
        door = aircraft.doors.get(name) if aircraft is not None else None
        run = door.run if door is not None else None
        if aircraft is None or door is None or run is None or run.run_id != run_id or run.queued != due:
            return
        run.queued = None
        airframe = self.airframe(aircraft)
        fits = self._find_fits(airframe, door)
        looks = _looks(run, fits, partial(ask, View(self.record, at, aircraft, airframe, door)), at)
        for look in looks:
            look.expire()
            if at >= run.began_at + look.fitted.procedure.abandoned_after:
                look.end_by_time()
            else:
                look.settle_reports()
                look.give_up()
        self._tell(aircraft, door, run, fits, looks, at)

    def report_steps(self, aircraft: AircraftRecord, door: DoorRecord, steps: Iterable[str], now: int) -> None:
        """Take a person's word that steps of the run at a door were done; raises :class:`RefusedError`."""
        airframe = self.airframe(aircraft)
        fits = self._find_fits(airframe, door)
        asked = partial(ask, View(self.record, now, aircraft, airframe, door))
        run = door.run or self._begin_by_word(aircraft, door, fits, asked, steps, now)
        if run is None:
            raise RefusedError("conflict", f"no procedure goes on at {door.name}; there is no step to report")
        looks = _looks(run, fits, asked, now)
        able = {step.name for look in looks for step in look.fitted.procedure.steps if step.reported}
        for name in steps:
            if name not in able:
                have = (
                    f"give one of {', '.join(sorted(able))}"
                    if able
                    else "this procedure has none that a person reports"
                )
                raise RefusedError("refused", f"{name} is no step to be reported at {door.name} now; {have}")
        for look in looks:
            look.follow(steps)
        self._tell(aircraft, door, run, fits, looks, now)

    def _begin_by_word(
        self, aircraft: AircraftRecord, door: DoorRecord, fits: DoorFits, asked: Ask, steps: Iterable[str], now: int
    ) -> Run | None:
        """Begin what a drill names here where its steps are reported before the edge that else begins it."""
        drill = find_drill(self.record, aircraft.reg, door.name)
        fitted = fits.procedures.get(drill.procedure) if drill is not None else None
        if (
            fitted is None
            or asked(fitted.procedure.begins_from) is not True
            or asked(fitted.procedure.begins) is not False
        ):
            return None
        if not {step.name for step in fitted.procedure.steps if step.reported}.issuperset(steps):
            return None
        self._begin(aircraft, door, fits, [fitted], asked, (), now)
        if door.run is not None:
            door.run.by_word = True
        return door.run

    # What is told

    def _tell(
        self, aircraft: AircraftRecord, door: DoorRecord, run: Run, fits: DoorFits, looks: list[Look], now: int
    ) -> None:
        """Keep the candidates that the moment spoke for, and tell what changed."""
        if not looks:
            return
        kept = [look.candidate for look in narrow(looks)]
        news = len(kept) != len(run.candidates) or any(look.changed for look in looks)
        late = self.ledger.late and not run.late
        run.candidates = kept
        run.late = run.late or late
        if news or late:
            run.changed_at = now
        if kept[0].over:
            run.candidates = kept[:1]
            self._conclude(aircraft, door, run, self.describe_run(aircraft, door, run, now))
            return
        if news or late:
            run.told = self.describe_run(aircraft, door, run, now)
            self.ledger.effects.append(PublishProcedure(aircraft.reg, door.name, run.told))
        self._queue_run(aircraft, door, run, fits)

    def describe_run(
        self, aircraft: AircraftRecord, door: DoorRecord, run: Run, now: int, *, why: str = ""
    ) -> Document | None:
        """Write a run as it is at ``now``; as last told where its procedure is no longer configured."""
        fitted = self._find_fits(self.airframe(aircraft), door).procedures.get(run.candidates[0].procedure)
        if fitted is None:
            return run.told
        place = {"site": self.site.name, "aircraft": aircraft.reg, "stand": aircraft.stand, "door": door.name}
        return describe_run(run, fitted, now, simulated=aircraft.simulated, why=why, **place)

    def describe_procedure_at(self, aircraft: AircraftRecord, door: DoorRecord, now: int) -> Document | None:
        """Write the run that goes on at a door, else the last one that ended there, if any."""
        return door.last_run if door.run is None else self.describe_run(aircraft, door, door.run, now)

    def _conclude(self, aircraft: AircraftRecord, door: DoorRecord, run: Run, document: Document | None) -> None:
        door.run = None
        if document is None:
            return
        door.last_run = document
        self.ledger.effects.append(PublishProcedure(aircraft.reg, door.name, document))
        self.ledger.effects.append(
            NoteRun(
                run.run_id, aircraft.reg, door.name, document["procedure"], run.drill_id, run.began_at, run.changed_at,
                document,
            )
        )  # fmt: skip

    def _abandon(self, aircraft: AircraftRecord, door: DoorRecord, now: int, why: str) -> None:
        """End a run from outside."""
        run = door.run
        if run is None:
            return
        run.candidates = run.candidates[:1]
        run.candidates[0].over, run.changed_at = "abandoned", now
        document = self.describe_run(aircraft, door, run, now, why=why)
        if document is not None and document is run.told:
            ended = format_time(now)
            elapsed_s = (now - parse_time(document["began_at"])) / 1e6
            changed = {"state": "abandoned", "changed_at": ended, "ended_at": ended, "elapsed_s": elapsed_s, "why": why}
            document = {**document, **changed}
        self._conclude(aircraft, door, run, document)

    def end_drilled(self, aircraft: AircraftRecord, drill_id: str, now: int) -> None:
        """End the runs of a drill that is over: what is done at the doors from now on is no part of it."""
        for door in aircraft.doors.values():
            run = door.run
            if run is None or run.drill_id != drill_id:
                continue
            fits = self._find_fits(self.airframe(aircraft), door)
            looks = _looks(
                run, fits, partial(ask, View(self.record, now, aircraft, self.airframe(aircraft), door)), now
            )
            if any(look.candidate.done_at is not None for look in looks):
                for look in looks:
                    look.end_by_time()
                self._tell(aircraft, door, run, fits, looks, now)
            else:
                self._abandon(aircraft, door, now, "the drill ended")

    def _end_runs(self, aircraft: AircraftRecord, now: int, why: str) -> None:
        """End what goes on at an aircraft that is gone, and take away what is told of it."""
        for door in aircraft.doors.values():
            self._end_run(aircraft, door, now, why)

    def _end_run(self, aircraft: AircraftRecord, door: DoorRecord, now: int, why: str) -> None:
        self._abandon(aircraft, door, now, why)
        door.ready = ()
        if door.last_run is not None:
            door.last_run = None
            self.ledger.effects.append(PublishProcedure(aircraft.reg, door.name, None))

    def _take_up_runs(self, aircraft: AircraftRecord, now: int) -> None:
        """End the runs of procedures that are no longer configured, or no longer fit; tell the others as they now are."""
        airframe = self.airframe(aircraft)
        for door in aircraft.doors.values():
            run = door.run
            if run is None:
                continue
            if not _known(run, self._find_fits(airframe, door)):
                self._abandon(aircraft, door, now, "its procedure is no longer configured")
            elif run.told is not None and _wording(self.describe_run(aircraft, door, run, now)) != _wording(run.told):
                run.told = self.describe_run(aircraft, door, run, now)
                self.ledger.effects.append(PublishProcedure(aircraft.reg, door.name, run.told))


def _list_given_up(run: Run | None) -> frozenset[str]:
    """Name the candidates that go on only in case somebody takes them up again."""
    return frozenset(each.procedure for each in run.candidates if each.given_up_at is not None) if run else _NOTHING


def _looks(run: Run, fits: DoorFits, asked: Ask, now: int) -> list[Look]:
    return [Look(fits.procedures[each.procedure], each, asked, now) for each in _known(run, fits)]


def _known(run: Run, fits: DoorFits) -> list[Candidate]:
    return [each for each in run.candidates if each.procedure in fits.procedures]


def _refit(run: Run, fits: DoorFits) -> None:
    """Bring a run in line with its procedure's steps and rules as they are now configured."""
    run.candidates = _known(run, fits) or run.candidates[:1]
    for candidate in _known(run, fits):
        procedure = fits.procedures[candidate.procedure].procedure
        # Of a step that is new nobody looked till now: what became of it before is not known.
        candidate.steps = {
            step.name: candidate.steps.get(step.name) or StepMemo(doubt=True) for step in procedure.steps
        }
        rules = {rule.name for rule in procedure.must_not}
        candidate.unseen = [name for name in candidate.unseen if name in rules]
        candidate.forbidden = {name: at for name, at in candidate.forbidden.items() if name in rules}


def _wording(document: Document | None) -> Document:
    """What a run's document says apart from the time that it was written."""
    return {key: value for key, value in (document or {}).items() if key != "elapsed_s"}
