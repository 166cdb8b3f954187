"""What speaks against leaving, boarding, and refuelling with people aboard now.

Owns the conditions of the three questions asked of an aircraft as a whole. Some rest on
every door, others on any one that will do; only the signals of those count as evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from typing import Final

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.conditions import Answer, Condition, Looked, look, look_over, name_some, weigh
from monitor.core.documents import STATE_SIGNALS
from monitor.core.door import SECURE, State
from monitor.core.exits import (
    LOCKED_SIGNALS,
    WAYS_DOWN,
    ExitAnswer,
    Exits,
    RefuelPolicy,
    assess_hatch,
    assess_slide,
    is_asked,
)
from monitor.core.kept import recall
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.readiness_door import (
    BLINDING,
    WIND_NOT_WATCHED,
    Scene,
    active_alerts,
    is_contradictory,
    is_late,
    is_wind_watched,
    judge_pressure,
    judge_wind,
)
from monitor.core.rules.rule import EMERGENCY, SLIDE
from monitor.core.state import Tracker
from monitor.core.view import CABIN_ENTRIES, View

PEOPLE: Final = "airframe/passengers_aboard"
REFUELLING: Final = "airframe/refuelling"

DEAF_LEAVING: Final = frozenset(
    {
        "access-withdrawn",
        "armed-handle-moved",
        "exit-capacity-short",
        "feed-lost",
        "girt-disagree",
        "identity-conflict",
        "lock-disagree",
        "moving-not-secure",
        "not-armed-departure",
        "overwing-disturbed",
        "slide-deployed",
        "cargo-unlatched-flags",
    }
)
DEAF_BOARDING: Final = frozenset(
    {
        "access-withdrawn",
        "evacuation-in-progress",
        "open-engine-running",
        "pressure-rising",
        "residual-pressure",
        "refuel-exits-short",
        "unguarded-drop",
        "wind-limit",
    }
)
DEAF_REFUELLING: Final = frozenset(
    {"bottle-low", "evacuation-in-progress", "overwing-disturbed", "refuel-exits-short", "slide-deployed"}
)
DOUBTS: Final = BLINDING | {"indicator-disagree", "lock-disagree"}
"""Alerts below a warning that say that a door may not be as its readings say: nothing that rests on it is a yes."""

ONE_EXIT: Final = RefuelPolicy(exits_min=1, both_halves=False)


def people_aboard(view: View) -> int | None:
    """Return how many passengers are aboard, if it is known."""
    people = view.airframe_value("passengers_aboard")
    return people if isinstance(people, int) else None


def judge_leaving(scene: Scene, doors: Sequence[View], exits: Exits) -> Answer:
    """Judge *leave*: nothing is docked, every door is secure, and the exits do for the people aboard."""
    view = scene.view
    people = people_aboard(view)
    conditions = [
        _all_heard(scene, doors).heard,
        scene.identity,
        scene.on_ground,
        _doors_secure(doors),
        _flags_engaged(doors),
        _hatches_undisturbed(doors),
        _slides_ready(view, doors, people),
        _seats_do(view, exits, people),
        _nothing_docked(doors),
        _refuelling_over(view),
        _no_emergency(scene),
        _nothing_stands(scene, doors, [_name(door) for door in doors]),
    ]
    return Answer("Leave", tuple(c for c in conditions if c is not None), _deaf(scene, doors, DEAF_LEAVING))


def judge_boarding(scene: Scene, doors: Sequence[View], exits: Exits, policy: RefuelPolicy) -> Answer:
    """Judge *board*: a way in stands open, nothing turns, and people aboard could leave again."""
    view = scene.view
    ways = [_name(door) for door in doors if _is_entry(door) and _ask_way_in(door)[0]]
    asked = ONE_EXIT if view.airframe_true("refuelling") is False else policy
    conditions = [
        *_all_heard(scene, doors).shared,
        scene.engines,
        judge_pressure(scene, view),
        _way_in(doors),
        *_wind_at_open_doors(doors),
        _an_exit(exits),
        _refuelling_in_order(view, exits, policy),
        _no_emergency(scene),
        _nothing_stands(scene, doors, [*ways, *_exits_relied_on(exits, asked, doors)]),
    ]
    notes = () if is_wind_watched(view) else (WIND_NOT_WATCHED,)
    return Answer("Board", tuple(conditions), _deaf(scene, doors, DEAF_BOARDING), notes)


def judge_refuelling(scene: Scene, doors: Sequence[View], exits: Exits, policy: RefuelPolicy) -> Answer:
    """Judge *refuel with people aboard*: who is aboard is known, and enough exits can be used."""
    view = scene.view
    watched = [_name(door) for door in _slides_to_ground(doors) if is_asked(door, "ground_clear")]
    conditions = [
        *_all_heard(scene, doors).shared,
        _people_known(view),
        _exits_meet(exits, policy),
        _ground_clear(doors),
        scene.engines,
        _no_emergency(scene),
        _nothing_stands(scene, doors, [*watched, *_exits_relied_on(exits, policy, doors)]),
    ]
    return Answer("Refuel with people aboard", tuple(conditions), _deaf(scene, doors, DEAF_REFUELLING))


def _all_heard(scene: Scene, doors: Sequence[View]) -> Scene:
    """What is asked of the aircraft as a whole needs every door's own sender to tell of now."""
    late = [_name(door) for door in doors if door.door is not None and is_late(door.door)]
    if not late or scene.heard.met is not True:
        return scene
    why = f"readings arrive late: {name_some(late)}"
    return replace(scene, heard=scene.heard._replace(met=None, text=why, reason=why))


