"""What each order does to a door and to its slide.

Owns the two tables from verbs to changes of state. It never lets time pass: that is for the
models.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from simulators.models import door, slide
from simulators.orders import NEEDS_ACTUATOR, Order, Verb

_WORN_PER_CENT: Final = 70.0
_LEAK_CM3_S: Final = 3.0
_LOST_BAR_PER_S: Final = 8.0


def number_of(order: Order, usual: float) -> float:
    """Return the number that follows the order's phrase, or what is usual."""
    return usual if order.value is None else float(order.value)


def order_door(mechanism: door.Mechanism, state: door.DoorState, order: Order, pace: float) -> door.DoorState:
    """Do to a door what ``order`` says; nothing where it is for an actuator that the door does not have."""
    actuator = mechanism.actuator
    if actuator is None:
        return state if order.verb in NEEDS_ACTUATOR else _DOOR_ORDERS[order.verb](state, order, pace)
    if order.verb is Verb.LOSE_ACTUATOR_PRESSURE:
        return door.losing(state, actuator, _LOST_BAR_PER_S)
    return _DOOR_ORDERS[order.verb](state, order, pace)


def order_slide(build: slide.SlideBuild, state: slide.SlideState, order: Order) -> slide.SlideState:
    """Do to a slide what ``order``, one of those that need a slide, says."""
    return _SLIDE_ORDERS[order.verb](build, state, order)


_DoorOrder = Callable[[door.DoorState, Order, float], door.DoorState]
_SlideOrder = Callable[[slide.SlideBuild, slide.SlideState, Order], slide.SlideState]


def _lifted(order: Order) -> float:
    return min(1.0, number_of(order, 1.0))


def _share(order: Order, usual_per_cent: float) -> float:
    """Read per cent as a share of one."""
    return min(100.0, number_of(order, usual_per_cent)) / 100.0


_DOOR_ORDERS: Final[Mapping[Verb, _DoorOrder]] = MappingProxyType(
    {
        Verb.OPEN: lambda s, o, pace: door.begin_opening(s, pace=pace),
        Verb.OPEN_OUTSIDE: lambda s, o, pace: door.begin_opening(s, pace=pace, outside=True),
        Verb.CLOSE: lambda s, o, pace: door.begin_closing(s, pace=pace),
        Verb.LIFT_HANDLE: lambda s, o, pace: replace(s, handle_to=_lifted(o)),
        Verb.LOWER_HANDLE: lambda s, o, pace: replace(s, task=door.Task.NONE, handle_to=0.0),
        Verb.LIFT_OUTSIDE_HANDLE: lambda s, o, pace: replace(s, outside_to=1.0),
        Verb.LOWER_OUTSIDE_HANDLE: lambda s, o, pace: replace(s, task=door.Task.NONE, outside_to=0.0),
        Verb.DOCK: lambda s, o, pace: replace(s, access=str(o.value)),
        Verb.WITHDRAW_ACCESS: lambda s, o, pace: replace(s, access="none"),
        Verb.FIT_BARRIER: lambda s, o, pace: replace(s, barrier=True),
        Verb.REMOVE_BARRIER: lambda s, o, pace: replace(s, barrier=False),
        Verb.REMOVE_COVER: lambda s, o, pace: replace(s, cover=False),
        Verb.FIT_COVER: lambda s, o, pace: replace(s, cover=True),
        Verb.SET_SELECTOR: lambda s, o, pace: replace(s, task=door.Task.NONE, selector=str(o.value)),
        Verb.WORK_HAND_PUMP: lambda s, o, pace: door.begin_pumping(s),
        Verb.REST_HAND_PUMP: lambda s, o, pace: replace(s, hand_pump=False),
        Verb.STROKE_HAND_PUMP: lambda s, o, pace: door.begin_pumping(s, int(o.value or 0)),
        Verb.FAIL_ELECTRIC_PUMP: lambda s, o, pace: replace(s, pump_failed=True),
        Verb.MEND_ELECTRIC_PUMP: lambda s, o, pace: replace(s, pump_failed=False),
        Verb.LET_ACTUATOR_LEAK: lambda s, o, pace: replace(s, leak_cm3_s=number_of(o, _LEAK_CM3_S)),
        Verb.MEND_ACTUATOR: lambda s, o, pace: replace(s, leak_cm3_s=0.0, sink_per_s=0.0),
        Verb.WEAR_DAMPER: lambda s, o, pace: replace(s, damper_worn=_share(o, _WORN_PER_CENT)),
        Verb.RENEW_DAMPER: lambda s, o, pace: replace(s, damper_worn=0.0, drag=1.0),
        Verb.STIFFEN_LEAF: lambda s, o, pace: replace(s, drag=3.0),
        Verb.LET_LEAF_SINK: lambda s, o, pace: replace(s, sink_per_s=0.02),
    }
)

_SLIDE_ORDERS: Final[Mapping[Verb, _SlideOrder]] = MappingProxyType(
    {
        Verb.ARM_SLIDE: lambda b, s, o: slide.arm(s),
        Verb.DISARM_SLIDE: lambda b, s, o: slide.disarm(s),
        Verb.FIT_PIN: lambda b, s, o: replace(s, pin_to=True, pin=True),
        Verb.REMOVE_PIN: lambda b, s, o: replace(s, pin_to=False),
        Verb.REPLACE_SLIDE: lambda b, s, o: slide.replaced(b, s),
        Verb.JAM_LEFT_GIRT: lambda b, s, o: replace(s, jam_left=True),
        Verb.JAM_RIGHT_GIRT: lambda b, s, o: replace(s, jam_right=True),
        Verb.FREE_GIRTS: lambda b, s, o: replace(s, jam_left=False, jam_right=False),
        Verb.BLOCK_SLIDE: lambda b, s, o: replace(s, stuck=True),
        Verb.SLOW_SLIDE: lambda b, s, o: replace(s, slow=True),
        Verb.PULL_INFLATION_HANDLE: lambda b, s, o: replace(s, inflation_handle=True),
        Verb.DETACH_SLIDE: lambda b, s, o: replace(s, detached=True),
        Verb.LEAK_SLIDE_BOTTLE: lambda b, s, o: slide.leaking(s, slide=True),
        Verb.LEAK_ASSIST_BOTTLE: lambda b, s, o: slide.leaking(s, assist=True),
        Verb.CHARGE_SLIDE_BOTTLE: lambda b, s, o: slide.charged(s, bottle_share=_share(o, 100.0)),
        Verb.CHARGE_ASSIST_BOTTLE: lambda b, s, o: slide.charged(s, assist_share=_share(o, 100.0)),
    }
)
