"""What :mod:`monitor.core.notes` remember of doors and aircraft, as plain data that a snapshot can carry.

Owns one memo for each module of notes, which alone writes it; rules read it. Times in µs.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class SlideMemo:
    """When a door's slide and handles did what its slide's time limits run from. Set by ``notes.slides``.

    ``handle_at``: either handle moved off its stop, ``inside_at`` the inside one; kept until it is
    home with the leaf in its frame, ``handle_at`` also while the slide is out. ``opened``: the leaf was
    held open since ``inside_at``. ``left_at``: the leaf left its frame with the slide engaged, and neither
    came back nor was the slide released since. ``erect``: the slide that is out was seen erect.
    """

    handle_at: int | None = None
    inside_at: int | None = None
    opened: bool = False
    left_at: int | None = None
    erect: bool = False


@dataclass(slots=True)
class LeafMemo:
    """How a door's leaf and selector last moved. Set by ``notes.leaf``.

    ``ajar_since`` and ``ajar_ran`` time how long it has been ajar, paused while that is not known.
    ``position`` is the travel as known now; ``mark`` the last one that differed by more than noise
    from the one before, at ``moved_at``. ``drive`` is what moves a powered leaf: "selector", "pump",
    "" for neither, ``None`` for not known; ``rest`` its travel once at rest, taken at ``rest_at``.
    """

    ajar_since: int | None = None
    ajar_ran: int = 0
    position: float | None = None
    mark: float | None = None
    moved_at: int | None = None
    drive: str | None = None
    rest_at: int | None = None
    rest: float | None = None


@dataclass(slots=True)
class Transits:
    """How long a leaf's ways in one direction took, in ms.

    ``usual`` holds the last that were like those before, ``strays`` those in a row that were not.
    ``last_ms`` is the last of all, ``median_ms`` and ``mad_ms`` what ``usual`` said before it
    (``None``: too few to say).
    """

    usual: list[int] = field(default_factory=list)
    strays: list[int] = field(default_factory=list)
    last_ms: int | None = None
    median_ms: int | None = None
    mad_ms: int = 0


@dataclass(slots=True)
class TransitMemo:
    """A door's openings and closings: the one under way, and how long the last ones took. Set by ``notes.transits``.

    ``way`` is "opening", "closing" or "" and began at ``since``, by its sender's ``stamp``; the leaf
    was last seen to move at ``moved_at``. ``seated``: it was last known to be in its frame.
    ``opened_at`` is since when it stands open, ``out`` that it was open since it last left its frame. ``dwells`` holds the last times it stood open, in ms.
    """

    way: str = ""
    since: int = 0
    stamp: int | None = None
    moved_at: int | None = None
    seated: bool = False
    opened_at: int | None = None
    out: bool = False
    cycles: int = 0
    dwells: list[int] = field(default_factory=list)
    opening: Transits = field(default_factory=Transits)
    closing: Transits = field(default_factory=Transits)


@dataclass(slots=True)
class EvacuationMemo:
    """What is remembered of an evacuation while it lasts, and after it. Set by ``notes.slides``.

    ``declared``: an emergency is declared, or was since the evacuation began. ``last_at``: the last
    moment of an evacuation that was under way; 0 before any.
    """

    declared: bool = False
    last_at: int = 0


@dataclass(slots=True)
class TurnroundMemo:
    """What beacon and engines did since the aircraft came or will go. Set by ``notes.turnround``.

    ``ran``: an engine ran when last known. ``lit``: the beacon as last known; ``anew``: it has come on
    since the last engine stopped. ``departing`` as it stands now. ``engaged``: the cabin slides engaged
    when the last engine stopped and ever since. ``disengaged``: any cabin slide is disengaged now.
    """

    ran: bool = False
    lit: bool | None = None
    anew: bool | None = None
    departing: bool | None = None
    engaged: list[str] = field(default_factory=list)
    disengaged: bool | None = None


@dataclass(slots=True)
class Beat:
    """A heartbeat as it came: its count, its sender's stamp, and when it was received (µs)."""

    count: int
    time: int
    at: int
    plain: bool


@dataclass(slots=True)
class IdentityMemo:
    """Signs that two senders speak as one aircraft. Set by ``notes.identity``.

    ``old`` and ``new`` are the last beats of two series that may go on side by side, ``began`` the
    beat that the older is measured from, ``crossings`` how often they took turns and
    ``plain_crossings`` how often of these beyond doubt. ``shared_with`` lists who else claims the
    aircraft's stand; those in ``accepted`` a person let stand there, as long as it is ``accepted_at``.
    """

    old: Beat | None = None
    new: Beat | None = None
    began: Beat | None = None
    odd_since: int = 0
    new_is_last: bool = False
    crossings: int = 0
    plain_crossings: int = 0
    two_senders: bool = False
    other_type: str = ""
    shared_with: list[str] = field(default_factory=list)
    accepted: list[str] = field(default_factory=list)
    accepted_at: str = ""