def _exits_relied_on(exits: Exits, asked: RefuelPolicy, doors: Sequence[View]) -> tuple[str, ...]:
    """The doors in doubt that an answer leans on for ``asked``: none, while enough other exits can be used."""
    doubted = {_name(door) for door in doors if door.door and not DOUBTS.isdisjoint(active_alerts(door.door.trackers))}
    if exits.meet(asked, without=doubted):
        return ()
    return tuple(door for door, _ in exits.floor_level if door in doubted and door in exits.usable)


def _deaf(scene: Scene, doors: Iterable[View], codes: frozenset[str]) -> tuple[str, ...]:
    if scene.brief:
        return ()
    view = scene.view
    lists = [door.door.deaf_to for door in doors if door.door is not None]
    if view.aircraft is not None:
        lists.append(view.aircraft.deaf_to)
    return tuple(sorted({code for listed in lists for code, *_ in listed} & codes))


def _name(view: View) -> str:
    return view.door.name if view.door is not None else "-"


def _every(
    name: str,
    doors: Sequence[View],
    fact: Callable[[View], Truth],
    signals: Callable[[View], tuple[str, ...]],
    *,
    well: str,
    against: str,
    unknown: str,
) -> Condition:
    """Weigh a fact that must hold at every one of ``doors``; ``against`` and ``unknown`` name the doors after them."""
    asked = [recall(door, name, lambda door: (fact(door), look(door, signals(door)))) for door in doors]
    truths, looks = [truth for truth, _ in asked], [looked for _, looked in asked]
    failing = [_name(door) for door, truth in zip(doors, truths, strict=True) if truth is False]
    open_ = [
        _name(door)
        for door, truth, looked in zip(doors, truths, looks, strict=True)
        if truth is None or (truth and looked.wanting)
    ]
    return weigh(
        name,
        all3(truths),
        look_over(looks),
        well=well,
        against=f"{against}: {name_some(failing)}",
        unknown=f"{unknown}: {name_some(open_)}",
    )


def _doors_secure(doors: Sequence[View]) -> Condition:
    return _every(
        "doors",
        doors,
        lambda door: None if door.state is State.UNKNOWN else door.state in SECURE,
        lambda door: STATE_SIGNALS,
        well="every door is closed and locked",
        against="not closed and locked",
        unknown="state not known",
    )


def _flags_engaged(doors: Sequence[View]) -> Condition | None:
    flagged = [door for door in doors if is_asked(door, "lock_flags")]
    if not flagged:
        return None
    return _every(
        "lock flags",
        flagged,
        lambda door: door.true("lock_flags"),
        lambda door: ("lock_flags",),
        well="all lock flags show engaged",
        against="lock flags not engaged",
        unknown="lock flags not known",
    )


def _hatches_undisturbed(doors: Sequence[View]) -> Condition | None:
    hatches = [door for door in doors if door.spec is not None and door.spec.kind is DoorKind.OVERWING]
    if not hatches:
        return None
    return _every(
        "overwing hatches",
        hatches,
        lambda door: assess_hatch(door).usable,
        lambda door: (*LOCKED_SIGNALS, "cover_fitted"),
        well="the overwing hatches are undisturbed",
        against="disturbed",
        unknown="whether undisturbed is not known",
    )


def _has_slide(view: View) -> bool:
    return view.has_slide and view.door is not None and not view.door.slide_removed


_SLIDE_EVIDENCE: Final = (
    "closed",
    *SLIDE,
    "pin_fitted",
    "slide_released",
    "slide_bottle_bar",
    "slide_bottle_temp_c",
    "slide_detached",
    "ground_clear",
)


