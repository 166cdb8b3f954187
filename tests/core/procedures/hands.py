"""Hands at a simulated aircraft's doors, whose sensors tell a story.

Owns the kit: orders to the simulators' own models, their readings into the real core through the wire, and the
runs that came of it. It asserts nothing.
"""

from __future__ import annotations

import random
from typing import Any, Final

from monitor.core.airframe import Site
from monitor.core.effects import Document, NoteRun, PublishProcedure
from monitor.core.events import DoorReported, PermitGranted
from monitor.core.times import SECOND
from simulators.aircraft import Aircraft
from simulators.orders import Order, Verb
from tests.stories import REG, Story, demo_site

STEP_S: Final = 0.1


class Hands:
    """One aircraft of ``type`` on its stand, every door shut and every slide disarmed; time runs in tenths of a second."""

    def __init__(self, type: str = "cedar", *, site: Site | None = None, armed: bool = False, seed: int = 1) -> None:  # noqa: A002
        self.story = Story(site=site or demo_site(), type=type)
        self.plane = Aircraft(REG, self.story.site.types[type], "S12", random.Random(seed))
        self.plane.arm_all(armed=armed)
        self.sent: dict[str, Any] = {}
        self.withheld: set[str] = set()
        self.forced: dict[str, Any] = {}
        self.story.bundle(self._fresh(), 0.0)
        self.story.beating = True
        self.wait(1.0)

    def _fresh(self) -> dict[str, Any]:
        now = {f"airframe/{name}": value for name, value in self.plane.airframe_readings().items()}
        for name in self.plane.doors:
            now |= {f"door/{name}/{signal}": value for signal, value in self.plane.door_readings(name).items()}
        now |= self.forced
        fresh = {path: v for path, v in now.items() if path not in self.withheld and self.sent.get(path, "?") != v}
        self.sent |= fresh
        return fresh

    def do(self, verb: Verb, door: str | None = None, value: Any = None) -> Hands:
        """Give an order."""
        self.plane.obey(Order(verb, door=door, value=value), self.story.now)
        return self

    def force(self, path: str, value: Any) -> Hands:
        """Have a sensor show something, whatever the door does."""
        self.forced[path] = value
        return self

    def wait(self, seconds: float) -> Hands:
        """Let time pass, and tell what the sensors show, one message each."""
        for _ in range(round(seconds / STEP_S)):
            self.story.until(self.story.clock + STEP_S)
            self.plane.step(self.story.now, STEP_S)
            for path, value in self._fresh().items():
                self.story.send(path, value)
        return self

    def drill(self, procedure: str, *doors: str, name: str = "drill one", minutes: float = 30) -> str:
        """Have a drill begin; return its id."""
        until = self.story.now + round(minutes * 60 * SECOND)
        self.story.step(
            PermitGranted("drill", REG, doors, (), until, "Ann", "training", name=name, procedure=procedure)
        )
        permits = self.story.system.record.permits
        return next(reversed(permits), "")

    def report(self, door: str, *steps: str) -> list[Any]:
        """Have a person say that steps are done."""
        return self.story.step(DoorReported(REG, door, (), "Ann", "", steps=steps))

    # What came of it

    def told(self, door: str = "L1") -> Document:
        """What is told of a door's procedure now; ``KeyError`` where nothing is."""
        for effect in reversed(self.story.effects):
            if isinstance(effect, PublishProcedure) and effect.door == door and effect.document is not None:
                return effect.document
        raise KeyError(f"nothing is told of a procedure at {door}")

    def ended(self) -> list[Document]:
        """The runs that have ended, in order."""
        return [effect.document for effect in self.story.effects if isinstance(effect, NoteRun)]


def states(document: Document) -> dict[str, str]:
    """What became of each step."""
    return {step["step"]: step["state"] for step in document["steps"]}


def faults(document: Document) -> dict[str, str]:
    """What became of the steps that were not simply taken."""
    return {step: state for step, state in states(document).items() if state not in ("taken", "waiting", "due")}
