"""What a person does to an alert, a door or an aircraft: done and audited, or refused with a reason."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import pytest

from monitor.core.effects import Effect, PublishActive, PublishDoor, PublishEvent, RecordAudit, RefuseCommand
from monitor.core.events import (
    AlertAcknowledged,
    AlertClosed,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    DeliveryReplayed,
    DestinationResumed,
    DoorReset,
    IdentitySettled,
    PresenceDeclared,
)
from monitor.core.rules import CATALOGUE
from monitor.core.times import HOUR, SECOND, format_time, parse_time
from tests.core.rule_cases import at_door
from tests.stories import ARMED, LOCKED, OUT, UNLOCKED, Story, alder, refusal

HANDLE: Final = ("armed-handle-moved", "L1")
DROP: Final = ("unguarded-drop", "CB")
GIRT: Final = ("girt-disagree", "L1")


def warned() -> Story:
    """A handle moved with its slide engaged: a warning, to be answered within 5 s."""
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    story.send("door/L1/handle_lifted", True, at=10)
    return story.until(12)


def cautioned() -> Story:
    """Lever and girt ends disagree: a caution, to be answered within 30 s."""
    story = alder()
    story.send("door/L1/lever_armed", True, at=10)
    return story.until(20)


def state(story: Story, place: tuple[str, str]) -> str:
    alert = story.alert(*place)
    return "normal" if alert is None else str(alert["state"])


def events(effects: list[Effect]) -> list[tuple[str, str]]:
    return [(e.type, e.data["state"]) for e in effects if isinstance(e, PublishEvent)]


def audit(effects: list[Effect]) -> RecordAudit:
    (found,) = [e for e in effects if isinstance(e, RecordAudit)]
    return found


def refused(effects: list[Effect]) -> RefuseCommand:
    """The refusal, where nothing else followed."""
    (only,) = effects
    assert isinstance(only, RefuseCommand)
    assert only.detail
    return only


# Acknowledging


def test_an_acknowledgement_shows_who_and_why_and_is_audited() -> None:
    story = warned()
    effects = story.acknowledge(*HANDLE, by="Ann", reason="crew told")
    assert events(effects) == [("acknowledged", "acknowledged")]
    alert = story.alert(*HANDLE)
    assert alert is not None
    assert (alert["by"], alert["reason"], alert["changed_at"]) == ("Ann", "crew told", format_time(story.now))
    assert audit(effects) == RecordAudit(
        time=story.now, by="Ann", action="acknowledge", subject=f"{story.reg}/L1/armed-handle-moved/{alert['alert_id']}",
        reason="crew told", before="unacknowledged", after="acknowledged", origin="board",
    )  # fmt: skip


def test_an_acknowledged_warning_that_clears_is_normal() -> None:
    story = warned()
    story.acknowledge(*HANDLE)
    story.send("door/L1/handle_lifted", False, at=15)
    assert state(story, HANDLE) == "normal"
    assert story.told(*HANDLE)[-1].state == "normal"


def test_a_warning_that_cleared_waits_for_its_acknowledgement() -> None:
    story = warned()
    story.send("door/L1/handle_lifted", False, at=15)
    assert state(story, HANDLE) == "rtn_unacknowledged"
    effects = story.acknowledge(*HANDLE)
    assert events(effects) == [("acknowledged", "normal")]
    assert (audit(effects).before, audit(effects).after) == ("rtn_unacknowledged", "normal")
    assert state(story, HANDLE) == "normal"


def test_a_condition_that_returns_before_the_acknowledgement_is_reraised_as_the_same_alert() -> None:
    story = warned()
    first = story.alert_id(*HANDLE)
    story.send("door/L1/handle_lifted", False, at=15)
    story.send("door/L1/handle_lifted", True, at=16)
    assert story.types(*HANDLE) == ["raised", "cleared", "reraised"]
    assert story.alert_id(*HANDLE) == first


def test_a_condition_that_returns_after_it_was_normal_is_another_alert() -> None:
    story = warned()
    first = story.alert_id(*HANDLE)
    story.acknowledge(*HANDLE)
    story.send("door/L1/handle_lifted", False, at=15)
    story.send("door/L1/handle_lifted", True, at=16)
    assert story.types(*HANDLE)[-1] == "raised"
    assert story.alert_id(*HANDLE) != first


def test_a_caution_returns_to_normal_by_itself() -> None:
    story = cautioned()
    story.send("door/L1/lever_armed", False, at=25)
    assert state(story, GIRT) == "normal"
    assert [(e.type, e.state) for e in story.told(*GIRT)] == [("raised", "unacknowledged"), ("cleared", "normal")]


def test_what_was_seen_is_named_and_a_newer_change_is_refused() -> None:
    story = cautioned()
    seen = parse_time(str((story.alert(*GIRT) or {})["changed_at"]))
    story.send("door/L1/handle_lifted", True, at=30)
    story.until(33)
    assert (story.alert(*GIRT) or {})["priority"] == "warning"
    refusal_ = refused(story.acknowledge(*GIRT, seen=seen))
    assert refusal_.kind == "conflict"
    assert state(story, GIRT) == "unacknowledged"
    newer = parse_time(str((story.alert(*GIRT) or {})["changed_at"]))
    assert audit(story.acknowledge(*GIRT, seen=newer)).after == "acknowledged"


def test_a_rise_asks_for_attention_anew_and_a_fall_does_not() -> None:
    story = cautioned()
    story.acknowledge(*GIRT, reason="looked")
    story.send("door/L1/handle_lifted", True, at=30)
    story.until(33)
    assert state(story, GIRT) == "unacknowledged"
    assert "by" not in (story.alert(*GIRT) or {"by": 1})
    story.acknowledge(*GIRT, by="Bea", reason="crew told")
    story.send("door/L1/handle_lifted", False, at=40)
    alert = story.alert(*GIRT)
    assert alert is not None
    assert (alert["priority"], alert["state"], alert["by"], alert["reason"]) == (
        "caution", "acknowledged", "Bea", "crew told",
    )  # fmt: skip


def test_an_acknowledgement_can_be_withdrawn() -> None:
    story = warned()
    story.acknowledge(*HANDLE)
    effects = story.unacknowledge(*HANDLE, by="Bea")
    assert events(effects) == [("unacknowledged", "unacknowledged")]
    assert (audit(effects).action, audit(effects).by) == ("unacknowledge", "Bea")
    story.send("door/L1/handle_lifted", False, at=15)
    assert state(story, HANDLE) == "rtn_unacknowledged"


def test_what_has_no_place_is_refused_and_changes_nothing() -> None:
    story = warned()
    before = story.alert(*HANDLE)
    for effects in (story.unacknowledge(*HANDLE), story.unshelve(*HANDLE), story.close(*HANDLE)):
        assert refused(effects).kind == "conflict"
    story.acknowledge(*HANDLE)
    assert refused(story.acknowledge(*HANDLE, by="Bea")).kind == "conflict"
    after = story.alert(*HANDLE)
    assert before is not None
    assert after is not None
    assert after["by"] == "Ann"
    assert {k: v for k, v in after.items() if before.get(k) != v}.keys() == {"state", "changed_at", "by", "reason"} - (
        {"changed_at"} if before["changed_at"] == after["changed_at"] else set()
    )


ACTIONS: Final[list[Callable[[str], object]]] = [
    lambda alert_id: AlertAcknowledged(alert_id, "Ann", "", None),
    lambda alert_id: AlertUnacknowledged(alert_id, "Ann", "", None),
    lambda alert_id: AlertShelved(alert_id, "Ann", "known", 10**18, None),
    lambda alert_id: AlertUnshelved(alert_id, "Ann", "", None),
    lambda alert_id: AlertClosed(alert_id, "Ann", "", None),
]


@pytest.mark.parametrize("action", ACTIONS)
def test_an_alert_that_does_not_stand_is_not_found(action: Callable[[str], object]) -> None:
    story = warned()
    gone = story.alert_id(*HANDLE)
    story.acknowledge(*HANDLE)
    story.send("door/L1/handle_lifted", False, at=15)
    for alert_id in (gone, "nonsense", ""):
        assert refused(story.step(action(alert_id))).kind == "not-found"  # type: ignore[arg-type]


# Shelving


def test_a_shelved_alert_is_out_of_the_way_until_its_time_and_then_reraised_if_still_true() -> None:
    story = cautioned()
    effects = story.shelve(*GIRT, minutes=10, reason="being worked on")
    assert events(effects) == [("shelved", "shelved")]
    alert = story.alert(*GIRT)
    assert alert is not None
    assert (alert["shelved_until"], alert["by"], alert["reason"]) == (
        format_time(story.micros(620)), "Ann", "being worked on",
    )  # fmt: skip
    story.until(619.999)
    assert state(story, GIRT) == "shelved"
    story.until(620)
    assert [(e.type, e.at) for e in story.told(*GIRT)][-2:] == [("unshelved", 620), ("reraised", 620)]
    assert state(story, GIRT) == "unacknowledged"
    assert "shelved_until" not in (story.alert(*GIRT) or {"shelved_until": 1})


def test_a_shelved_alert_that_is_over_ends_with_its_shelf() -> None:
    story = cautioned()
    story.shelve(*GIRT)
    story.send("door/L1/lever_armed", False, at=30)
    assert [(e.type, e.state) for e in story.told(*GIRT)][-1] == ("cleared", "shelved")
    story.until(700)
    assert [(e.type, e.state) for e in story.told(*GIRT)][-1] == ("unshelved", "normal")
    assert state(story, GIRT) == "normal"


def test_a_shelved_alert_that_comes_and_goes_keeps_its_shelf_and_says_whether_it_holds() -> None:
    story = cautioned()
    story.shelve(*GIRT, by="Bea", reason="known")
    story.send("door/L1/lever_armed", False, at=30)
    assert (story.alert(*GIRT) or {})["active"] is False
    story.send("door/L1/lever_armed", True, at=40)
    story.until(50)
    alert = story.alert(*GIRT)
    assert alert is not None
    assert (alert["state"], alert["active"], alert["by"], alert["reason"]) == ("shelved", True, "Bea", "known")
    story.until(700)
    assert story.types(*GIRT)[-2:] == ["unshelved", "reraised"]


def test_a_person_takes_an_alert_off_the_shelf() -> None:
    story = cautioned()
    story.shelve(*GIRT)
    effects = story.unshelve(*GIRT, by="Bea")
    assert events(effects) == [("unshelved", "unacknowledged"), ("reraised", "unacknowledged")]
    assert (audit(effects).action, audit(effects).before, audit(effects).after) == (
        "unshelve",
        "shelved",
        "unacknowledged",
    )
    story.until(700)
    assert story.types(*GIRT)[-1] == "reraised", "the old end means nothing any more"


def test_a_rise_takes_an_alert_off_the_shelf() -> None:
    story = cautioned()
    story.shelve(*GIRT)
    story.send("door/L1/handle_lifted", True, at=30)
    story.until(33)
    assert [(e.type, e.priority) for e in story.told(*GIRT)][-2:] == [
        ("unshelved", "warning"),
        ("reprioritised", "warning"),
    ]
    assert state(story, GIRT) == "unacknowledged"


@pytest.mark.parametrize("code", sorted({rule.code for rule in CATALOGUE if rule.respond_within_s <= 10}))
def test_what_must_be_answered_within_10_s_is_never_shelved(code: str) -> None:
    assert code not in ("girt-disagree", "signal-stale")


def test_shelving_what_must_be_answered_within_10_s_is_refused() -> None:
    story = warned()
    assert refused(story.shelve(*HANDLE)).kind == "refused"
    assert state(story, HANDLE) == "unacknowledged"
    drop = alder()
    drop.bundle(at_door("CB", OUT, travel=0.5), at=10)
    drop.until(140)
    assert refused(drop.shelve(*DROP)).kind == "refused"


@pytest.mark.parametrize(
    ("minutes", "reason", "by"), [(480.001, "known", "Ann"), (0, "known", "Ann"), (-5, "known", "Ann"), (10, "", "Ann"), (10, "  ", "Ann"), (10, "known", "")]
)  # fmt: skip
def test_shelving_needs_a_reason_an_author_and_an_end_within_8_h(minutes: float, reason: str, by: str) -> None:
    story = cautioned()
    assert refused(story.shelve(*GIRT, minutes=minutes, reason=reason, by=by)).kind == "refused"
    assert state(story, GIRT) == "unacknowledged"
    assert "by" not in (story.alert(*GIRT) or {"by": 1})


def test_eight_hours_are_allowed() -> None:
    story = cautioned()
    assert audit(story.shelve(*GIRT, minutes=480)).after == "shelved"
    assert HOUR * 8 == 480 * 60 * SECOND


def test_what_is_shelved_is_not_shelved_again_nor_acknowledged() -> None:
    story = cautioned()
    story.shelve(*GIRT, minutes=10)
    assert refused(story.shelve(*GIRT, minutes=400)).kind == "conflict"
    assert refused(story.acknowledge(*GIRT)).kind == "conflict"
    alert = story.alert(*GIRT)
    assert alert is not None
    assert alert["shelved_until"] == format_time(story.micros(620))


def test_a_shelf_holds_through_silence_and_a_restart() -> None:
    story = cautioned()
    story.shelve(*GIRT)
    again = story.copy()
    again.until(700)
    assert again.types(*GIRT) == ["unshelved", "reraised"]


# Closing a blind alert


def test_a_person_closes_a_blind_alert_having_looked() -> None:
    story = warned()
    story.send("door/L1/closed", True, at=15, quality="bad")
    effects = story.close(*HANDLE, by="Ann", reason="handle is home")
    assert events(effects) == [("cleared", "normal")]
    assert audit(effects).action == "close"
    last = story.told(*HANDLE)[-1]
    assert (last.data["by"], last.data["reason"]) == ("Ann", "handle is home")
    story.until(300)
    assert story.types(*HANDLE) == ["raised", "cleared"], "what is not known does not raise it again"


def test_what_was_closed_is_raised_again_once_it_is_known_to_hold() -> None:
    story = warned()
    story.send("door/L1/closed", True, at=15, quality="bad")
    story.close(*HANDLE)
    story.send("door/L1/closed", True, at=20)
    assert story.types(*HANDLE) == ["raised", "cleared", "raised"]


# Resetting a door


def released() -> Story:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    story.door_bundle("L1", UNLOCKED, at=5)
    story.door_bundle("L1", {"slide_released": True}, at=10)
    return story


def test_a_reset_puts_the_door_back_and_is_audited() -> None:
    story = released()
    story.acknowledge("slide-deployed", "L1")
    story.door_bundle("L1", {"slide_released": False}, LOCKED, at=20)
    effects = story.reset("L1", by="Ann", reason="new slide fitted")
    assert ("reset", "normal") in events(effects)
    assert story.state("L1") == "armed"
    record = audit(effects)
    assert (record.action, record.subject, record.by, record.reason, record.origin) == (
        "reset", f"{story.reg}/L1", "Ann", "new slide fitted", "board",
    )  # fmt: skip
    assert (record.before, record.after) == ("slide_deployed", "armed")


def test_a_reset_needs_no_acknowledgement_before() -> None:
    story = released()
    story.door_bundle("L1", {"slide_released": False}, LOCKED, at=20)
    assert ("reset", "normal") in events(story.reset("L1"))
    assert ("slide-deployed", "L1") not in story.standing()


def test_a_door_whose_slide_still_reads_released_is_not_reset() -> None:
    story = released()
    assert refused(story.reset("L1")).kind == "conflict"
    assert story.state("L1") == "slide_deployed"
    assert ("slide-deployed", "L1") in story.standing()


def test_a_door_whose_slide_sensor_was_withdrawn_is_reset_on_a_persons_word() -> None:
    story = released()
    story.withdraw("door/L1/slide_released", at=20)
    story.door_bundle("L1", LOCKED, at=21)
    assert audit(story.reset("L1")).before == "slide_deployed"
    assert ("slide-deployed", "L1") not in story.standing()
    story.until(60)
    assert story.state("L1") == "armed"


@pytest.mark.parametrize(("reg", "door", "kind"), [("TW-101", "R1", "conflict"), ("TW-101", "L9", "not-found"), ("TW-999", "L1", "not-found")])  # fmt: skip
def test_a_reset_of_what_was_not_released_or_is_not_there_is_refused(reg: str, door: str, kind: str) -> None:
    story = released()
    assert refused(story.step(DoorReset(reg, door, "Ann", "new slide"))).kind == kind


# Presence


def test_declaring_presence_of_an_unknown_aircraft_is_not_found() -> None:
    assert refused(alder().step(PresenceDeclared("TW-999", "away", "Ann", "left"))).kind == "not-found"


def test_sending_an_aircraft_away_empties_everything_retained() -> None:
    story = warned()
    effects = story.declare("away")
    emptied = {(e.door, e.code) for e in effects if isinstance(e, PublishActive) and e.document is None}
    assert emptied == {HANDLE[::-1]}
    assert {e.door for e in effects if isinstance(e, PublishDoor) and e.document is None} == set(
        story.site.types["alder"].doors
    )
    assert events(effects) == [("cleared", "normal")]
    assert audit(effects) == RecordAudit(
        story.now, "Ann", "declare-presence", story.reg, "seen", "present", "away", "board"
    )


def test_every_audit_names_who_when_and_from_where() -> None:
    story = cautioned()
    story.acknowledge(*GIRT)
    story.unacknowledge(*GIRT)
    story.shelve(*GIRT)
    story.unshelve(*GIRT)
    story.declare("powered_down")
    story.close(*GIRT)
    story.declare("present")
    assert [a.action for a in story.audits()] == [
        "acknowledge", "unacknowledge", "shelve", "unshelve", "declare-presence", "close", "declare-presence",
    ]  # fmt: skip
    assert all(a.by == "Ann" and a.origin == "board" and a.time == story.now for a in story.audits())


def test_a_refusal_leaves_no_audit() -> None:
    story = warned()
    assert refusal(story.shelve(*HANDLE)) is not None
    assert story.audits() == []


# Who speaks as an aircraft


def settle(story: Story, reg: str = "TW-101") -> list[Effect]:
    return story.step(IdentitySettled(reg, "Ann", "looked at the tail", "board"))


def test_a_person_settles_who_speaks_as_an_aircraft() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=20)
    assert story.state("L1") == "unknown"
    effects = settle(story)
    row = audit(effects)
    assert (row.action, row.subject, row.by, row.reason, row.origin) == (
        "settle-identity", "TW-101", "Ann", "looked at the tail", "board",
    )  # fmt: skip
    assert (row.before, row.after) == ("unacknowledged", "normal")
    assert story.types("identity-conflict") == ["raised", "cleared"]
    assert story.state("L1") == "closed_locked"


def test_what_nobody_disputes_is_not_settled() -> None:
    story = alder()
    assert refused(settle(story)).kind == "conflict"
    assert refused(settle(story, "TW-999")).kind == "not-found"


def test_what_a_person_has_told_again_is_audited_and_changes_nothing() -> None:
    story = alder()
    row = audit(story.step(DeliveryReplayed("7", "Ann", "mended", "board")))
    assert (row.action, row.subject, row.by, row.reason, row.origin) == (
        "replay-delivery", "7", "Ann", "mended", "board",
    )  # fmt: skip
    row = audit(story.step(DestinationResumed("pager", "Ann", "", "board")))
    assert (row.action, row.subject) == ("resume-destination", "pager")
    assert story.types("identity-conflict") == []


def test_what_something_silences_by_now_leaves_the_shelf_without_a_sound() -> None:
    story = alder()
    story.send("door/L1/slide_bottle_bar", 100.0, at=10)
    story.until(80)
    story.shelve("bottle-low", "L1", minutes=1)
    story.send("door/L1/slide_released", True, at=100)
    story.until(141)
    assert story.types("bottle-low", "L1") == ["raised", "shelved", "unshelved", "suppressed"]
