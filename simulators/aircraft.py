"""One simulated aircraft: its doors, slides, cabin, engines and people, moved together.

Owns the joining of the pure models and what each order does to them. It never knows a
topic, a broker or real time: ``now`` is handed in, in µs.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from monitor.core.airframe import AirframeType, DoorKind, DoorType
from monitor.core.signals import Value
from simulators.door_orders import number_of, order_door, order_slide
from simulators.models import cabin, door, engines, people, slide
from simulators.models.air import SEA_LEVEL, Air
from simulators.models.leaf import Breeze, breeze_at
from simulators.models.motion import toward
from simulators.models.weather import Wind
from simulators.orders import NEEDS_SLIDE, Order, Verb

_TAXI_KT_PER_S: Final = 2.5
_RUNWAY_KT_PER_S: Final = 9.0
_CRUISE_PA: Final = 54000.0
_TOUCHDOWN_PA: Final = 600.0
_TYPICAL_LIGHT_LIMIT_PA: Final = 225.0
_SUPPLY_HPA: Final = 6.5
_OUTFLOW_CM2: Final = 40.0
_MAIN_DECK_M: Final = 20.0
"""How long a freighter's main deck is."""
_NOSE_DEG: Final = 300.0
"""Which way every simulated aircraft points."""


@dataclass(frozen=True, slots=True)
class Doorway:
    """One door with, where it has one, its slide; builds and states."""

    type: DoorType
    mechanism: door.Mechanism
    door: door.DoorState
    slide_build: slide.SlideBuild | None = None
    slide: slide.SlideState | None = None

    @property
    def armed(self) -> bool:
        """In frame, every handle home, slide wholly engaged and to stay so, and not a hatch over the wing."""
        engaged = self.slide is not None and self.slide.fully_engaged and self.slide.lever_to == 1.0
        return engaged and self.door.secured and self.type.kind is DoorKind.CABIN

    @property
    def disarmed(self) -> bool:
        """No slide, or one that is wholly disengaged and to stay so."""
        return self.slide is None or self.slide.lever == self.slide.lever_to == 0.0

    @property
    def open(self) -> bool:
        """At full travel and, where there is a hold-open lock, held."""
        held = self.door.hold_open or not self.mechanism.hold_open_lock
        return self.door.leaf >= 1.0 and held

    @property
    def slide_stands(self) -> bool:
        return self.slide is not None and self.slide.erect

    @property
    def leads_down(self) -> bool:
        """Stairs or a bridge docked, stairs of its own, a slide standing at it, or a wing low enough for none."""
        if self.slide_stands:
            return True
        over_low_wing = self.type.kind is DoorKind.OVERWING and self.slide is None
        return over_low_wing or self.type.kind is DoorKind.AIRSTAIR or self.door.access in ("bridge", "stairs")

    def settled(self) -> bool:
        return door.settled(self.mechanism, self.door) and (self.slide is None or slide.settled(self.slide))

    def step(self, now: int, dt_s: float, breeze: Breeze | None = None, *, dp_pa: float = 0.0) -> Doorway:
        before = self.slide
        assisted = before is not None and before.engaged and self.type.kind is DoorKind.CABIN
        assist = before.assist_charge if before is not None and assisted else 0.0
        press_n = dp_pa * self.type.leaf_area_m2
        state = door.step(self.mechanism, self.door, dt_s, assist=assist, breeze=breeze, press_n=press_n)
        if before is None or self.slide_build is None:
            return replace(self, door=state)
        if state.outside > door.LOCK_ENGAGED and self.type.kind is DoorKind.CABIN and before.lever_to:
            # Lifting the outside handle also disengages the slide.
            before = slide.disarm(before)
        after = slide.step(self.slide_build, before, now, dt_s, leaf_out=not state.in_frame)
        return replace(self, door=state, slide=after)


