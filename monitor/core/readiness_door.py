"""What speaks against opening one door now.

Owns the conditions of *open this door*, a list of its own for each kind of door. It tells
what is seen and never that a door may be opened: that is the crew's and the manual's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from monitor.core.airframe import DoorKind
from monitor.core.conditions import Answer, Condition, Looked, look, look_over, weigh
from monitor.core.deaf import why_unknown
from monitor.core.documents import STATE_SIGNALS
from monitor.core.door import State
from monitor.core.exits import is_asked
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.physics import pressure_force_n
from monitor.core.rules.rule import EMERGENCY, GROUND, PRESSURE, SLIDE, Parameters, Rule
from monitor.core.rules.surroundings import RESIDUAL_PRESSURE, UNGUARDED_DROP
from monitor.core.state import DoorRecord, Presence, Tracker
from monitor.core.view import MOVING_KT, WIND, View, is_disputed

POWERED: Final = frozenset({DoorKind.CARGO, DoorKind.MAIN_DECK})
WIND_NOT_WATCHED: Final = "wind not watched"
LATE: Final = "its readings arrive late"
EMERGENCY_EXITS: Final = frozenset({DoorKind.OVERWING, DoorKind.WINDOW})
STAND: Final = "airframe/stand"
MOTION: Final = ("airframe/ground_speed_kt", "airframe/parking_brake", "airframe/chocks", "airframe/beacon")

NOT_AGAINST_OPENING: Final = frozenset(
    {
        "bottle-low",
        "clock-skew",
        "exit-capacity-short",
        "implausible-jump",
        "not-armed-departure",
        "overwing-disturbed",
        "pin-missing",
        "refuel-exits-short",
        "signal-bad",
        "signal-stale",
        "still-armed-arrival",
        "transit-slow",
        "unlocked-lingering",
    }
)
"""Alerts that say nothing about opening this door, or whose substance is a condition already. Any other speaks against it."""

BLINDING: Final = frozenset({"feed-lost", "identity-conflict", "signal-chatter"})
"""Alerts that say that the picture itself cannot be relied on."""


ParametersOf = Callable[[Rule, View], Parameters]
"""A rule's thresholds where a view stands: door over type over site over default."""


@dataclass(frozen=True, slots=True)
class Scene:
    """What the answers about one aircraft share at one instant, judged once.

    ``alerts`` are the codes that hold for it as a whole. ``brief``: nobody asks what cannot be seen meanwhile.
    """

    view: View
    parameters: ParametersOf
    heard: Condition
    identity: Condition
    on_ground: Condition
    at_rest: Condition
    engines: Condition
    emergency: Truth
    alerts: tuple[str, ...]
    brief: bool = False

    @property
    def shared(self) -> tuple[Condition, ...]:
        """What every answer about an aircraft at rest asks first."""
        return (self.heard, self.identity, self.on_ground, self.at_rest)


def active_alerts(trackers: Mapping[str, Tracker]) -> tuple[str, ...]:
    """List the codes whose condition holds now, whatever people did about the alert."""
    if not trackers:
        return ()  # by far the commonest
    return tuple(code for code, tracker in trackers.items() if tracker.alert is not None and tracker.alert.active)


def set_scene(view: View, parameters: ParametersOf, *, brief: bool = False) -> Scene:
    """Judge what every answer about this aircraft shares. ``view`` is the aircraft's."""
    alerts = active_alerts(view.aircraft.trackers) if view.aircraft is not None else ()
    return Scene(
        view=view,
        parameters=parameters,
        heard=_heard(view, alerts),
        identity=_identified(view, alerts),
        on_ground=_on_ground(view),
        at_rest=_at_rest(view),
        engines=_engines_off(view),
        emergency=False if view.airframe_reading("emergency") is None else view.airframe_true("emergency"),
        alerts=alerts,
        brief=brief,
    )


