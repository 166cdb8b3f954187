"""What may happen to the system: readings, people's actions and the feed itself.

Owns the input values of :meth:`monitor.core.system.System.step`. Names are in the
past tense. Times are microseconds since the Unix epoch; ``time`` is the sender's
stamp, never ours. A person's action carries ``by`` (who) and ``origin`` (from where); what boards
say of themselves carries neither.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.core.signals import Quality, Value


class Item(NamedTuple):
    """One reading: ``door`` is ``None`` for an airframe signal, ``value`` ``None`` withdraws it."""

    door: str | None
    signal: str
    value: Value | None
    quality: Quality


class ReadingsArrived(NamedTuple):
    """One message from an aircraft: a single reading on its own topic, or a bundle.

    ``time`` and ``seq`` are ``None`` for a withdrawal (an empty payload). Every item
    has passed :meth:`monitor.core.signals.Signal.check`; whether the aircraft's type
    has such a door is for the core to say. ``retained`` is the delivery's retain flag, ``again``
    that it was made before: it may come after newer ones, and says nothing of its sender's clock.
    """

    aircraft: str
    topic: str
    bundle: bool
    time: int | None
    seq: int | None
    retained: bool
    simulated: bool
    items: tuple[Item, ...]
    again: bool = False


class StandReadingArrived(NamedTuple):
    """One reading of a stand's weather; ``again`` as for :class:`ReadingsArrived`."""

    stand: str
    topic: str
    time: int | None
    seq: int | None
    retained: bool
    simulated: bool
    signal: str
    value: Value | None
    quality: Quality
    again: bool = False


class ReadingsShed(NamedTuple):
    """Under overload messages were left out, as :mod:`monitor.core.overload` names the reasons.

    ``counts``: (reason, how many). ``readings``: (aircraft, door, signal) of which the newest was among
    them; ``weather``: (stand, signal) likewise. ``heard``: the aircraft that sent them live.
    ``waiting``: how many messages waited meanwhile.
    """

    counts: tuple[tuple[str, int], ...]
    readings: tuple[tuple[str, str | None, str], ...]
    weather: tuple[tuple[str, str], ...]
    heard: tuple[str, ...]
    waiting: int


class MonitorStarted(NamedTuple):
    """This instance came up (again); until the broker answers, nothing is being heard."""


class BrokerConnected(NamedTuple):
    """The broker connection stands."""


class BrokerDisconnected(NamedTuple):
    """The broker connection is lost; ``why`` is a short phrase."""

    why: str


class ProofsExpected(NamedTuple):
    """From now on proofs are sent (``expected``), or are no longer: by its configuration, at a start."""

    expected: bool


class ProofPassed(NamedTuple):
    """A handle lifted for proof came through broker, core, journal and stream; ``took_us`` from sending to the last."""

    took_us: int


class AlertAcknowledged(NamedTuple):
    """A person has seen the alert; ``seen`` is the ``changed_at`` they saw (µs), if they named it."""

    alert_id: str
    by: str
    reason: str
    seen: int | None
    origin: str = ""


class AlertUnacknowledged(NamedTuple):
    """A person withdrew an acknowledgement."""

    alert_id: str
    by: str
    reason: str
    seen: int | None
    origin: str = ""


class AlertShelved(NamedTuple):
    """A person set the alert aside until ``until`` (µs)."""

    alert_id: str
    by: str
    reason: str
    until: int
    seen: int | None
    origin: str = ""


class AlertUnshelved(NamedTuple):
    """A person took the alert back from the shelf."""

    alert_id: str
    by: str
    reason: str
    seen: int | None
    origin: str = ""


class AlertClosed(NamedTuple):
    """A person closed an alert whose inputs are unknown (a blind one), having looked."""

    alert_id: str
    by: str
    reason: str
    seen: int | None
    origin: str = ""


class AlertLeftUndrawn(NamedTuple):
    """No board in sight has drawn an alert in time: nobody may know of it."""

    alert_id: str


class AlertDrawn(NamedTuple):
    """A board has drawn an alert after all."""

    alert_id: str


class DoorReset(NamedTuple):
    """A person put a door whose slide was released back into service."""

    aircraft: str
    door: str
    by: str
    reason: str
    origin: str = ""


class PresenceDeclared(NamedTuple):
    """A person said where an aircraft is: ``present``, ``powered_down`` or ``away``."""

    aircraft: str
    presence: str
    by: str
    reason: str
    origin: str = ""


class DoorReported(NamedTuple):
    """A person said what they saw at a door: (signal, value) pairs; ``None`` takes an earlier word back.

    ``steps`` are steps of the procedure that goes on there which they say are done.
    """

    aircraft: str
    door: str
    sees: tuple[tuple[str, bool | str | None], ...]
    by: str
    reason: str
    origin: str = ""
    steps: tuple[str, ...] = ()


class IdentitySettled(NamedTuple):
    """A person settled which sender speaks as an aircraft: what conflicted before is done with."""

    aircraft: str
    by: str
    reason: str
    origin: str = ""


class PermitGranted(NamedTuple):
    """A person took hazards out of service until ``until`` (µs).

    ``doors`` empty: the whole aircraft; ``-`` among them: the aircraft as a whole. ``codes``
    may be empty where ``kind`` implies them, or needs none. ``name`` and ``procedure`` are a drill's own.
    """

    kind: str
    aircraft: str
    doors: tuple[str, ...]
    codes: tuple[str, ...]
    until: int
    by: str
    reason: str
    origin: str = ""
    name: str = ""
    procedure: str = ""


class PermitEnded(NamedTuple):
    """A person ended a permit before its time."""

    permit_id: str
    by: str
    reason: str
    origin: str = ""


class DeliveryReplayed(NamedTuple):
    """A person had an event sent again that was laid aside undelivered; ``letter`` is its number in the outbox."""

    letter: str
    by: str
    reason: str
    origin: str = ""


class DestinationResumed(NamedTuple):
    """A person had a destination tried again that was gone or failing."""

    destination: str
    by: str
    reason: str
    origin: str = ""


PersonsCommand = (
    AlertAcknowledged
    | AlertUnacknowledged
    | AlertShelved
    | AlertUnshelved
    | AlertClosed
    | DoorReset
    | DoorReported
    | PresenceDeclared
    | IdentitySettled
    | PermitGranted
    | PermitEnded
    | DeliveryReplayed
    | DestinationResumed
)
"""What a person does; each is journalled and audited before it is answered."""

Command = PersonsCommand | AlertLeftUndrawn | AlertDrawn
"""The same, and what boards say of an alert, which is journalled alike."""

Event = (
    ReadingsArrived
    | StandReadingArrived
    | ReadingsShed
    | MonitorStarted
    | BrokerConnected
    | BrokerDisconnected
    | ProofsExpected
    | ProofPassed
    | Command
)
