"""The aerodrome of the stories: the demo's, its types cut down to the doors that differ.

Owns which doors those are. Fewer doors make a story short enough to be told a thousand times.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Final

from monitor.adapters.wire import Wire
from monitor.core.airframe import Site
from tests.stories import demo_site

INSTANCE: Final = "sim"
DOORS: Final[Mapping[str, tuple[str, ...]]] = {
    "alder": ("L1", "CF", "OL1", "R2"),
    "birch": ("WL", "L1", "R1", "CB"),
    "hazel": ("H1", "L1", "CF", "R2"),
    "cedar": ("L1", "R3", "CA"),
    "larch": ("L1", "M1", "CA"),
}
"""Of each shipped type a door of every kind that it has alone, and two with a slide where there are."""


@cache
def sim_site() -> Site:
    """The site that every story is told at."""
    site = demo_site()
    types = {
        name: replace(airframe, doors={door: spec for door, spec in airframe.doors.items() if door in DOORS[name]})
        for name, airframe in site.types.items()
    }
    return replace(site, types=types)


@cache
def sim_wire() -> Wire:
    """Its codec."""
    site = sim_site()
    return Wire(site.name, INSTANCE, frozenset(site.types))
