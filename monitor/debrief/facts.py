"""What the record says of a scope: the journal's rows, and the answers by judging its inputs again.

Owns which rows belong to a report, and when judging again is too much to ask. Reads the journal
beside a running monitor, and writes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from monitor.config import Config
from monitor.core import alarm_health, readout
from monitor.core.effects import Document, Effect, PublishReadiness
from monitor.core.system import System
from monitor.core.watched import Span
from monitor.debrief.answers import AnswerLog
from monitor.debrief.archive import Archive, Held, Known
from monitor.debrief.lanes import join_spans
from monitor.debrief.periods import DAY, ReportError, find_zone, say_moment
from monitor.debrief.runs import list_runs
from monitor.debrief.values import Action, Answers, Craft, Facts, Gap, Scope, Told
from monitor.rerun import NothingOnRecordError, rerun

ANSWERS_LONGEST: Final = DAY
AHEAD: Final = 1
"""Rows of the period's last moment belong to it."""

Progress = Callable[[float], None]


def collect_facts(
    archive: Archive, config: Config, scope: Scope, *, progress: Progress, inputs_max: int | None = None
) -> Facts:
    """Read what is on record of a scope; ``inputs_max`` bounds what is judged again. Raises :class:`ReportError`."""
    held = archive.held()
    log, no_answers, gaps = _judge_again(archive, config, scope, held, progress, inputs_max)
    known = archive.known()
    off = join_spans(archive.off(scope.since, scope.until), scope.since, scope.until)
    present = _find_present(scope, log)
    told = _read_told(archive, scope, present, log is not None)
    crafts = [
        craft
        for reg in _list_aircraft(archive, scope, present, told)
        if (craft := _read_craft(archive, config, scope, reg, known.get(reg), log, present.get(reg), told)) is not None
    ]
    if not crafts and not told:
        raise ReportError("not-found", _say_nothing(archive, scope, held))
    answers: tuple[Answers, ...] | None = None
    if log is not None:
        answers = log.spans(present, off, held.over + AHEAD)
    regs = {craft.reg for craft in crafts}
    return Facts(
        scope=scope,
        recorded_from=held.begun,
        recorded_to=held.over,
        gaps=tuple(sorted({*archive.gaps(scope.since, scope.until, off, held), *gaps})),
        off=off,
        crafts=tuple(crafts),
        told=tuple(told),
        annunciations=[
            each
            for each in archive.annunciations(scope.since - alarm_health.LEAD_IN, scope.until)
            if _belongs(scope, regs, each.aircraft, each.door)
        ],
        procedures=_list_runs(archive, scope, regs, log),
        actions=tuple(each for each in archive.actions(scope.since, scope.until) if _concerns(scope, regs, each)),
        answers=answers,
        no_answers=no_answers,
    )


def _list_runs(archive: Archive, scope: Scope, regs: set[str], log: AnswerLog | None) -> tuple[Document, ...]:
    """The runs of a scope, those that have not ended last; one that ended behind the period is told as it ended, once."""
    ended = list_runs(archive, scope)
    known = {run["run_id"] for run in ended}
    going = [] if log is None else [run for run in log.going if run["run_id"] not in known]
    if scope.drill is not None:
        going = [run for run in going if (run.get("drill") or {}).get("permit_id") == scope.drill["permit_id"]]
    runs = [*ended, *going]
    return tuple(run for run in runs if _belongs(scope, regs, run["aircraft"], run["door"]))


def _belongs(scope: Scope, regs: set[str], reg: str, door: str) -> bool:
    if scope.kind == "period":
        return True
    return reg in regs and scope.holds(door)


def _concerns(scope: Scope, regs: set[str], action: Action) -> bool:
    """Tell whether somebody's action is of a scope: by its subject, which begins with registration and place."""
    if scope.kind == "period":
        return True
    reg, *rest = action.subject.split("/")
    if reg not in regs:
        return False
    if not rest or scope.doors is None:
        return True
    if rest[0] == "permit":
        return scope.drill is None or rest[1:] == [scope.drill["permit_id"]]
    return scope.holds(rest[0])


# Judging again


def _judge_again(
    archive: Archive, config: Config, scope: Scope, held: Held, progress: Progress, inputs_max: int | None
) -> tuple[AnswerLog | None, str, list[Gap]]:
    """Work out the answers, unless that is too much or there is nothing left to work them out from."""
    if scope.until - scope.since > ANSWERS_LONGEST:
        return None, "Readiness is worked out for 24 h at most; ask for a shorter period to see it.", []
    if held.inputs_from is None or held.inputs_from >= scope.until:
        return None, "The readings of that time are no longer kept, so that readiness cannot be worked out.", []
    if inputs_max is not None and (number := archive.count_before(scope.since, scope.until)) > inputs_max:
        return (
            None,
            (
                f"Readiness is left out: {number} messages would have to be judged again, {inputs_max} is the most here;"
                " `sillwatch report` on the command line has no such limit."
            ),
            [],
        )
    log = AnswerLog(scope)
    last: list[System] = []

    def observe(at: int, system: System, effects: Sequence[Effect]) -> None:
        if not effects and log.first is None:
            for reg in system.record.aircraft:
                effect = readout.describe_held(system, reg, "", "", at)
                if isinstance(effect, PublishReadiness):
                    log.take(at, reg, effect.document)
                    log.types[reg] = system.record.aircraft[reg].type
            log.first = at
        last[:] = [system]
        for effect in effects:
            if isinstance(effect, PublishReadiness):
                log.take(at, effect.aircraft, effect.document)
                aircraft = system.record.aircraft.get(effect.aircraft)
                if aircraft is not None and aircraft.type:
                    log.types[effect.aircraft] = aircraft.type

    try:
        reran = rerun(
            archive.path,
            config,
            since=scope.since,
            until=scope.until,
            observe=observe,
            progress=progress,
            answering=True,
            answers_of=scope.aircraft,
        )
    except NothingOnRecordError:
        return None, "The readings of that time are no longer kept, so that readiness cannot be worked out.", []
    for system in last:
        runs = (run for reg in system.record.aircraft for run in readout.list_runs(system, reg, scope.until))
        log.going = [run for run in runs if run["state"] == "running"]
    note = ""
    if not reran.whole:
        note = (
            "Earlier readings are no longer kept: readiness is told of an aircraft from when it next said its type,"
            " and of a door from when its sensors were next heard."
        )
    return log, note, [Gap(*gap) for gap in reran.gaps if gap.why == "inputs were pruned away while they were read"]


