"""Everything the core remembers, as plain data that a snapshot can carry.

Owns the records of aircraft, doors, senders and trackers. They hold data only: what a
reading means is decided in :mod:`monitor.core.view`, what follows in
:mod:`monitor.core.judge` and :mod:`monitor.core.system`. Times in µs.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
from typing import Annotated, Any

from pydantic import Field

from monitor.core.alert import Alert
from monitor.core.memos import EvacuationMemo, IdentityMemo, LeafMemo, SlideMemo, TransitMemo, TurnroundMemo
from monitor.core.overload import Overload
from monitor.core.procedures.run import Run
from monitor.core.signals import Quality, Value


class Presence(enum.StrEnum):
    """Where an aircraft is, as far as judging it goes."""

    PRESENT = "present"
    POWERED_DOWN = "powered_down"
    AWAY = "away"


@dataclass(slots=True)
class Reading:
    """The last reading taken of one signal.

    ``time`` is the sender's stamp (``None`` after a withdrawal), ``ahead`` that it was more
    than 60 s ahead of our clock, ``epoch`` the sender's restarts so far. ``stale`` is kept
    true to the instant by the aircraft's watch.
    """

    value: Value | None
    quality: Quality
    time: int | None
    seq: int | None
    bundle: bool
    ahead: bool
    received: int
    epoch: int
    stale: bool = False


@dataclass(slots=True)
class DroppedReading:
    """A dropped reading, kept to see whether its sender restarted."""

    door: str | None
    signal: str
    value: Value | None
    quality: Quality
    time: int | None
    seq: int | None
    bundle: bool


@dataclass(slots=True)
class DroppedRun:
    """Readings dropped in a row that themselves advance: a sender that restarted, if it goes on."""

    first_at: int
    newest: int | None = None
    seqs: dict[str, int] = field(default_factory=dict)
    held: dict[str, DroppedReading] = field(default_factory=dict)


@dataclass(slots=True)
class Sender:
    """A clock and a heartbeat at the other end: an aircraft's, a door's own, or a stand's.

    ``offsets`` holds the least offset (ours minus theirs, µs) of each minute of listening.
    """

    epoch: int = 0
    latest: int | None = None
    dropped: DroppedRun | None = None
    runs: dict[str, DroppedRun] = field(default_factory=dict)
    offsets: list[tuple[int, int]] = field(default_factory=list)
    listened: int = 0
    last_at: int | None = None
    usual: int | None = None
    ahead: bool = False
    backlog: bool = False
    heartbeat: int | None = None
    heartbeat_at: int | None = None


@dataclass(slots=True)
class Level:
    """How long one level of a rule has held: ``ran`` before the last pause, ``since`` now running.

    ``cause`` is what started it, ``late`` that it was behind its sender's usual offset.
    """

    held: bool = False
    ran: int = 0
    since: int | None = None
    cause: str = ""
    late: bool = False


@dataclass(slots=True)
class Tracker:
    """One rule at one place: its levels, the next moment it must be judged, and its alert."""

    levels: list[Level]
    deadline: int | None = None
    queued: int | None = None
    clear_since: int | None = None
    alert: Alert | None = None


@dataclass(slots=True)
class Report:
    """What a person said they saw: the value, who said it, and when it was taken."""

    value: Value
    by: str
    at: int


@dataclass(slots=True)
class DoorRecord:
    """One door. ``armed_moved_since`` and ``outside_since`` time the two handles for `armed-handle-moved`.

    ``slide_removed``: a permit declares its slide taken out. ``flips`` holds the moments of the last
    changes of each yes-or-no signal that changes often, ``reports`` what people said they saw.
    ``travel_shown`` is what its document last said, ``travel_due`` that a newer one is on its way;
    ``…_noted`` is what was last kept of how it stands. ``run`` is the run of a procedure that goes on, ``last_run``
    what was told of the last one that ended, ``ready`` which procedures the next edge may begin: that follows from the
    rest, so no snapshot carries it.
    """

    name: str
    since: int
    state: str = "unknown"
    leaf_out: bool | None = None
    implausible: bool = False
    jumps: int = 0
    slow_jumps: list[int] = field(default_factory=list)
    jump_standing: bool = False
    last_bundle_at: int | None = None
    bundle_slow: bool = False
    deployed: bool = False
    released_in_emergency: bool = False
    armed_moved_since: int | None = None
    outside_since: int | None = None
    docked: bool = False
    access_left: bool = False
    slide_removed: bool = False
    slide_memo: SlideMemo | None = None
    leaf_memo: LeafMemo | None = None
    transit_memo: TransitMemo | None = None
    flips: dict[str, list[int]] | None = None
    reports: dict[str, Report] | None = None
    sender: Sender | None = None
    readings: dict[str, Reading] = field(default_factory=dict)
    trackers: dict[str, Tracker] = field(default_factory=dict)
    raised: dict[str, int] = field(default_factory=dict)
    run: Run | None = None
    last_run: dict[str, Any] | None = None
    ready: Annotated[tuple[str, ...], Field(exclude=True)] = field(default=(), compare=False)
    shown: Annotated[int, Field(exclude=True)] = field(default=0, compare=False)
    travel_shown: Annotated[float | None, Field(exclude=True)] = field(default=None, compare=False)
    travel_due: Annotated[bool, Field(exclude=True)] = field(default=False, compare=False)
    state_noted: str = ""
    slide_noted: str = ""
    deaf_to: tuple[tuple[str, ...], ...] = ()
    deafness_noted: bool = False


@dataclass(slots=True)
class AircraftRecord:
    """One aircraft. ``type`` is empty until it is known; readings wait in ``held`` till then.

    ``pressure_low`` and ``wind_low`` only spare work under this run's limits, and ``readiness_…`` what was last
    published of its answers, so no snapshot carries them.
    """

    reg: str
    first_seen: int
    type: str = ""
    stand: str = ""
    presence: Presence = Presence.PRESENT
    parked: bool = False
    sent_away: bool = False
    off_ground_since: int | None = None
    simulated: bool = False
    live_at: int | None = None
    newest_time: int | None = None
    left_on_broker: bool = False
    calm_until: int = 0
    feed_grace_until: int = 0
    watch: int | None = None
    sender: Sender = field(default_factory=Sender)
    pressures: list[tuple[int, float]] = field(default_factory=list)
    readings: dict[str, Reading] = field(default_factory=dict)
    doors: dict[str, DoorRecord] = field(default_factory=dict)
    trackers: dict[str, Tracker] = field(default_factory=dict)
    raised: dict[str, int] = field(default_factory=dict)
    held: dict[str, Reading] = field(default_factory=dict)
    held_dropped: int = 0
    pressure_low: Annotated[bool, Field(exclude=True)] = field(default=False, compare=False)
    wind_low: Annotated[bool, Field(exclude=True)] = field(default=False, compare=False)
    last_cause: str = ""
    evacuation: EvacuationMemo | None = None
    turnround: TurnroundMemo | None = None
    identity: IdentityMemo | None = None
    claim: str = ""
    readiness_due: Annotated[int | None, Field(exclude=True)] = field(default=None, compare=False)
    readiness_later: Annotated[int | None, Field(exclude=True)] = field(default=None, compare=False)
    readiness_at: Annotated[int, Field(exclude=True)] = field(default=0, compare=False)
    readiness_shown: Annotated[Any, Field(exclude=True)] = field(default=None, compare=False)
    deaf_to: tuple[tuple[str, ...], ...] = ()
    deafness_noted: bool = False


@dataclass(slots=True)
class StandRecord:
    """One stand's weather; ``watch`` is when the next of its readings goes stale."""

    name: str
    watch: int | None = None
    sender: Sender = field(default_factory=Sender)
    readings: dict[str, Reading] = field(default_factory=dict)