def _heard(view: View, alerts: tuple[str, ...]) -> Condition:
    """The feed is live: a lost or late one shows the past."""
    aircraft = view.aircraft
    if aircraft is None or view.airframe is None:
        why = "its type is not known"
    elif not view.site.broker_connected:
        why = "the broker connection is lost"
    elif aircraft.left_on_broker:
        why = "its readings were left on the broker"
    elif aircraft.presence is not Presence.PRESENT:
        why = f"it is {str(aircraft.presence).replace('_', ' ')}"
    elif "feed-lost" in alerts:
        why = "its feed is lost"
    elif aircraft.live_at is None:
        why = "nothing was heard from it live"
    elif aircraft.sender.backlog:
        why = LATE
    else:
        return Condition("heard", True, "its feed is live", "heard")
    return Condition("heard", None, why, why)


def is_late(door: DoorRecord) -> bool:
    """Tell whether the door's own sender delivers the past."""
    return door.sender is not None and door.sender.backlog


def is_contradictory(view: View) -> bool:
    """Tell whether a leaf reads in its frame and held or moved open at once."""
    return view.true("closed") is True and view.leaf_out is True


def _identified(view: View, alerts: tuple[str, ...]) -> Condition:
    disputed = view.aircraft is not None and is_disputed(view.aircraft)
    return weigh(
        "identity",
        not disputed and "identity-conflict" not in alerts,
        Looked(),
        well="one aircraft reports under this registration",
        against="its identity is in conflict",
        unknown="its identity is not known",
    )


def _on_ground(view: View) -> Condition:
    return weigh(
        "on ground",
        view.on_ground,
        look(view, (GROUND,)),
        well="weight is on the wheels",
        against="it is off the ground",
        unknown="whether it is on the ground is not known",
    )


def _at_rest(view: View) -> Condition:
    rolls = view.faster_than(MOVING_KT)
    return weigh(
        "not moving",
        not3(view.moving()),
        look(view, MOTION),
        well="it stands",
        against="it moves" if rolls else "brake and chocks are off and the beacon is on: it is about to move",
        unknown="whether it moves is not known",
    )


def _engines_off(view: View) -> Condition:
    engines = view.airframe.engines if view.airframe is not None else {}
    running = [str(number) for number in engines if view.engine(number)]
    return weigh(
        "engines",
        not3(view.any_engine),
        look(view, tuple(f"airframe/engine_{number}_running" for number in engines)),
        well="no engine runs",
        against=f"engine {' and '.join(running)} runs",
        unknown="whether an engine runs is not known",
    )


def judge_opening(scene: Scene, view: View) -> Answer:
    """Judge *open this door*. ``view`` is the door's."""
    spec, door = view.spec, view.door
    if spec is None or door is None:
        raise ValueError("a door's answer needs a view of a door")
    kind = spec.kind
    conditions = [*scene.shared, _picture(view), judge_pressure(scene, view)]
    if kind is not DoorKind.WINDOW:
        conditions.append(_engines_near(scene, view))
    if kind in EMERGENCY_EXITS:
        conditions.append(_emergency_exit(scene))
    if kind is DoorKind.CABIN:
        if spec.slide:
            conditions.append(_slide_disengaged(view))
        if spec.sill_m >= scene.parameters(UNGUARDED_DROP, view)["sill_m"]:
            conditions.append(_no_drop(view))
    elif kind is DoorKind.AIRSTAIR:
        conditions.append(_room_for_stairs(view))
    elif kind in POWERED:
        conditions += _powered(view)
    notes: tuple[str, ...] = ()
    if spec.wind_moved_kt is not None:
        if is_wind_watched(view):
            conditions.append(judge_wind(view, spec.wind_moved_kt, "while moved"))
        else:
            notes = (WIND_NOT_WATCHED,)
    conditions.append(_alerts(scene, door.name, active_alerts(door.trackers)))
    return Answer(f"Open {door.name}", tuple(conditions), _deaf_to(scene, view), notes)


