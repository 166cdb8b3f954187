"""Hazards of too few exits for the people aboard."""

from __future__ import annotations

from monitor.core.alert import Priority
from monitor.core.exits import Exits, RefuelPolicy, assess_exits
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.rules.rule import EMERGENCY, ENGINES, LEAF, LOCKS, SLIDE, Level, Parameters, Rule, Scope
from monitor.core.view import View

PASSENGERS = "airframe/passengers_aboard"
REFUELLING = "airframe/refuelling"
MOTION = ("airframe/ground_speed_kt", "airframe/parking_brake", "airframe/chocks", "airframe/beacon")
AT_EXITS = frozenset(
    f"doors/{name}"
    for name in (
        *("state", "leaf"),
        *(*LEAF[:2], *LOCKS, *SLIDE, "access", "pin_fitted", "slide_released", "slide_detached", "ground_clear"),
        *("slide_bottle_bar", "slide_bottle_temp_c", "cover_fitted"),
    )
)
"""What of a door says whether it can be used as an exit."""


def _people(view: View) -> int | None:
    people = view.airframe_value("passengers_aboard")
    return people if isinstance(people, int) else None


def _without_seats(view: View) -> bool:
    return view.airframe is None or view.airframe.seats == 0


def _list(doors: tuple[str, ...]) -> str:
    return ", ".join(doors) if doors else "none"


def _describe(exits: Exits) -> str:
    unknown = f", cannot tell of {_list(exits.unknown)}" if exits.unknown else ""
    return f"usable {_list(exits.usable)}{unknown}"


def _refuels_short(view: View, p: Parameters, held: bool) -> Truth:
    if _without_seats(view):
        return False
    people = _people(view)
    # The exits are many readings: asked for only while somebody may be aboard at a hose.
    exposed = all3((view.airframe_true("refuelling"), None if people is None else people > 0))
    if exposed is False:
        return False
    policy = RefuelPolicy(exits_min=int(p["least_exits"]), both_halves=p["least_halves"] >= 2)
    return all3((exposed, not3(assess_exits(view).meet(policy))))


REFUEL_EXITS_SHORT = Rule(
    code="refuel-exits-short",
    scope=Scope.AIRCRAFT,
    levels=(Level(Priority.WARNING, _refuels_short, delay="on_delay_s"),),
    reads=frozenset({REFUELLING, PASSENGERS, *AT_EXITS}),
    needs=(REFUELLING, PASSENGERS, "doors/closed", "exits"),
    parameters={"on_delay_s": 5.0, "least_exits": 2.0, "least_halves": 2.0},
    names_signals=True,
    summary="Fuel is taken with passengers aboard and fewer usable exits than the policy asks.",
    text=lambda view, priority: (
        f"Refuelling with passengers aboard and too few floor-level exits: {_describe(assess_exits(view))}."
    ),
    action="Stop the refuelling. Tell the crew and the fueller which exits cannot be used.",
    consequence="If fuel burns, the people aboard cannot get out fast enough.",
    respond_within_s=30,
    role="coordinator",
    basis=(
        "EU CAT.OP.MPA.195/200 and AMC (secondary pages, from memory): exits ready while refuelling with people aboard; "
        "two, one in each half, is the contract's"
    ),
    evidence=(REFUELLING, PASSENGERS),
)


def _short(view: View, exposed: Truth) -> Truth:
    people = _people(view)
    if exposed is False or people == 0 or _without_seats(view):
        return False
    if people is None:
        return None
    return all3((exposed, assess_exits(view).seats_short_of(people)))


def _hurried_short(view: View, p: Parameters, held: bool) -> Truth:
    declared = False if view.airframe_reading("emergency") is None else view.airframe_true("emergency")
    return _short(view, any3((view.moving(p["speed_kt"]), declared)))


def _leaves_short(view: View, p: Parameters, held: bool) -> Truth:
    return _short(view, view.departing)


def _capacity_text(view: View, priority: Priority) -> str:
    people, exits = _people(view), assess_exits(view)
    aboard = "an unknown number of" if people is None else str(people)
    return f"Usable exits are rated for {exits.seats_usable}, aboard are {aboard} passengers: {_describe(exits)}."


EXIT_CAPACITY_SHORT = Rule(
    code="exit-capacity-short",
    scope=Scope.AIRCRAFT,
    levels=(
        Level(Priority.CAUTION, _hurried_short, delay="on_delay_s"),
        Level(Priority.CAUTION, _leaves_short, delay="standing_s"),
    ),
    reads=frozenset({PASSENGERS, EMERGENCY, "memo/departing", *MOTION, *AT_EXITS}),
    needs=(PASSENGERS, EMERGENCY, "engines", *MOTION, "doors/closed", "docks", "exits"),
    parameters={"on_delay_s": 5.0, "standing_s": 60.0, "speed_kt": 2.0},
    names_signals=True,
    summary="The aircraft leaves, moves or is in an emergency with more passengers than its usable exits are rated for.",
    text=_capacity_text,
    action="Stop the aircraft from leaving. Tell the crew which exits do not count.",
    consequence="Not everybody aboard can get out in the time that the exits are rated for.",
    respond_within_s=60,
    role="coordinator",
    basis="14 CFR 25.807(g): seats per pair of exits, applied to the exits of the moment (our choice)",
    evidence=(PASSENGERS, EMERGENCY, *MOTION, *ENGINES),
)

RULES: tuple[Rule, ...] = (REFUEL_EXITS_SHORT, EXIT_CAPACITY_SHORT)