@dataclass(slots=True)
class Permit:
    """Hazards that a person took out of service for a while.

    ``doors`` as it was asked for (empty: the whole aircraft), ``places`` the (door, code) pairs
    that are out while it runs. A drill may have a ``name`` and name the ``procedure`` that is drilled.
    """

    permit_id: str
    kind: str
    aircraft: str
    doors: tuple[str, ...]
    places: tuple[tuple[str, str], ...]
    granted_at: int
    until: int
    by: str
    reason: str
    name: str = ""
    procedure: str = ""


@dataclass(slots=True)
class ProofRecord:
    """The canary of :mod:`monitor.core.proving`; ``aircraft`` stands here and in no list of aircraft.

    ``expected``: proofs are sent. ``awaited_since``: when the broker last came back; ``passed_at``: when the last
    proof passed.
    """

    expected: bool = False
    awaited_since: int = 0
    passed_at: int | None = None
    aircraft: AircraftRecord | None = None


@dataclass(slots=True)
class SiteRecord:
    """The whole state of one instance."""

    at: int = 0
    broker_connected: bool = True
    broker_why: str = ""
    aircraft: dict[str, AircraftRecord] = field(default_factory=dict)
    stands: dict[str, StandRecord] = field(default_factory=dict)
    permits: dict[str, Permit] = field(default_factory=dict)
    permits_granted: int = 0
    overload: Overload = field(default_factory=Overload)
    proof: ProofRecord = field(default_factory=ProofRecord)
    trackers: dict[str, Tracker] = field(default_factory=dict)
    raised: dict[str, int] = field(default_factory=dict)