def _slides_ready(view: View, doors: Sequence[View], people: int | None) -> Condition | None:
    """14 CFR 121.570(a): with passengers aboard each slide is ready; an unknown count means aboard."""
    slides = [door for door in doors if _has_slide(door)]
    if not slides:
        return None
    if people == 0:
        return Condition("slides", True, "nobody is aboard", "slides", (PEOPLE,))
    return _every(
        "slides",
        slides,
        lambda door: assess_slide(door).usable,
        lambda door: _SLIDE_EVIDENCE,
        well="every slide is ready",
        against="slide not ready",
        unknown="whether the slide is ready is not known",
    )


def _seats_do(view: View, exits: Exits, people: int | None) -> Condition:
    seats = exits.seats_usable
    return weigh(
        "exit capacity",
        not3(exits.seats_short_of(people)),
        _look_people(view, () if people == 0 else [answer for answer in exits.answers if answer.usable]),
        well=f"the usable exits are rated for {seats}, {people} aboard",
        against=f"the usable exits are rated for {exits.seats_possible} at most, {people} aboard",
        unknown="whether the usable exits do for the people aboard is not known",
        reason="the usable exits are rated for fewer than are aboard",
    )


def _look_people(view: View, answers: Iterable[ExitAnswer]) -> Looked:
    people = look(view, (PEOPLE,))
    return people._replace(evidence=(*people.evidence, *(path for answer in answers for path in answer.evidence)))


def _nothing_docked(doors: Sequence[View]) -> Condition:
    return _every(
        "access",
        [door for door in doors if is_asked(door, "access")],
        lambda door: not3(door.docked),
        lambda door: ("access",),
        well="nothing is docked",
        against="still docked",
        unknown="access not known",
    )


def _refuelling_over(view: View) -> Condition:
    return weigh(
        "refuelling",
        not3(view.airframe_true("refuelling")),
        look(view, (REFUELLING,)),
        well="it is not being refuelled",
        against="it is being refuelled",
        unknown="whether it is being refuelled is not known",
    )


def _refuelling_in_order(view: View, exits: Exits, policy: RefuelPolicy) -> Condition:
    refuelling = _refuelling_over(view)
    if refuelling.met is not False:
        return refuelling
    met = exits.meet(policy)
    if met:
        return refuelling._replace(met=True, text="it is being refuelled, with enough usable exits")
    text = "it is being refuelled with too few usable exits"
    return refuelling._replace(met=met, text=text, reason=text)


def _no_emergency(scene: Scene) -> Condition:
    return weigh(
        "no emergency",
        not3(scene.emergency),
        look(scene.view, (EMERGENCY,)),
        well="no emergency is declared",
        against="an emergency is declared",
        unknown="whether an emergency is declared is not known",
    )


def _nothing_stands(scene: Scene, doors: Sequence[View], relied_on: Collection[str]) -> Condition:
    """No warning at all, no slide released and not made good, and no doubt of a door that is relied on."""
    aircraft = scene.view.aircraft
    places: list[tuple[str, dict[str, Tracker]]] = [("-", aircraft.trackers)] if aircraft is not None else []
    places += [(_name(door), door.door.trackers) for door in doors if door.door is not None]
    against: list[str] = []
    doubts: list[str] = []
    for door, trackers in places:
        for code in active_alerts(trackers):
            words = code if door == "-" else f"{code} at {door}"
            alert = trackers[code].alert
            if alert is not None and alert.priority is Priority.WARNING:
                against.append(words)
            elif code in DOUBTS and (door == "-" or door in relied_on):
                doubts.append(words)
    # A released slide outlives its alert's condition: only a person's reset ends it.
    released = [f"slide-deployed at {_name(door)}" for door in doors if door.deployed]
    against += [words for words in released if words not in against]
    return weigh(
        "no warning or doubt",
        False if against else None if doubts else True,
        Looked(),
        well="no warning or doubt stands",
        against=f"warning: {name_some(against)}",
        unknown=f"in doubt: {name_some(doubts)}",
    )


def _is_entry(view: View) -> bool:
    return view.spec is not None and view.spec.kind in CABIN_ENTRIES


def _is_way_in(view: View) -> Truth:
    """An entry that stands open and held, with a bridge or stairs at it, or by its own stairs."""
    if view.deployed:
        return False
    leaf_out = None if is_contradictory(view) else view.leaf_out
    if view.spec is not None and view.spec.kind is DoorKind.AIRSTAIR:
        return all3((leaf_out, view.held_open))
    access = view.value("access")
    docked = access in WAYS_DOWN if access is not None or not is_asked(view, "access") else None
    return all3((docked, leaf_out, view.held_open))


