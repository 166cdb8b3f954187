"""The alert lifecycle: eight states and every event in each of them, as one total table.

States and names are those of ANSI/ISA-18.2 and IEC 62682. Whether the condition holds
now is a fact beside the state (``Alert.active``), so that a shelved or suppressed alert
can come back to the right place; an event whose outcome depends on it comes in variants.
A pair that changes nothing stands in the table too, with its own row.

Owns the table and the alert's record; never decides whether a condition holds.
"""

from __future__ import annotations

import enum
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product
from types import MappingProxyType
from typing import Any, Final, NamedTuple


class Priority(enum.StrEnum):
    """How soon somebody must act, as in 14 CFR 25.1322 (a flight-deck rule, used here by analogy)."""

    ADVISORY = "advisory"
    CAUTION = "caution"
    WARNING = "warning"


RANK: Final[Mapping[Priority, int]] = MappingProxyType({p: n for n, p in enumerate(Priority)})


class AlertState(enum.StrEnum):
    """Where an alert stands in its life."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RTN_UNACKNOWLEDGED = "rtn_unacknowledged"
    LATCHED = "latched"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out_of_service"


STATE_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        AlertState.NORMAL: "over",
        AlertState.UNACKNOWLEDGED: "nobody has it yet",
        AlertState.ACKNOWLEDGED: "somebody has it",
        AlertState.RTN_UNACKNOWLEDGED: "over, nobody acknowledged it",
        AlertState.LATCHED: "over, waits for the door's reset",
        AlertState.SHELVED: "set aside",
        AlertState.SUPPRESSED: "suppressed",
        AlertState.OUT_OF_SERVICE: "out of service",
    }
)
"""Each state as a person is told it."""


class AlertEvent(enum.Enum):
    """What can happen to an alert.

    ``RISE`` and ``FALL`` are changes of priority. A clear comes in three variants by what its
    rule asks for: ``CLEAR`` waits for an acknowledgement (warnings), ``CLEAR_ALONE`` does
    not, ``CLEAR_LATCHING`` waits for a reset too. Releases (from the shelf, suppression, out of service) come in variants by
    whether the condition holds and had been acknowledged; ``…_SILENT``: it holds, and something silences it.
    """

    RAISE = "raise"
    RISE = "rise"
    FALL = "fall"
    CLEAR = "clear"
    CLEAR_ALONE = "clear_alone"
    CLEAR_LATCHING = "clear_latching"
    ACKNOWLEDGE = "acknowledge"
    ACKNOWLEDGE_LATCHING = "acknowledge_latching"
    UNACKNOWLEDGE = "unacknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE_ACTIVE = "unshelve_active"
    UNSHELVE_OVER = "unshelve_over"
    UNSHELVE_SILENT = "unshelve_silent"
    SUPPRESS = "suppress"
    UNSUPPRESS_ACTIVE = "unsuppress_active"
    UNSUPPRESS_ACKNOWLEDGED = "unsuppress_acknowledged"
    UNSUPPRESS_OVER = "unsuppress_over"
    REMOVE = "remove"
    RETURN_ACTIVE = "return_active"
    RETURN_OVER = "return_over"
    RETURN_SILENT = "return_silent"
    DISMISS = "dismiss"


EVACUATION: Final = "evacuation-in-progress"
"""The rule whose alert silences nearly all others of its aircraft."""


class Outcome(NamedTuple):
    """The state after, and the lifecycle changes that are told, in order.

    ``told`` empty means that the event has no place here: a condition's event is then
    absorbed, a person's is refused.
    """

    state: AlertState
    told: tuple[str, ...]


def _table() -> Mapping[tuple[AlertState, AlertEvent], Outcome]:
    s, e = AlertState, AlertEvent
    table = {(state, event): Outcome(state, ()) for state, event in product(s, e)}

    def put(sources: tuple[AlertState, ...], event: AlertEvent, target: AlertState, *told: str) -> None:
        for source in sources:
            table[source, event] = Outcome(target, told)

    standing = (s.UNACKNOWLEDGED, s.ACKNOWLEDGED)
    put((s.NORMAL,), e.RAISE, s.UNACKNOWLEDGED, "raised")
    put((s.RTN_UNACKNOWLEDGED, s.LATCHED), e.RAISE, s.UNACKNOWLEDGED, "reraised")

    # A rise asks for attention anew, and takes an alert off the shelf it was put on at less.
    put((s.UNACKNOWLEDGED, s.ACKNOWLEDGED), e.RISE, s.UNACKNOWLEDGED, "reprioritised")
    put((s.SHELVED,), e.RISE, s.UNACKNOWLEDGED, "unshelved", "reprioritised")
    for state in (s.SUPPRESSED, s.OUT_OF_SERVICE):
        put((state,), e.RISE, state, "reprioritised")
    for state in (*standing, s.SHELVED, s.SUPPRESSED, s.OUT_OF_SERVICE):
        put((state,), e.FALL, state, "reprioritised")

    put((s.UNACKNOWLEDGED,), e.CLEAR, s.RTN_UNACKNOWLEDGED, "cleared")
    put((s.ACKNOWLEDGED,), e.CLEAR, s.NORMAL, "cleared")
    put(standing, e.CLEAR_ALONE, s.NORMAL, "cleared")
    put((s.UNACKNOWLEDGED,), e.CLEAR_LATCHING, s.RTN_UNACKNOWLEDGED, "cleared")
    put((s.ACKNOWLEDGED,), e.CLEAR_LATCHING, s.LATCHED, "cleared", "latched")

    for clear in (e.CLEAR, e.CLEAR_ALONE, e.CLEAR_LATCHING):
        put((s.SUPPRESSED,), clear, s.NORMAL, "cleared")
        for state in (s.SHELVED, s.OUT_OF_SERVICE):
            put((state,), clear, state, "cleared")

    put((s.UNACKNOWLEDGED,), e.ACKNOWLEDGE, s.ACKNOWLEDGED, "acknowledged")
    put((s.RTN_UNACKNOWLEDGED,), e.ACKNOWLEDGE, s.NORMAL, "acknowledged")
    put((s.UNACKNOWLEDGED,), e.ACKNOWLEDGE_LATCHING, s.ACKNOWLEDGED, "acknowledged")
    put((s.RTN_UNACKNOWLEDGED,), e.ACKNOWLEDGE_LATCHING, s.LATCHED, "acknowledged", "latched")
    put((s.ACKNOWLEDGED,), e.UNACKNOWLEDGE, s.UNACKNOWLEDGED, "unacknowledged")
    put((s.LATCHED,), e.UNACKNOWLEDGE, s.RTN_UNACKNOWLEDGED, "unacknowledged")

    # A reset is a person's word by name that the cause was dealt with; it is ignored while active.
    put((s.LATCHED, s.RTN_UNACKNOWLEDGED), e.RESET, s.NORMAL, "reset")

    put((s.UNACKNOWLEDGED, s.ACKNOWLEDGED, s.RTN_UNACKNOWLEDGED, s.LATCHED), e.SHELVE, s.SHELVED, "shelved")
    put((s.SHELVED,), e.UNSHELVE_ACTIVE, s.UNACKNOWLEDGED, "unshelved", "reraised")
    put((s.SHELVED,), e.UNSHELVE_OVER, s.NORMAL, "unshelved")
    # Something else silences it by now: it comes back without a sound.
    put((s.SHELVED,), e.UNSHELVE_SILENT, s.SUPPRESSED, "unshelved", "suppressed")

    put((s.UNACKNOWLEDGED, s.ACKNOWLEDGED), e.SUPPRESS, s.SUPPRESSED, "suppressed")
    put((s.SUPPRESSED,), e.UNSUPPRESS_ACTIVE, s.UNACKNOWLEDGED, "unsuppressed")
    put((s.SUPPRESSED,), e.UNSUPPRESS_ACKNOWLEDGED, s.ACKNOWLEDGED, "unsuppressed")
    put((s.SUPPRESSED,), e.UNSUPPRESS_OVER, s.NORMAL, "unsuppressed")

    put(tuple(x for x in s if x is not s.OUT_OF_SERVICE), e.REMOVE, s.OUT_OF_SERVICE, "taken-out-of-service")
    put((s.OUT_OF_SERVICE,), e.RETURN_ACTIVE, s.UNACKNOWLEDGED, "returned-to-service", "reraised")
    put((s.OUT_OF_SERVICE,), e.RETURN_OVER, s.NORMAL, "returned-to-service")
    put((s.OUT_OF_SERVICE,), e.RETURN_SILENT, s.SUPPRESSED, "returned-to-service", "suppressed")

    # The aircraft went away, or a person closed a blind alert: it is over whatever it was.
    put(tuple(x for x in s if x is not s.NORMAL), e.DISMISS, s.NORMAL, "cleared")
    return MappingProxyType(table)


LIFECYCLE: Final = _table()
"""(state, event) → outcome; total over all pairs."""


@dataclass(slots=True)
class Alert:
    """One alert from its raising until it is normal again. Times in µs.

    ``changes`` counts the lifecycle changes told so far; with ``alert_id`` it makes each
    event's id, so that judging the same cause again after a crash repeats the id. ``role`` is
    who is asked by now, empty for the rule's own; ``escalate_due`` when the next one is;
    ``undrawn`` that it is on no screen, ``undrawn_at`` when the next role was asked for
    that reason. ``permit`` names the permit that keeps it out of service until ``out_until``.
    """

    alert_id: str
    priority: Priority
    raised_at: int
    changed_at: int
    state: AlertState = AlertState.NORMAL
    active: bool = True
    acknowledged: bool = False
    changes: int = 0
    blind: bool = False
    late: bool = False
    by: str | None = None
    reason: str | None = None
    shelved_until: int | None = None
    permit: str = ""
    out_until: int | None = None
    role: str = ""
    escalated_at: int | None = None
    escalate_due: int | None = None
    undrawn: bool = False
    undrawn_at: int | None = None
    text: str = ""
    evidence: list[dict[str, Any]] = field(default_factory=list)


def derive_alert_id(*cause: str) -> str:
    """Name an alert after what raised it: the same cause gives the same id, on any run."""
    return hashlib.blake2s("\x1f".join(cause).encode(), digest_size=12).hexdigest()