def _picture(view: View) -> Condition:
    why = ""
    if view.door is not None and is_late(view.door):
        why = LATE
    elif view.state is State.UNKNOWN:
        why = "its state is not known"
    elif is_contradictory(view):
        why = "its readings contradict one another"
    return weigh(
        "picture",
        None if why else True,
        look(view, STATE_SIGNALS),
        well=f"its state is {view.state.replace('_', ' ')}",
        against="",
        unknown=why or "its state is not known",
    )


def judge_pressure(scene: Scene, view: View) -> Condition:
    """The cabin's differential pressure is known and no more than the door's limit."""
    limit = scene.parameters(RESIDUAL_PRESSURE, view)["limit_hpa"]
    pressure = view.pressure
    over = f"cabin pressure is above {limit:g} hPa"
    against = over
    if pressure is not None and view.spec is not None:
        force = abs(pressure_force_n(pressure, view.spec.leaf_area_m2))
        against = f"{over}: {pressure:.1f} hPa, about {force:.0f} N on the leaf"
    return weigh(
        "pressure",
        None if pressure is None else abs(pressure) <= limit,
        look(view, (PRESSURE,)),
        well="" if pressure is None else f"cabin pressure is {pressure:.1f} hPa, limit {limit:g} hPa",
        against=against,
        unknown="cabin pressure is not known",
        reason=over,
    )


def _engines_near(scene: Scene, view: View) -> Condition:
    engines = scene.engines
    if engines.met is False and view.engine_on_side:
        text = f"{engines.text}, on its side"
        return engines._replace(text=text, reason=text)
    return engines


def _emergency_exit(scene: Scene) -> Condition:
    return weigh(
        "emergency exit",
        scene.emergency,
        look(scene.view, (EMERGENCY,)),
        well="it is an emergency exit, and an emergency is declared",
        against="it is an emergency exit: opened only in an emergency",
        unknown="it is an emergency exit, and whether an emergency is declared is not known",
    )


def _slide_disengaged(view: View) -> Condition:
    if view.door is not None and view.door.slide_removed:
        read = tuple(signal for signal in (*SLIDE, "slide_released") if view.true(signal))
        if not read:
            return Condition("slide", True, "its slide is declared removed", "slide")
        reads = "released" if "slide_released" in read else "engaged"
        text = f"its slide is declared removed, but it reads {reads}"
        return Condition("slide", None, text, text, look(view, read).evidence)
    released = True if view.deployed else view.true("slide_released") or False
    if released:
        against = "its slide is released"
    elif view.fully_engaged is False:
        against = "lever and girt ends disagree: take the slide as engaged"
    else:
        against = "its slide is engaged"
    return weigh(
        "slide",
        all3((not3(view.engaged), not released)),
        look(view, (*SLIDE, "slide_released")),
        well="its slide is disengaged",
        against=against,
        unknown="whether its slide is engaged is not known",
    )


def _no_drop(view: View) -> Condition:
    """Something stands at the doorway, of a kind that the door takes, or a barrier is across it."""
    spec, access = view.spec, view.value("access")
    sill_m = spec.sill_m if spec is not None else 0.0
    needed = spec.access_needed if spec is not None else ()
    fits = None if access is None else access != "none" and (not needed or access in needed)
    if fits:
        met: Truth = True
        looked, well = look(view, ("access",)), f"{access} is docked"
    else:
        met = any3((fits, view.guarded))
        looked, well = look(view, ("access", "barrier")), "a barrier is across it"
    drop = f"opening leaves a drop of {sill_m:.1f} m"
    if access == "none":
        against = f"nothing docked: {drop}"
    else:
        against = f"{access} is docked where {' or '.join(needed)} is needed"
    return weigh("access", met, looked, well=well, against=against, unknown=f"access is not known: if none, {drop}")


def _room_for_stairs(view: View) -> Condition:
    out = view.leaf_out
    return weigh(
        "own stairs",
        any3((out, not3(view.docked))) if view.fits("access") or view.docked is not None else True,
        look(view, ("closed",) if out else ("closed", "access")),
        well="nothing stands where its own stairs come down",
        against=f"something is docked where its own stairs come down: {view.value('access')}",
        unknown="what stands where its own stairs come down is not known",
    )


