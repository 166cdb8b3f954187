"""Every check can fail: each of these mistakes, made on purpose, is found within a few seeds.

Owns the mistakes, put into the engine, the journal, the core or the feed by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType
from typing import Any, Final

import pytest

from monitor import engine
from monitor.adapters.journal_memory import MemoryJournal
from monitor.adapters.mqtt_fake import MemoryFeed
from monitor.core import actions, documents, intake, judge, ledger
from monitor.core.alert import LIFECYCLE, AlertEvent, AlertState, Outcome, derive_alert_id
from monitor.core.conditions import Answer
from monitor.core.effects import RecordAudit
from monitor.core.ledger import Ledger
from tests.simulation import world
from tests.simulation.story import run

SEEDS_MAX: Final = 120
Patch = pytest.MonkeyPatch


def acknowledge_before_the_commit(patch: Patch) -> None:
    append = MemoryJournal.append

    def eager(self: Any, entry: Any, committed: Any = None) -> None:
        append(self, entry)
        if committed is not None:
            committed()

    patch.setattr(MemoryJournal, "append", eager)


def lose_the_last_row_at_a_crash(patch: Patch) -> None:
    reopened = MemoryJournal.reopened

    def shorter(self: Any) -> Any:
        other = reopened(self)
        if len(other._inputs) > 5:
            del other._inputs[-1]
            other._next -= 1
        return other

    patch.setattr(MemoryJournal, "reopened", shorter)


def never_acknowledge(patch: Patch) -> None:
    append = MemoryJournal.append
    patch.setattr(MemoryJournal, "append", lambda self, entry, committed=None: append(self, entry))


def skip_every_delay(patch: Patch) -> None:
    patch.setattr(judge, "SECOND", 0)


def never_end_a_delay(patch: Patch) -> None:
    patch.setattr(judge, "SECOND", 10**12)


def raise_nothing(patch: Patch) -> None:
    patch.setattr(Ledger, "_raise", lambda *_: None)


def say_closed_for_unknown(patch: Patch) -> None:
    describe = documents.describe_door

    def calm(view: Any, *, site: str) -> Any:
        document = describe(view, site=site)
        return {**document, "state": "closed_locked"} if document["state"] == "unknown" else document

    patch.setattr(documents, "describe_door", calm)


def never_find_a_reading_stale(patch: Patch) -> None:
    patch.setattr(intake, "is_alive", lambda *_: True)


def take_unknown_for_yes(patch: Patch) -> None:
    verdict = Answer.verdict.fget  # type: ignore[attr-defined]
    said = {"cannot tell": "nothing seen against it"}
    patch.setattr(Answer, "verdict", property(lambda self: said.get(verdict(self), verdict(self))))


def name_alerts_anew_in_each_life(patch: Patch) -> None:
    restore, derive = engine.restore, derive_alert_id
    lives: list[int] = []

    def count(*arguments: Any) -> Any:
        lives.append(1)
        return restore(*arguments)

    patch.setattr(world, "restore", count)
    patch.setattr(ledger, "derive_alert_id", lambda *cause: derive(*cause, str(len(lives))))


def forget_how_often_at_a_restart(patch: Patch) -> None:
    restore = engine.restore

    def forgetful(*arguments: Any) -> Any:
        restored = restore(*arguments)
        for aircraft in restored.system.record.aircraft.values():
            for door in aircraft.doors.values():
                door.raised.clear()
        return restored

    patch.setattr(world, "restore", forgetful)


def let_a_warning_go_by_itself(patch: Patch) -> None:
    wrong = {**LIFECYCLE, (AlertState.UNACKNOWLEDGED, AlertEvent.CLEAR): Outcome(AlertState.NORMAL, ("cleared",))}
    patch.setattr(ledger, "LIFECYCLE", MappingProxyType(wrong))


def leave_what_is_over_on_the_broker(patch: Patch) -> None:
    publish = MemoryFeed.publish

    def hoard(self: Any, outgoing: Any) -> None:
        if outgoing.payload or not outgoing.retain:
            publish(self, outgoing)

    patch.setattr(MemoryFeed, "publish", hoard)


def audit_twice(patch: Patch) -> None:
    act = actions.act

    def eager(*arguments: Any) -> Any:
        effects = act(*arguments)
        return [*effects, *(effect for effect in effects if isinstance(effect, RecordAudit))]

    patch.setattr(actions, "act", eager)


def audit_nothing(patch: Patch) -> None:
    patch.setattr(engine, "_KEPT", tuple(kind for kind in engine._KEPT if kind is not RecordAudit))


def fail_at_an_opening(patch: Patch) -> None:
    def fall(*_: Any) -> None:
        raise ZeroDivisionError("on purpose")

    patch.setattr(Ledger, "_return", fall)


MISTAKES: Final[tuple[tuple[Callable[[Patch], None], str], ...]] = (
    (acknowledge_before_the_commit, "NothingLost"),
    (lose_the_last_row_at_a_crash, "NothingLost"),
    (never_acknowledge, "NothingLost"),
    (skip_every_delay, "Judge"),
    (never_end_a_delay, "Judge"),
    (raise_nothing, "Judge"),
    (say_closed_for_unknown, "Judge"),
    (never_find_a_reading_stale, "Judge"),
    (take_unknown_for_yes, "Judge"),
    (name_alerts_anew_in_each_life, "IdsRepeat"),
    (forget_how_often_at_a_restart, "RestartsEqual"),
    (let_a_warning_go_by_itself, "LivesLegal"),
    (leave_what_is_over_on_the_broker, "OutputsStand"),
    (leave_what_is_over_on_the_broker, "LivesLegal"),
    (audit_twice, "OnceOnRecord"),
    (audit_nothing, "OnceOnRecord"),
    (fail_at_an_opening, "NoFault"),
)


@pytest.mark.timeout(300)
@pytest.mark.parametrize(("mistake", "finder"), MISTAKES, ids=[f"{m.__name__}-{finder}" for m, finder in MISTAKES])
def test_a_mistake_is_found(
    mistake: Callable[[Patch], None], finder: str, monkeypatch: Patch, tell: Callable[[str], None]
) -> None:
    mistake(monkeypatch)
    for seed in range(SEEDS_MAX):
        faults = run(seed).faults
        if any(f" s, {finder}: " in fault for fault in faults):
            tell(f"{mistake.__name__} found by {finder} in seed {seed}")
            return
    pytest.fail(f"{finder} found nothing in {SEEDS_MAX} seeds")