class Aircraft:
    """The mechanical picture of one aircraft; ``rng`` makes its parts its own, ``air`` is what it stands in.

    ``wind`` is what blows at it now, for whoever owns the weather to set; ``None``: nothing.
    """

    def __init__(self, reg: str, airframe: AirframeType, stand: str, rng: random.Random, air: Air = SEA_LEVEL) -> None:
        self.reg = reg
        self.airframe = airframe
        self.home_stand = stand
        self.stand = stand
        self.wind: Wind | None = None
        self._air = air
        self._rng = rng
        self.doors: dict[str, Doorway] = {name: _doorway(kind, rng) for name, kind in airframe.doors.items()}
        # Where freight stands on the main deck there are no seats to go by: the deck is about as wide and high as its door.
        decks = sum(kind.leaf_area_m2 for kind in airframe.doors.values() if kind.kind is DoorKind.MAIN_DECK)
        volume = 40.0 + 1.1 * airframe.seats + _MAIN_DECK_M * decks
        self.cabin_build = cabin.CabinBuild(volume, 8.4e-6 * volume * rng.uniform(0.9, 1.1), air)
        self.cabin = cabin.CabinState()
        self.engines = dict.fromkeys(sorted(airframe.engines), engines.EngineState())
        self.people = people.PeopleState()
        self.speed_kt = 0.0
        self.speed_to_kt = 0.0
        self.on_ground = True
        self.power = "on"
        self.switches = {
            "parking_brake": True,
            "beacon": False,
            "chocks": True,
            "refuelling": False,
            "emergency": False,
        }
        self._busy: set[str] = set()
        self._counted: tuple[int, int, int] | None = None

    @property
    def engine_running(self) -> bool:
        return any(engine.running for engine in self.engines.values())

    @property
    def parked(self) -> bool:
        """On its stand with the brake or the chocks holding it."""
        held = self.switches["parking_brake"] or self.switches["chocks"]
        return bool(self.stand) and self.on_ground and self.speed_kt == 0 and held

    def doors_out(self) -> list[str]:
        """Return the names of doors out of their frames."""
        return [name for name, way in self.doors.items() if not way.door.in_frame]

    def obey(self, order: Order, now: int) -> None:
        """Carry out ``order``. Raises ``KeyError`` for a door or an engine that the type does not have."""
        if order.door is not None:
            self.doors[order.door] = self._order_door(self.doors[order.door], order)
            self._busy.add(order.door)
        else:
            _AIRCRAFT_ORDERS[order.verb](self, order)

    def work(self, name: str, change: Callable[[Doorway], Doorway]) -> None:
        """Have a hand work at the door ``name`` as no order says. Raises ``KeyError`` where there is no such door."""
        self.doors[name] = change(self.doors[name])
        self._busy.add(name)

    def breeze_at(self, name: str) -> Breeze | None:
        """Return what blows on the leaf of the door ``name``; ``None`` where nothing does."""
        return self._breeze(self.doors[name])

    def _order_door(self, way: Doorway, order: Order) -> Doorway:
        if order.verb in NEEDS_SLIDE:
            if way.slide is None or way.slide_build is None:
                return way
            return replace(way, slide=order_slide(way.slide_build, way.slide, order))
        pace = min(1.08, max(0.92, self._rng.gauss(1.0, 0.03)))
        return replace(way, door=order_door(way.mechanism, way.door, order, pace))

    def step(self, now: int, dt_s: float) -> set[str]:
        """Let ``dt_s`` seconds pass up to ``now``; return the doors that may show something new."""
        moved = set(self._busy)
        for name in sorted(self._busy):
            way = self.doors[name]
            way = self.doors[name] = way.step(now, dt_s, self._breeze(way), dp_pa=self.cabin.dp_pa)
            if way.settled():
                self._busy.discard(name)
        if moved or self._counted is None:
            ways = self.doorways()
            slides = sum(self.doors[name].slide_stands for name in ways)
            self._counted = (len(self.doors_out()), len(ways) - slides, slides)
        out, doorways, slides = self._counted
        self.cabin = cabin.step(self.cabin_build, self.cabin, dt_s, doors_open=out)
        for number, engine in self.engines.items():
            self.engines[number] = engines.step(engine, dt_s)
        if self.people.aboard != self.people.wanted:
            self.people = people.step(self.people, dt_s, doorways=doorways, slides=slides)
        rate = _RUNWAY_KT_PER_S if max(self.speed_kt, self.speed_to_kt) > 40 else _TAXI_KT_PER_S
        self.speed_kt = toward(self.speed_kt, self.speed_to_kt, rate * dt_s)
        return moved

    def _breeze(self, way: Doorway) -> Breeze | None:
        if self.wind is None or not way.mechanism.swinging.in_the_wind:
            return None
        return breeze_at(self.wind.kt, self.wind.from_deg, _NOSE_DEG, way.type.side, self._air)

    @property
    def doors_move(self) -> bool:
        """A part of a door or a slide is on its way."""
        return bool(self._busy)

    @property
    def still(self) -> bool:
        """Nothing of it moves: another time step would change nothing until somebody does something."""
        air = self.cabin
        settled = not air.inflow_m3_s and (not air.dp_pa if air.goal_pa is None else air.dp_pa == air.goal_pa)
        engines_settled = all(engine.speed == float(engine.wanted) for engine in self.engines.values())
        moving = self.speed_kt != self.speed_to_kt or self.people.aboard != self.people.wanted
        return not self._busy and settled and engines_settled and not moving

    def doorways(self) -> list[str]:
        """Return the doors that people can leave by now: open with stairs, a bridge or a standing slide."""
        return [name for name, way in self.doors.items() if way.open and way.leads_down]

    def door_readings(self, name: str) -> dict[str, Value]:
        """Return what the fitted sensors of one door show."""
        way = self.doors[name]
        shown = door.door_readings(way.door)
        if way.slide is not None and way.slide_build is not None:
            temperature_sent = "slide_bottle_temp_c" in way.type.signals
            shown |= slide.slide_readings(way.slide_build, way.slide, temperature_sent=temperature_sent)
        # The lamps wake as somebody sets to work at the door: at a handle, or with its slide disengaged.
        handle_moved = bool(shown["handle_lifted"] or shown["outside_handle_lifted"])
        engaged = way.slide is not None and way.slide.engaged
        shown["armed_light"] = engaged and handle_moved
        shown["pressure_light"] = (handle_moved or not engaged) and abs(self.cabin.dp_pa) > _TYPICAL_LIGHT_LIMIT_PA
        return {signal: value for signal, value in shown.items() if signal in way.type.signals}

    def airframe_state(self) -> tuple[object, ...]:
        """Return all that :meth:`airframe_readings` are made from: as long as it is equal, they are."""
        parts = (self.cabin, self.on_ground, self.speed_kt, self.people, self.power, self.stand)
        return (*parts, *self.engines.values(), *self.switches.values())

    def airframe_readings(self) -> dict[str, Value]:
        """Return every airframe reading but the heartbeat; the type comes last, so that all before it is known."""
        return {
            **{f"engine_{number}_running": engine.running for number, engine in self.engines.items()},
            "differential_pressure_hpa": round(self.cabin.dp_pa / 100.0, 2) + 0.0,
            "weight_on_wheels": self.on_ground,
            "ground_speed_kt": round(self.speed_kt, 0),
            **self.switches,
            "passengers_aboard": self.people.count,
            "power": self.power,
            "stand": self.stand,
            "type": self.airframe.name,
        }

    def arm_all(self, *, armed: bool) -> None:
        """Put every slide at rest, armed or disarmed, at once: for a starting picture only."""
        for name, way in self.doors.items():
            if way.slide_build is not None:
                self.doors[name] = replace(way, slide=slide.first_state(way.slide_build, armed=armed))

    def put_aboard(self, count: int) -> None:
        """Have ``count`` passengers aboard at once: for a starting picture only."""
        self.people = people.PeopleState(float(count), count)

    def run_engines(self) -> None:
        """Have every engine at idle at once: for a starting picture only."""
        self.engines = dict.fromkeys(self.engines, engines.at_idle())

    def board(self, order: Order) -> None:
        wanted = min(self.airframe.seats, int(order.value or 0))
        self.people = replace(self.people, wanted=wanted)

    def want_engine(self, number: int, *, wanted: bool) -> None:
        self.engines[number] = replace(self.engines[number], wanted=wanted)

    def stop_engines(self, order: Order) -> None:
        for number in self.engines:
            self.want_engine(number, wanted=False)

    def supply_air(self, order: Order) -> None:
        """Connect an external supply that would settle at the ordered pressure (hPa)."""
        goal_pa = 100.0 * number_of(order, _SUPPLY_HPA)
        self.cabin = replace(self.cabin, inflow_m3_s=cabin.supply_for(self.cabin_build, goal_pa))

    def cut_air(self, order: Order) -> None:
        self.cabin = replace(self.cabin, inflow_m3_s=0.0)

    def open_outflow_valve(self, order: Order) -> None:
        """Open the outflow valve as far as the order says (cm² of discharge area)."""
        self.cabin = replace(self.cabin, outflow_cda_m2=number_of(order, _OUTFLOW_CM2) * 1e-4)

    def shut_outflow_valve(self, order: Order) -> None:
        self.cabin = replace(self.cabin, outflow_cda_m2=0.0)

    def taxi(self, order: Order) -> None:
        self.speed_to_kt = float(order.value or 0.0)

    def take_off(self, order: Order) -> None:
        self.on_ground = False
        self.speed_to_kt = 240.0
        self.cabin = replace(self.cabin, goal_pa=_CRUISE_PA, goal_pa_per_s=600.0)

    def approach(self, order: Order) -> None:
        self.speed_to_kt = 130.0
        self.cabin = replace(self.cabin, goal_pa=_TOUCHDOWN_PA, goal_pa_per_s=800.0)

    def land(self, order: Order) -> None:
        self.on_ground = True
        self.speed_to_kt = 18.0
        self.cabin = replace(self.cabin, goal_pa=None)


