"""One aircraft on stage: it follows its plan, suffers what is scripted, and speaks through its feed.

Owns the playing of a plan (with holds) and of scripts in one aircraft's own time. Two
times are handed in: ``now``, the simulated one (µs), and the wire's, which runs slower or
faster by the speed that was asked for.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from monitor.core.signals import Value
from monitor.core.times import SECOND
from simulators.aircraft import Aircraft
from simulators.feed import Feed
from simulators.models.sensor import Fault
from simulators.orders import SCOPES, Order, Scope, Verb
from simulators.publication import Publication
from simulators.turnaround import Plan

_REHEARSAL_STEP_S = 0.25

_AILMENTS: Final[Mapping[Verb, Callable[[Fault, float | None], Fault]]] = MappingProxyType(
    {
        Verb.BOUNCE: lambda fault, number: replace(fault, bounce_s=0.8 if number is None else number),
        Verb.BIAS: lambda fault, number: replace(fault, bias=number or 0.0),
        Verb.DRIFT: lambda fault, number: replace(fault, drift_per_min=number or 0.0),
        Verb.DELAY: lambda fault, number: replace(fault, delay_s=number or 0.0),
        Verb.DROP_OUT: lambda fault, number: replace(fault, silent_share=(50.0 if number is None else number) / 100.0),
        Verb.STICK: lambda fault, number: replace(fault, stuck=True),
    }
)
"""What each order to break a sensor adds to what ails it; the number is what follows the phrase."""

NextPlan = Callable[[Aircraft, random.Random], Plan]
"""Makes the plan that follows when one is over."""


class Actor:
    """An aircraft with its plan, its scripts and its feed; ``next_plan`` is ``None`` where no plan is followed."""

    def __init__(self, plane: Aircraft, feed: Feed, rng: random.Random, next_plan: NextPlan | None = None) -> None:
        self.plane = plane
        self.feed = feed
        self._rng = rng
        self._next_plan = next_plan
        self._plan: Plan | None = None
        self._begun = 0
        self._index = 0
        self._script: list[tuple[int, int, Order]] = []
        self._scripted = 0
        self._spared_until = 0
        self._changed = set(plane.doors)
        self._airframe_state: tuple[object, ...] = ()

    def occupied(self, now: int) -> bool:
        """Return true while an incident on this aircraft is still being played or got over."""
        return now < self._spared_until or self.feed.disturbed

    def follow(self, plan: Plan, begun: int) -> None:
        """Follow ``plan`` as if it had begun at ``begun`` (µs, simulated)."""
        self._plan, self._begun, self._index = plan, begun, 0

    def rehearse(self, orders: Iterable[Order], start: int, seconds: float) -> None:
        """Live through ``orders`` and what the plan holds in the ``seconds`` before ``start``, unheard."""
        for order in orders:
            self.give(order, start)
        step = round(_REHEARSAL_STEP_S * SECOND)
        first = start - round(seconds * SECOND)
        for now in range(first + (start - first) % step, start, step):
            self.step(now, _REHEARSAL_STEP_S)
        self._changed = set(self.plane.doors)

    def play(self, steps: Iterable[tuple[float, Order]], now: int, *, hold_s: float = 0.0) -> None:
        """Script orders at seconds after ``now``; the plan waits ``hold_s`` so that neither upsets the other."""
        for after_s, order in steps:
            self._scripted += 1
            heapq.heappush(self._script, (now + round(after_s * SECOND), self._scripted, order))
        self._begun += round(hold_s * SECOND)
        last = max((due for due, _, _ in self._script), default=now)
        self._spared_until = max(self._spared_until, last, now + round(hold_s * SECOND)) + 20 * SECOND

    def give(self, order: Order, now: int) -> None:
        """Carry out one order now. Orders to the weather are not an aircraft's."""
        scope = SCOPES[order.verb]
        if scope is Scope.FEED:
            self._order_feed(order)
        elif scope is Scope.READING:
            self._falsify(order)
        else:
            self.plane.obey(order, now)

    def _order_feed(self, order: Order) -> None:
        if order.verb is Verb.SHIFT_CLOCK:
            self.feed.shift_clock(float(order.value or 0.0))
        elif order.verb is Verb.FALL_SILENT:
            self.feed.fall_silent()
        else:
            self.feed.speak_again()

    def _falsify(self, order: Order) -> None:
        key = str(order.signal)
        if order.verb is Verb.SET_READING and order.value is not None:
            self.feed.falsify(key, order.value)
        elif order.verb is Verb.SET_QUALITY:
            self.feed.mark(key, str(order.value))
        elif order.verb is Verb.WITHHOLD_READING:
            self.feed.withhold(key)
        elif order.verb in _AILMENTS:
            number = None if order.value is None else float(order.value)
            fault = _AILMENTS[order.verb](self.feed.fault_of(key), number)
            self.feed.ail(key, fault, random.Random(f"{self._rng.random()}:{key}"))
        else:
            self.feed.release(key)

    def step(self, now: int, dt_s: float) -> list[Order]:
        """Let ``dt_s`` seconds pass up to ``now``; return the orders that are for the weather."""
        weather: list[Order] = []
        while self._script and self._script[0][0] <= now:
            order = heapq.heappop(self._script)[2]
            if SCOPES[order.verb] is Scope.STAND:
                weather.append(order)
            else:
                self.give(order, now)
        self._advance_plan(now)
        self._changed |= self.plane.step(now, dt_s)
        return weather

    def next_due_us(self, now: int) -> int:
        """Return when something may happen or be sent next (µs): ``now`` while anything moves."""
        if not self.plane.still:
            return now
        dues = [self.feed.next_due_us()]
        if self._script:
            dues.append(self._script[0][0])
        if self._plan is not None:
            left = self._index < len(self._plan.actions)
            next_s = self._plan.actions[self._index].at_s if left else self._plan.length_s
            dues.append(self._begun + round(next_s * SECOND))
        return max(now, min(dues))

    def _advance_plan(self, now: int) -> None:
        plan = self._plan
        if plan is None:
            return
        at_s = (now - self._begun) / SECOND
        while self._index < len(plan.actions) and plan.actions[self._index].at_s <= at_s:
            self.plane.obey(plan.actions[self._index].order, now)
            self._index += 1
        if at_s >= plan.length_s and self._next_plan is not None:
            self.follow(self._next_plan(self.plane, self._rng), now)

    def publish(self, wire_now: int) -> list[Publication]:
        """Return what the feed sends at ``wire_now``."""
        plane = self.plane
        shown: dict[str, Value] = {}
        state = plane.airframe_state()
        if state != self._airframe_state:
            self._airframe_state = state
            shown = {f"airframe/{signal}": value for signal, value in plane.airframe_readings().items()}
        if self._changed:
            # In the order of the type, so that the same changes are always told alike.
            for name in [name for name in plane.doors if name in self._changed]:
                shown |= {f"door/{name}/{signal}": value for signal, value in plane.door_readings(name).items()}
            self._changed.clear()
        return self.feed.publish(wire_now, shown)