def _way_in_signals(view: View) -> tuple[str, ...]:
    own = view.spec is not None and view.spec.kind is DoorKind.AIRSTAIR
    return ("closed", "hold_open", "travel", *(() if own else ("access",)))


def _ask_way_in(view: View) -> tuple[Truth, Looked]:
    return recall(view, "way in", lambda view: (_is_way_in(view), look(view, _way_in_signals(view))))


def _way_in(doors: Sequence[View]) -> Condition:
    entries = [door for door in doors if _is_entry(door)]
    ways = [(door, *_ask_way_in(door)) for door in entries]
    open_ = [(door, looked) for door, truth, looked in ways if truth and not looked.wanting]
    if open_:
        names = name_some([_name(door) for door, _ in open_])
        return Condition(
            "way in", True, f"a way in stands open: {names}", "way in", look_over(x for _, x in open_).evidence
        )
    truth = any3(None if truth and looked.wanting else truth for _, truth, looked in ways)
    return weigh(
        "way in",
        truth,
        look_over(looked for _, _, looked in ways),
        well="",
        against="no door stands open and held with a bridge or stairs at it",
        unknown="whether a way in stands open is not known",
    )


def _wind_at_open_doors(doors: Sequence[View]) -> Iterable[Condition]:
    """The lowest limit of the entries that stand open, held; none where none does or has a limit."""
    limits = [
        (door.spec.wind_held_kt, door)
        for door in doors
        if door.spec is not None
        and door.spec.kind in CABIN_ENTRIES
        and door.spec.wind_held_kt is not None
        and door.leaf_out is not False
    ]
    if limits and is_wind_watched(doors[0]):
        least, door = min(limits, key=lambda limit: limit[0])
        yield judge_wind(door, least, "held open")


def _an_exit(exits: Exits) -> Condition:
    """14 CFR 121.570(b): with people aboard at least one floor-level exit gives a way out."""
    floor_level = {door for door, _ in exits.floor_level}
    answers = [answer for answer in exits.answers if answer.door in floor_level]
    usable = [answer for answer in answers if answer.usable]
    met = any3(answer.usable for answer in answers)
    return weigh(
        "a way out",
        met,
        _look_exits(usable if met else answers),
        well=f"usable at floor level: {name_some([answer.door for answer in usable])}",
        against="no exit at floor level can be used",
        unknown="whether an exit at floor level can be used is not known",
    )


def _look_exits(answers: Iterable[ExitAnswer]) -> Looked:
    """The signals of those exits, and what is not known of them."""
    looked = list(answers)
    return Looked(
        tuple(path for answer in looked for path in answer.evidence),
        tuple(f"{answer.door}: {reason}" for answer in looked if answer.usable is None for reason in answer.reasons),
    )


def _people_known(view: View) -> Condition:
    people = people_aboard(view)
    return weigh(
        "people aboard",
        None if people is None else True,
        look(view, (PEOPLE,)),
        well=f"{people} aboard",
        against="",
        unknown="how many people are aboard is not known",
    )


def _exits_meet(exits: Exits, policy: RefuelPolicy) -> Condition:
    floor_level = {door for door, _ in exits.floor_level}
    answers = [answer for answer in exits.answers if answer.door in floor_level]
    usable = [answer for answer in answers if answer.usable]
    met = exits.meet(policy)
    asked = f"{policy.exits_min} at floor level"
    if policy.both_halves:
        asked += ", one in each half of the cabin"
    return weigh(
        "exits",
        met,
        _look_exits(usable if met else answers),
        well=f"usable at floor level: {name_some([answer.door for answer in usable])}",
        against=f"fewer usable exits than {asked}",
        unknown=f"whether as many exits can be used as {asked} is not known",
    )


def _slides_to_ground(doors: Sequence[View]) -> list[View]:
    """The cabin doors whose slide would come down to the ground: no way down is docked there."""
    return [
        door
        for door in doors
        if _has_slide(door)
        and door.spec is not None
        and door.spec.kind is DoorKind.CABIN
        and door.value("access") not in WAYS_DOWN
    ]


def _ground_clear(doors: Sequence[View]) -> Condition:
    """The ground below every slide at which no way down is docked, as far as it is watched."""
    slides = _slides_to_ground(doors)
    watched = [door for door in slides if is_asked(door, "ground_clear")]
    unwatched = [_name(door) for door in slides if not is_asked(door, "ground_clear")]
    well = "the ground below the slides is clear"
    if unwatched:
        well = f"ground not watched: {name_some(unwatched)}"
    return _every(
        "ground",
        watched,
        lambda door: door.true("ground_clear"),
        lambda door: ("ground_clear",),
        well=well,
        against="ground below the slide is blocked",
        unknown="ground below the slide is not known",
    )