def _doorway(kind: DoorType, rng: random.Random) -> Doorway:
    mechanism = door.mechanism_for(kind, rng)
    if not kind.slide:
        return Doorway(kind, mechanism, door.DoorState())
    build = slide.build_for(kind, rng)
    return Doorway(kind, mechanism, door.DoorState(), build, slide.first_state(build))


_AircraftOrder = Callable[[Aircraft, Order], None]


def _switch(name: str, on: bool) -> _AircraftOrder:
    return lambda plane, order: plane.switches.__setitem__(name, on)


def _setting(name: str, value: str) -> _AircraftOrder:
    return lambda plane, order: setattr(plane, name, value)


_AIRCRAFT_ORDERS: Final[Mapping[Verb, _AircraftOrder]] = MappingProxyType(
    {
        Verb.START_ENGINE: lambda plane, o: plane.want_engine(int(o.value or 0), wanted=True),
        Verb.STOP_ENGINE: lambda plane, o: plane.want_engine(int(o.value or 0), wanted=False),
        Verb.STOP_ENGINES: Aircraft.stop_engines,
        Verb.BEACON_ON: _switch("beacon", True),
        Verb.BEACON_OFF: _switch("beacon", False),
        Verb.SET_BRAKE: _switch("parking_brake", True),
        Verb.RELEASE_BRAKE: _switch("parking_brake", False),
        Verb.CHOCKS_IN: _switch("chocks", True),
        Verb.CHOCKS_OUT: _switch("chocks", False),
        Verb.START_REFUELLING: _switch("refuelling", True),
        Verb.STOP_REFUELLING: _switch("refuelling", False),
        Verb.DECLARE_EMERGENCY: _switch("emergency", True),
        Verb.END_EMERGENCY: _switch("emergency", False),
        Verb.BOARD: Aircraft.board,
        Verb.DEBOARD: Aircraft.board,
        Verb.SUPPLY_AIR: Aircraft.supply_air,
        Verb.CUT_AIR: Aircraft.cut_air,
        Verb.OPEN_OUTFLOW_VALVE: Aircraft.open_outflow_valve,
        Verb.SHUT_OUTFLOW_VALVE: Aircraft.shut_outflow_valve,
        Verb.POWER_ON: _setting("power", "on"),
        Verb.POWER_OFF: _setting("power", "off"),
        Verb.TAXI: Aircraft.taxi,
        Verb.STOP_TAXIING: Aircraft.taxi,
        Verb.REACH_STAND: lambda plane, o: setattr(plane, "stand", plane.home_stand),
        Verb.LEAVE_STAND: _setting("stand", ""),
        Verb.TAKE_OFF: Aircraft.take_off,
        Verb.APPROACH: Aircraft.approach,
        Verb.LAND: Aircraft.land,
    }
)
