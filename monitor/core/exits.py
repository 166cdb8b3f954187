"""Which exits can be used at the moment, and how many people they are rated for.

Three answers for each: usable, not usable, unknown; with the reasons and the signals they
rest on. Unknown is not usable, and is told apart so that a rule can be true, false or open.

An exit is usable by

* access: a bridge or stairs docked at it; a loader or a platform there blocks it;
* its own stairs: an airstair that is open and held open, or closed and locked: nothing has to
  be brought for it to be used, and a type without it would have too few exits at each
  departure. The contract names the open one only; the closed one is our decision;
* its slide: every part says engaged, the bottle is at its limit (at 20 °C where its
  temperature is known), the pin is out, the pack is in its container, the leaf still in its
  frame, and the ground below is not reported blocked. A slide that a permit declares
  removed is none, and a released one is used up: what hangs there is the crew's to judge;
* its hatch, over the wing, as long as nobody has disturbed it;
* a step: a cabin door without a slide, closed and locked or held open, whose sill is at or
  below 1.83 m. That is our decision where the contract is silent: up to there 14 CFR
  25.810(a) asks for no means of assist.

Owns that judgement. It never looks at alerts, and never says how an aircraft is to be left.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from monitor.core.airframe import DoorKind, DoorType
from monitor.core.door import SECURE, State
from monitor.core.exits_table import ExitPair, exit_pairs, is_floor_level, seats_for_usable
from monitor.core.kept import recall
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.physics import bottle_bar_at_reference
from monitor.core.view import HANDLES, SLIDE_SIGNALS, View

EXIT_KINDS: Final = frozenset({DoorKind.CABIN, DoorKind.AIRSTAIR, DoorKind.OVERWING})
"""Windows, hatches and the doors of holds and of the main deck are never counted."""

STEP_SILL_M_MAX: Final = 1.83
"""6 ft: up to here an exit needs no means of assist, 14 CFR 25.810(a)."""

WAYS_DOWN: Final = ("bridge", "stairs")
BLOCKING: Final = ("loader", "platform")
LOCKED_SIGNALS: Final = ("closed", "latched", "locked", *HANDLES)


class ExitAnswer(NamedTuple):
    """One exit: whether it can be used, by what, why not, what is not watched, and the signals looked at."""

    door: str
    usable: Truth
    by: str
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RefuelPolicy:
    """What must be usable while refuelling with people aboard: floor-level exits, in both halves of the cabin."""

    exits_min: int = 2
    both_halves: bool = True


@dataclass(frozen=True, slots=True)
class Exits:
    """Every exit of an aircraft, in station order, and what they are rated for at the moment.

    ``seats_usable`` counts what is known to be usable, ``seats_possible`` what is unknown too.
    """

    answers: tuple[ExitAnswer, ...]
    pairs: tuple[ExitPair, ...]
    floor_level: tuple[tuple[str, str], ...]
    seats_usable: int
    seats_possible: int

    @property
    def usable(self) -> tuple[str, ...]:
        """The doors that can be used."""
        return tuple(answer.door for answer in self.answers if answer.usable)

    @property
    def unknown(self) -> tuple[str, ...]:
        """The doors of which it cannot be told."""
        return tuple(answer.door for answer in self.answers if answer.usable is None)

    @property
    def unusable(self) -> tuple[str, ...]:
        """The doors that cannot be used."""
        return tuple(answer.door for answer in self.answers if answer.usable is False)

    def seats_short_of(self, people: int | None) -> Truth:
        """Tell whether the usable exits are rated for fewer than ``people``."""
        if people is None:
            return None
        if self.seats_possible < people:
            return True
        return False if self.seats_usable >= people else None

    def meet(self, policy: RefuelPolicy, *, without: Collection[str] = ()) -> Truth:
        """Tell whether enough floor-level exits can be used, in the halves of the cabin that the policy asks for.

        Doors in ``without`` are not counted.
        """
        by_name = {answer.door: answer.usable for answer in self.answers if answer.door not in without}
        if self._meet(policy, {door for door, usable in by_name.items() if usable}):
            return True
        possible = {door for door, usable in by_name.items() if usable is not False}
        return None if self._meet(policy, possible) else False

    def _meet(self, policy: RefuelPolicy, doors: set[str]) -> bool:
        halves = [half for door, half in self.floor_level if door in doors]
        return len(halves) >= policy.exits_min and (not policy.both_halves or {"fore", "aft"} <= set(halves))


class _Check(NamedTuple):
    """One thing that an exit needs, and what is said where it is wanting or not known."""

    holds: Truth
    wanting: str
    unknown: str
    signals: tuple[str, ...]


def assess_exits(view: View) -> Exits:
    """Judge every exit of the aircraft that ``view`` shows; of an unknown type it has none."""
    return assess_exits_of(view.doors() if view.airframe is not None else ())


def assess_exits_of(doors: Iterable[View]) -> Exits:
    """Judge every exit among an aircraft's ``doors``."""
    specs: dict[str, DoorType] = {}
    answers: list[ExitAnswer] = []
    for door in doors:
        if door.spec is not None and door.spec.kind in EXIT_KINDS and door.spec.exit_type is not None:
            specs[door.spec.name] = door.spec
            answers.append(recall(door, "exit", assess_exit))
    floor_level = tuple((spec.name, spec.half) for spec in specs.values() if is_floor_level(spec))
    return _count(answers, exit_pairs(specs.values()), floor_level)


