"""What a rule is: one declarative entry of the hazard catalogue.

Owns the shape of an entry. How entries are judged, with delays, dead bands, latching,
suppression and changes of priority, is :mod:`monitor.core.judge`'s work, the same for
every rule; a further hazard is one further entry.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from monitor.core.airframe import DoorKind, DoorType
from monitor.core.alert import Priority
from monitor.core.kleene import Truth
from monitor.core.view import View

Parameters = Mapping[str, float]
Condition = Callable[[View, Parameters, bool], Truth]
"""(view, parameters, held) → whether it holds now. ``held``: it held when last judged,
which is what a dead band turns on."""


class Scope(enum.Enum):
    """Where a rule is judged and its alert stands."""

    DOOR = "door"
    AIRCRAFT = "aircraft"
    SITE = "site"


@dataclass(frozen=True, slots=True)
class Level:
    """One way in which a rule is met: the priority it gives and how long it must hold first.

    ``delay`` names the parameter with the on-delay in seconds, empty for none. Several
    levels may share a priority; each counts its own time.
    """

    priority: Priority
    when: Condition
    delay: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """One hazard.

    ``reads`` names what its conditions depend on: a door signal by its name, an airframe
    signal as ``airframe/…``, one of the aircraft's stand as ``stand/…``, a door signal of any
    door as ``doors/…`` (aircraft rules), and
    the facts ``state``, ``leaf``, ``jump``, ``feed``, ``presence``, ``clock``, ``broker``, ``proof``, ``overload``, and what
    :mod:`monitor.core.notes` remembers as ``memo/…``. It is
    judged only when one of them changes or its deadline comes. ``ends_at_once`` is a ground to end
    without waiting for ``off_delay``. ``slide_only`` leaves out
    doors without a slide. ``needs`` names those
    without which the hazard cannot be seen (for "deaf to"). ``suppressed_by`` names rules
    of the same door or aircraft that silence it while their alert stands; ``unless`` is a
    further ground to keep silent. ``names_signals``: its text names what is wrong now, and is
    renewed when that changes. Parameter names end with their unit;
    ``inherits`` names the rule whose thresholds count for those of the same name that config leaves alone.
    """

    code: str
    scope: Scope
    levels: tuple[Level, ...]
    reads: frozenset[str]
    text: Callable[[View, Priority], str]
    action: str
    consequence: str
    respond_within_s: float
    role: str
    basis: str
    summary: str
    kinds: frozenset[DoorKind] = frozenset()
    slide_only: bool = False
    needs: tuple[str, ...] = ()
    parameters: Parameters = field(default_factory=dict)
    inherits: str = ""
    off_delay: str = ""
    ends_at_once: Condition | None = None
    latching: bool = False
    names_signals: bool = False
    suppressed_by: tuple[str, ...] = ()
    unless: Callable[[View], bool] | None = None
    evidence: tuple[str, ...] = ()

    def applies_to(self, spec: DoorType) -> bool:
        """Tell whether a door of this type can meet the hazard at all."""
        return self.applies_to_kind(spec.kind, spec.slide)

    def applies_to_kind(self, kind: DoorKind, slide: bool) -> bool:
        """Tell whether a door of this kind, with a slide or without, can meet the hazard at all."""
        return kind in self.kinds and (slide or not self.slide_only)

    @property
    def priorities(self) -> tuple[Priority, ...]:
        """Every priority it can have, highest first."""
        order = [*reversed(Priority)]
        return tuple(priority for priority in order if any(level.priority is priority for level in self.levels))


CHATTER: Final = "signal-chatter"
"""The rule whose alert keeps its door's other alerts from being cleared."""

ALL_KINDS: Final = frozenset(DoorKind)
CABIN: Final = frozenset({DoorKind.CABIN})
SLIDES: Final = frozenset({DoorKind.CABIN, DoorKind.OVERWING})
HOLDS: Final = frozenset({DoorKind.CARGO, DoorKind.BULK, DoorKind.MAIN_DECK})

LEAF: Final = ("closed", "hold_open", "travel")
HANDLES: Final = ("handle_lifted", "outside_handle_lifted")
LOCKS: Final = ("latched", "locked", *HANDLES)
SLIDE: Final = ("lever_armed", "girt_left", "girt_right")
ENGINES: Final = tuple(f"airframe/engine_{n}_running" for n in range(1, 5))
GROUND: Final = "airframe/weight_on_wheels"
PRESSURE: Final = "airframe/differential_pressure_hpa"
EMERGENCY: Final = "airframe/emergency"


def door_name(view: View) -> str:
    """Name the door in a sentence."""
    return view.door.name if view.door is not None else "the aircraft"
