"""What is told of a run and of a procedure: JSON-ready documents.

Owns their keys and their order. Pure: records in, mappings out; times as RFC 3339.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from monitor.core.effects import Document
from monitor.core.procedures.definition import STATE, Condition, Procedure, Step, Test
from monitor.core.procedures.fitting import Fitted
from monitor.core.procedures.matching import DONE, OPEN, StepState
from monitor.core.procedures.run import Candidate, Run, StepMemo
from monitor.core.procedures.scoring import score
from monitor.core.times import SECOND, format_time

DUE: Final = "due"
"""What a step is called that is waiting and whose turn has come."""

COUNTED: Final = {
    "taken": StepState.TAKEN,
    "skipped": StepState.SKIPPED,
    "out_of_order": StepState.OUT_OF_ORDER,
    "too_slow": StepState.TOO_SLOW,
    "cannot_tell": StepState.CANNOT_TELL,
}


def describe_run(
    run: Run,
    fitted: Fitted,
    now: int,
    *,
    site: str,
    aircraft: str,
    stand: str,
    door: str,
    simulated: bool,
    why: str = "",
) -> Document:
    """Write a run as the first of its candidates sees it; ``why`` says what ended it before its end."""
    candidate, procedure = run.candidates[0], fitted.procedure
    over = candidate.over
    document: Document = {
        "run_id": run.run_id,
        "procedure": procedure.name,
        "title": procedure.title,
        "site": site,
        "aircraft": aircraft,
        "stand": stand,
        "door": door,
        "state": over or "running",
        "began_at": format_time(run.began_at),
        "changed_at": format_time(run.changed_at),
        "elapsed_s": _seconds((run.changed_at if over else now) - run.began_at),
        "limit_s": _seconds(procedure.abandoned_after),
        "steps": [_describe_step(step, fitted, candidate) for step in procedure.steps],
        "forbidden": [
            {"rule": rule.name, "text": rule.text, "at": format_time(candidate.forbidden[rule.name])}
            for rule in procedure.must_not
            if rule.name in candidate.forbidden
        ],
        "counts": count_steps(fitted, candidate),
        "left_out": [{"step": each.name, "text": each.text, "why": each.why} for each in fitted.left_out],
    }
    unseen = [rule for rule in procedure.must_not if rule.name in set(candidate.unseen) - candidate.forbidden.keys()]
    if unseen:
        document["unseen"] = [{"rule": rule.name, "text": rule.text} for rule in unseen]
    if over:
        document["ended_at"] = format_time(run.changed_at)
    if why:
        document["why"] = why
    if len(run.candidates) > 1:
        document["may_be"] = [other.procedure for other in run.candidates]
    if run.drill_id:
        document["drill"] = {
            "permit_id": run.drill_id,
            "name": run.drill_name,
            "score": _describe_score(run, fitted, candidate),
        }
    for flag, value in (("simulated", simulated), ("late", run.late)):
        if value:
            document[flag] = True
    return document


def count_steps(fitted: Fitted, candidate: Candidate) -> dict[str, int]:
    """Count the steps by how they went, and the rules that were broken."""
    states = Counter(_told(step, candidate) for step in fitted.procedure.steps)
    counts = {name: states[str(state)] for name, state in COUNTED.items()}
    return {
        "taken": counts["taken"],
        "skipped": counts["skipped"],
        "out_of_order": counts["out_of_order"],
        "too_slow": counts["too_slow"],
        "forbidden": len(candidate.forbidden),
        "cannot_tell": counts["cannot_tell"],
    }


def _told(step: Step, candidate: Candidate) -> str:
    state = StepState(candidate.steps[step.name].state)
    return str(StepState.TOO_SLOW if state is StepState.OVERDUE else state)


def _describe_step(step: Step, fitted: Fitted, candidate: Candidate) -> Document:
    memo = candidate.steps[step.name]
    told = _told(step, candidate)
    if told == StepState.WAITING and not candidate.over and _is_due(step, fitted, candidate):
        told = DUE
    document: Document = {"step": step.name, "text": step.text, "state": told}
    if memo.at is not None:
        document["at"] = format_time(memo.at)
        if memo.from_at is not None and StepState(memo.state) in DONE:
            document["took_s"] = _seconds(memo.at - memo.from_at)
    if step.within is not None:
        document["limit_s"] = _seconds(step.within)
        if memo.due_at is not None and StepState(memo.state) in OPEN:
            document["due_at"] = format_time(memo.due_at)
    for flag, value in (("reported", step.reported), ("optional", step.optional)):
        if value:
            document[flag] = True
    return document


def _is_due(step: Step, fitted: Fitted, candidate: Candidate) -> bool:
    if step.holds:
        return False
    optional = {each.name for each in fitted.procedure.steps if each.optional}
    return all(name in optional or not _is_open(candidate.steps[name]) for name in fitted.before[step.name])


def _is_open(memo: StepMemo) -> bool:
    return StepState(memo.state) in OPEN


def _describe_score(run: Run, fitted: Fitted, candidate: Candidate) -> Document | None:
    if len(run.candidates) > 1 or (run.drill_procedure and run.drill_procedure != candidate.procedure):
        return None
    found = score(fitted, candidate)
    return None if found is None else {"points": found.points, "of": found.of, "percent": found.percent}


def _seconds(micros: int) -> float:
    return round(micros / SECOND, 3)


# The procedures themselves


def describe_procedure(procedure: Procedure) -> Document:
    """Write a configured procedure for a reader, its conditions in the words of its file."""
    scoring = procedure.scoring
    return {
        "procedure": procedure.name,
        "title": procedure.title,
        "text": procedure.text,
        "kinds": sorted(procedure.kinds),
        "begins": {"from": _write(procedure.begins_from), "when": _write(procedure.begins)},
        "finished": _write(procedure.finished),
        "abandoned_after_s": _seconds(procedure.abandoned_after),
        "steps": [_write_step(step) for step in procedure.steps],
        "must_not": [
            {"rule": rule.name, "text": rule.text, "when": _write(rule.when), "after": rule.after, "until": rule.until}
            for rule in procedure.must_not
        ],
        "scoring": {
            "skipped": scoring.skipped,
            "out_of_order": scoring.out_of_order,
            "too_slow": scoring.too_slow,
            "forbidden": scoring.forbidden,
        },
    }


def _write_step(step: Step) -> Document:
    document: Document = {"step": step.name, "text": step.text, "points": step.points, "after": list(step.after)}
    if step.comes:
        document["comes"] = _write(step.comes)
    if step.holds:
        document["holds"] = _write(step.holds)
        document["at"] = step.at
    if step.within is not None:
        document["limit_s"] = _seconds(step.within)
        document["since"] = step.since
    for flag, value in (("reported", step.reported), ("optional", step.optional)):
        if value:
            document[flag] = True
    return document


def _write(condition: Condition) -> list[Document]:
    return [{test.signal: _write_test(test) for test in together} for together in condition]


def _write_test(test: Test) -> object:
    if test.comparison:
        return f"{test.comparison} {test.limit:g}"
    return test.wanted[0] if len(test.wanted) == 1 and test.signal != STATE else list(test.wanted)