def _find_present(scope: Scope, log: AnswerLog | None) -> dict[str, Sequence[Span]]:
    """When which aircraft stood at the scope's stand, as far as its answers tell; empty for any other scope."""
    if scope.stand is None or log is None:
        return {}
    present: dict[str, Sequence[Span]] = {}
    for reg, stands in log.stands.items():
        ends = [*(at for at, _ in stands[1:]), scope.until]
        spans = [(at, over) for (at, stand), over in zip(stands, ends, strict=True) if stand == scope.stand]
        joined = join_spans(spans, scope.since, scope.until)
        if joined:
            present[reg] = joined
    return present


# Rows


def _read_told(archive: Archive, scope: Scope, present: Mapping[str, Sequence[Span]], by_presence: bool) -> list[Told]:
    """The changes of every alert that was raised in the period or stood at its beginning, in order, whole."""
    since, until = scope.since, scope.until
    told = archive.told(since, until, scope.aircraft)
    regs = [scope.aircraft] if scope.aircraft is not None else ["-", *archive.registrations()]
    before = [each for reg in regs for each in archive.told_before(reg, since)]
    every = sorted([*before, *told], key=lambda each: each.time)
    if scope.stand is None:
        return every
    there = {
        each.data["alert_id"]
        for each in every
        if each.data.get("stand") == scope.stand
        and (not by_presence or any(begun <= each.time < over for begun, over in present.get(each.aircraft, ())))
    }
    return [each for each in every if each.data["alert_id"] in there]


def _list_aircraft(
    archive: Archive, scope: Scope, present: Mapping[str, Sequence[Span]], told: Sequence[Told]
) -> list[str]:
    if scope.aircraft is not None:
        return [scope.aircraft]
    if scope.stand is not None:
        return sorted(present.keys() | {each.aircraft for each in told})
    return archive.registrations()


def _read_craft(
    archive: Archive,
    config: Config,
    scope: Scope,
    reg: str,
    known: Known | None,
    log: AnswerLog | None,
    present: Sequence[Span] | None,
    told: Sequence[Told],
) -> Craft | None:
    """One aircraft's record; ``None`` where nothing is on record of it in the period."""
    stood = archive.stood(reg, scope.since, scope.until)
    own = [each for each in told if each.aircraft == reg]
    # One that is gone, or of which nothing came, is known by a note that it is not known.
    spoken = any(note.state != "unknown" for notes in stood.values() for note in notes)
    if not spoken and not own:
        return None
    simulated = any(each.data.get("simulated") for each in own)
    simulated = simulated or (known is not None and known.simulated) or (log is not None and reg in log.simulated)
    types = (known.type if known is not None else "", log.types.get(reg) if log is not None else "")
    type_name = next(filter(None, types), config.site.aircraft.get(reg) or "")
    airframe = config.site.types.get(type_name)
    doors = [door for door in stood if scope.holds(door)]
    return Craft(
        reg=reg,
        simulated=simulated,
        kinds={} if airframe is None else {name: str(spec.kind) for name, spec in airframe.doors.items()},
        stood=stood,
        earlier={door: archive.earlier(reg, door, scope.since) for door in doors},
        notes=archive.notes(reg, scope.since, scope.until),
        present=present,
    )


def _say_nothing(archive: Archive, scope: Scope, held: Held) -> str:
    zone = find_zone(scope.zone)
    span = f"from {say_moment(scope.since, zone)} to {say_moment(scope.until, zone)}"
    if scope.aircraft is not None:
        first, last = archive.select(
            "SELECT min(at), max(at) FROM (SELECT at FROM door_states WHERE aircraft = ?1"
            " UNION ALL SELECT time FROM events WHERE aircraft = ?1)",
            scope.aircraft,
        )[0]
        if first is not None:
            return f"nothing of {scope.aircraft} is on record {span}; of it the record holds {say_moment(first, zone)} to {say_moment(last, zone)}"
    what = f"of an aircraft at stand {scope.stand}" if scope.stand is not None else "of any aircraft"
    return f"nothing {what} is on record {span}; the record holds {say_moment(held.begun, zone)} to {say_moment(held.over, zone)}"
