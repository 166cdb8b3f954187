"""What must be remembered of a door or an aircraft beyond its last readings.

Owns when memory is taken: once the readings of one instant are in and the door's state is
moved, before any rule is judged. Each module keeps one memo of :mod:`monitor.core.memos`
and says which signals it goes by (``SIGNALS``). A memo holds facts and moments, never a
verdict; nothing here raises an alert.
"""

from __future__ import annotations

from typing import Final

from monitor.core.notes import leaf, slides, transits, turnround
from monitor.core.view import View

NOTED: Final = slides.SIGNALS | leaf.SIGNALS | transits.SIGNALS | {"*", "leaf", "state"}
"""What may change at a door that is remembered."""

NOTED_AIRCRAFT: Final = slides.AIRFRAME | turnround.AIRFRAME | {"*"}


def note_door(view: View, changes: set[str]) -> None:
    """Remember what one instant's changes mean for a door; may add names to ``changes``, which rules read."""
    slides.note_door(view, changes)
    leaf.note_door(view, changes)
    transits.note_door(view, changes)


def note_aircraft(view: View, air: set[str], doors: dict[str | None, set[str]]) -> None:
    """Remember what one instant's changes mean for the whole aircraft; may add names to ``air``, which rules read.

    ``doors`` holds what changed at each door, its memos already taken.
    """
    slides.note_aircraft(view, air, doors)
    turnround.note_aircraft(view, air, doors)
