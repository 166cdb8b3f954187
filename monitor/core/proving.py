"""The canary: a handle that nobody's aircraft has, lifted to prove the way from the broker to the board.

Owns its type, how its readings are worked through, and what is remembered of proofs. Its
record stands outside the list of aircraft and nothing but :class:`ShowProof` comes out of
it, so that whatever shows, counts or tells of aircraft cannot take it for one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from monitor.core.airframe import AirframeType, DoorKind, DoorType
from monitor.core.door import State
from monitor.core.effects import NoteState, ShowProof
from monitor.core.events import ProofPassed, ProofsExpected, ReadingsArrived
from monitor.core.intake import Intake
from monitor.core.state import AircraftRecord, DoorRecord, ProofRecord

if TYPE_CHECKING:
    from monitor.core.settling import Settling

PROOF: Final = "proof"
"""What the canary is called where an aircraft has its registration; none on the wire is in small letters."""
PROOF_DOOR: Final = "P1"

_DOOR: Final = DoorType(
    name=PROOF_DOOR,
    kind=DoorKind.HATCH,
    side=None,
    station=1,
    half="fore",
    sill_m=0.0,
    leaf_area_m2=0.1,
    signals=frozenset({"closed", "latched", "locked", "handle_lifted"}),
)
PROOF_TYPE: Final = AirframeType(
    name="(proof)", description="no aircraft", seats=0, engines={}, doors={PROOF_DOOR: _DOOR}
)
"""Its name is none that a configuration or a sender can give a type."""


def take_readings(system: Settling, event: ReadingsArrived, now: int) -> None:
    """Work through what the canary's one door reports, as for any door; tell of its lifted handle alone."""
    # Of what a stranger with the right to write there may send, such as a heartbeat that then stops, nothing must stay.
    own = tuple(item for item in event.items if item.door == PROOF_DOOR and item.signal in _DOOR.signals)
    if event.retained or not own:
        return
    event = event._replace(items=own)
    proof = system.record.proof
    aircraft = proof.aircraft
    if aircraft is None:
        doors = {PROOF_DOOR: DoorRecord(PROOF_DOOR, since=now)}
        aircraft = proof.aircraft = AircraftRecord(PROOF, first_seen=now, type=PROOF_TYPE.name, doors=doors)
    effects = system.ledger.effects
    before = len(effects)
    try:
        intake = Intake(aircraft, PROOF_TYPE, event, now)
        intake.take()
        if intake.changes:
            system.settle(aircraft, intake.changes, now, bundle=event.bundle)
        lifted = any(isinstance(effect, NoteState) and effect.state == State.UNLOCKED for effect in effects[before:])
    finally:
        # After a fault of ours too.
        del effects[before:]
    if lifted and event.time is not None and event.seq is not None:
        effects.append(ShowProof(event.time, event.seq))


def note_proof(proof: ProofRecord, event: ProofPassed | ProofsExpected, now: int) -> None:
    """Remember that a proof passed, or whether any is to be expected from now on."""
    if isinstance(event, ProofPassed):
        proof.passed_at = now
    else:
        proof.expected = event.expected
        proof.awaited_since = now