def leave_open(exits: Exits, doors: Collection[str], why: str) -> Exits:
    """Take the exits at ``doors`` as unknown, whatever their readings say: ``why`` tells what is wrong with these."""
    answers = [
        answer._replace(usable=None, by="", reasons=(why,)) if answer.door in doors else answer
        for answer in exits.answers
    ]
    return _count(answers, exits.pairs, exits.floor_level)


def _count(
    answers: Sequence[ExitAnswer], pairs: tuple[ExitPair, ...], floor_level: tuple[tuple[str, str], ...]
) -> Exits:
    usable = {answer.door for answer in answers if answer.usable}
    possible = {answer.door for answer in answers if answer.usable is not False}
    return Exits(
        answers=tuple(answers),
        pairs=pairs,
        floor_level=floor_level,
        seats_usable=seats_for_usable(pairs, usable),
        seats_possible=seats_for_usable(pairs, possible),
    )


def assess_exit(view: View) -> ExitAnswer:
    """Judge one exit. ``view`` is a door's of one of :data:`EXIT_KINDS`; of any other kind it is not usable."""
    spec, door = view.spec, view.door
    if spec is None or door is None or spec.kind not in EXIT_KINDS:
        name = door.name if door is not None else "-"
        return ExitAnswer(name, False, "", ("not an exit that is counted",), (), ())
    notes: tuple[str, ...]
    if spec.kind is DoorKind.OVERWING:
        notes = _ground_note(view) if spec.slide else ()
        return _answer(view, "hatch", [*_undisturbed_checks(view), *_hatch_slide_checks(view)], notes)
    access = view.value("access")
    if access in WAYS_DOWN:
        return ExitAnswer(door.name, True, str(access), (), (), _paths(view, ("access",)))
    checks = [_not_blocked(view)]
    notes = ()
    if spec.kind is DoorKind.AIRSTAIR:
        way = "own stairs"
        checks += _airstair_checks(view)
    elif spec.slide and not door.slide_removed:
        way = "slide"
        checks += _slide_checks(view)
        notes = _ground_note(view)
    elif spec.sill_m <= STEP_SILL_M_MAX:
        way = "step"
        checks.append(_step_check(view))
    else:
        way = ""
        removed = "its slide is removed" if door.slide_removed else "it has no slide"
        checks.append(_Check(False, f"{removed} and nothing is docked", "", ()))
    return _answer(view, way, checks, notes, docked=_maybe_docked(view))


def assess_slide(view: View) -> ExitAnswer:
    """Judge a door's slide alone, whatever stands at the door: ready, not ready or unknown."""
    hatch = view.spec is not None and view.spec.kind is DoorKind.OVERWING
    return _answer(view, "slide", _hatch_slide_checks(view) if hatch else _slide_checks(view), _ground_note(view))


def assess_hatch(view: View) -> ExitAnswer:
    """Judge whether an overwing hatch is undisturbed, its slide left aside."""
    return _answer(view, "hatch", _undisturbed_checks(view), ())


def _answer(
    view: View, way: str, checks: Sequence[_Check], notes: tuple[str, ...], docked: Truth = False
) -> ExitAnswer:
    """Put the checks together; ``docked`` unknown keeps an exit open that has no other way."""
    itself = all3(check.holds for check in checks)
    usable = any3((docked, itself))
    if usable:
        reasons: tuple[str, ...] = ()
    elif usable is False:
        reasons = tuple(check.wanting for check in checks if check.holds is False)
    else:
        reasons = tuple(check.unknown for check in checks if check.holds is None)
    name = view.door.name if view.door is not None else "-"
    signals = dict.fromkeys(signal for check in checks for signal in check.signals)
    return ExitAnswer(name, usable, way if usable else "", reasons, notes, _paths(view, signals))