def _powered(view: View) -> Iterable[Condition]:
    selector = view.value("selector")
    yield weigh(
        "selector",
        None if selector is None else selector == "neutral",
        look(view, ("selector",)),
        well="its selector is in neutral",
        against=f"its selector is at {selector}",
        unknown="its selector is not known",
    )
    if is_asked(view, "hand_pump"):
        yield weigh(
            "hand pump",
            not3(view.true("hand_pump")),
            look(view, ("hand_pump",)),
            well="its hand pump rests",
            against="its hand pump is being worked",
            unknown="whether its hand pump is worked is not known",
        )
    least = view.spec.actuator_bar_min if view.spec is not None else None
    if least is not None and view.true("hold_open") is not True:
        bar = view.number("actuator_bar")
        yield weigh(
            "actuator",
            None if bar is None else bar >= least,
            look(view, ("actuator_bar",)),
            well=f"its actuator has at least {least:g} bar",
            against=f"its actuator has less than the {least:g} bar that hold the leaf",
            unknown="its actuator pressure is not known",
        )


def is_wind_watched(view: View) -> bool:
    """Tell whether the stand ever reported wind or gust; where none does, the answer says so and does without.

    Where the aircraft stands must be known for that.
    """
    return _look_stand(view).wanting != () or any(view.stand_reading(signal) is not None for signal in WIND)


def _look_stand(view: View) -> Looked:
    """Where the aircraft stands, looked at if its last word on that is not known; a stand never told of is none."""
    reading = view.airframe_reading("stand")
    why = why_unknown(reading, fitted=True) if reading is not None else None
    return Looked() if why is None else Looked((STAND,), (f"{STAND} ({why})",))


def why_no_wind(view: View) -> str:
    """Say why the stand's wind, as it reads, says nothing of the wind at the aircraft now; empty if it does."""
    if _look_stand(view).wanting:
        return "where the aircraft stands is not known"
    stand = view.site.stands.get(view.aircraft.stand) if view.aircraft is not None else None
    return "the stand's readings arrive late" if stand is not None and stand.sender.backlog else ""


def judge_wind(view: View, limit_kt: float, when: str) -> Condition:
    """Wind and gust at the stand are known and not over a leaf's limit (kt)."""
    wind = view.wind_kt
    over = f"wind is over its {limit_kt:g} kt {when}"
    doubt = why_no_wind(view)
    return weigh(
        "wind",
        None if doubt else not3(view.wind_over(limit_kt)),
        look_over((look(view, ("stand/wind_kt", "stand/gust_kt")), _look_stand(view))),
        well="" if wind is None else f"wind is {wind:.0f} kt, limit {limit_kt:g} kt {when}",
        against=over if wind is None else f"{over}: {wind:.0f} kt",
        unknown="wind at the stand is not known" + (f": {doubt}" if doubt else ""),
        reason=over,
    )


def _alerts(scene: Scene, door: str, own: tuple[str, ...]) -> Condition:
    """No alert that holds now speaks against it, nor against the picture itself."""
    standing = [*((code, f"{code} at {door}") for code in own), *((code, code) for code in scene.alerts)]
    against = [words for code, words in standing if code not in NOT_AGAINST_OPENING and code not in BLINDING]
    blinding = [words for code, words in standing if code in BLINDING]
    return weigh(
        "alerts",
        False if against else None if blinding else True,
        Looked(),
        well="no alert speaks against it",
        against=f"alert: {', '.join(against)}",
        unknown=f"alert: {', '.join(blinding)}",
    )


def _deaf_to(scene: Scene, view: View) -> tuple[str, ...]:
    aircraft, door = view.aircraft, view.door
    if aircraft is None or door is None or scene.brief:
        return ()
    codes = dict.fromkeys(code for code, *_ in (*door.deaf_to, *aircraft.deaf_to) if code not in NOT_AGAINST_OPENING)
    return tuple(codes)