def is_asked(view: View, signal: str) -> bool:
    """Tell whether a door's signal counts: its type fits it, or it is being reported."""
    if view.fits(signal):
        return True
    reading = view.reading(signal)
    return reading is not None and reading.value is not None


def _paths(view: View, signals: Iterable[str]) -> tuple[str, ...]:
    if view.kept is not None:
        return ()  # as in conditions.look: the short answer names no evidence
    name = view.door.name if view.door is not None else "-"
    return tuple(f"door/{name}/{signal}" for signal in signals if is_asked(view, signal))


def _plain(view: View, signal: str, expected: bool, wanting: str) -> _Check:
    """Ask one yes-or-no signal, where it is asked at all."""
    holds: Truth = True
    if is_asked(view, signal):
        answer = view.true(signal)
        holds = None if answer is None else answer is expected
    return _Check(holds, wanting, f"{signal} is not known", (signal,))


def _maybe_docked(view: View) -> Truth:
    """Whether a way down may be docked, of a door at which none is known to be."""
    return None if is_asked(view, "access") and view.value("access") is None else False


def _not_blocked(view: View) -> _Check:
    access = view.value("access")
    if not is_asked(view, "access"):
        return _Check(True, "", "", ())
    holds = None if access is None else access not in BLOCKING
    return _Check(holds, f"{access} blocks it", "access is not known", ("access",))


def _slide_checks(view: View) -> list[_Check]:
    return [
        _Check(view.fully_engaged, "slide is not fully engaged", "lever or girt ends are not known", SLIDE_SIGNALS),
        _Check(not3(view.leaf_out), "leaf is out of its frame", "closed is not known", ("closed",)),
        _bottle_check(view),
        _not_released(view),
        _plain(view, "pin_fitted", False, "pin is fitted"),
        _plain(view, "slide_detached", False, "slide is detached"),
        _plain(view, "ground_clear", True, "ground below is blocked"),
    ]


def _bottle_check(view: View) -> _Check:
    least = view.spec.slide_bottle_bar_min if view.spec is not None else None
    bar = view.number("slide_bottle_bar")
    signals: tuple[str, ...] = ("slide_bottle_bar",)
    if least is None:
        return _Check(None, "", "no limit is set for its bottle", signals)
    if bar is not None and is_asked(view, "slide_bottle_temp_c"):
        signals = (*signals, "slide_bottle_temp_c")
        temperature = view.number("slide_bottle_temp_c")
        bar = None if temperature is None else bottle_bar_at_reference(bar, temperature)
    unknown = f"{signals[-1]} is not known"
    return _Check(None if bar is None else bar >= least, f"slide bottle is below {least:g} bar", unknown, signals)


def _not_released(view: View) -> _Check:
    check = _plain(view, "slide_released", False, "slide is released")
    return check._replace(holds=False) if view.deployed else check


def _ground_note(view: View) -> tuple[str, ...]:
    return () if is_asked(view, "ground_clear") else ("ground not watched",)


def _airstair_checks(view: View) -> list[_Check]:
    return [_step_check(view)._replace(signals=(*LOCKED_SIGNALS, "hold_open", "travel"))]


def _step_check(view: View) -> _Check:
    state = view.state
    holds = None if state is State.UNKNOWN else state in SECURE or state is State.OPEN
    return _Check(
        holds, "it is being worked: neither closed and locked nor held open", "state is not known", LOCKED_SIGNALS
    )


def _undisturbed_checks(view: View) -> list[_Check]:
    return [
        _Check(not3(view.leaf_out), "hatch is out of its frame", "closed is not known", ("closed",)),
        _plain(view, "latched", True, "it is not latched"),
        _plain(view, "locked", True, "it is not locked"),
        _plain(view, "cover_fitted", True, "cover is off"),
        *(_plain(view, handle, False, "handle is moved") for handle in HANDLES),
    ]


def _hatch_slide_checks(view: View) -> list[_Check]:
    spec, door = view.spec, view.door
    if spec is None or door is None or not spec.slide:
        return []
    checks = [_not_released(view), _plain(view, "ground_clear", True, "ground below is blocked")]
    if door.slide_removed:
        checks.append(_Check(False, "its slide is removed", "", ()))
    if spec.slide_bottle_bar_min is not None:
        checks.append(_bottle_check(view))
    return checks
