"""Permits: what people take out of service, in plain sight and for a while, and what returns."""

from __future__ import annotations

from typing import Any, Final

import pytest

from monitor.core import readout
from monitor.core.effects import Effect, PublishActive, PublishEvent, RecordAudit
from monitor.core.events import AlertAcknowledged, AlertClosed, AlertShelved, PermitEnded, PermitGranted
from monitor.core.permits import KINDS, PERMITS_MAX, list_permits
from monitor.core.times import HOUR, SECOND, format_time
from tests.core.rule_cases import at_door
from tests.stories import ARMED, OUT, Story, alder, refusal

GIRT: Final = ("girt-disagree", "L1")
ENGINE: Final = ("open-engine-running", "CF")
ENGINE_ON: Final = {"airframe/engine_2_running": True}
ENGINE_OFF: Final = {"airframe/engine_2_running": False}


def grant(
    story: Story, kind: str = "ground-run", *, doors: tuple[str, ...] = (), codes: tuple[str, ...] = (),
    minutes: float = 10, by: str = "Ann", reason: str = "engine run", reg: str = "TW-101",
) -> list[Effect]:  # fmt: skip
    until = story.now + round(minutes * 60 * SECOND)
    return story.step(PermitGranted(kind, reg, doors, codes, until, by, reason, "board"))


def run_engine(story: Story, **more: Any) -> list[Effect]:
    """A ground run with the hold doors' hazard taken out."""
    return grant(story, doors=("CF",), codes=("open-engine-running",), **more)


def permit_id(story: Story) -> str:
    """The id of the newest permit."""
    return list(story.system.record.permits)[-1]


def end(story: Story, **words: str) -> list[Effect]:
    return story.step(PermitEnded(permit_id(story), words.get("by", "Bea"), words.get("reason", "done"), "board"))


def opened(*, running: bool) -> Story:
    """A hold door out of its frame on the side of an engine that runs or not."""
    story = alder()
    story.bundle(at_door("CF", OUT, hold_open=True, travel=1.0, access="loader"), at=5)
    if running:
        story.bundle(ENGINE_ON, at=6)
    return story.until(8)


def alert(story: Story, place: tuple[str, str] = ENGINE) -> dict[str, Any]:
    found = story.alert(*place)
    assert found is not None
    return found


def count(story: Story) -> Any:
    """The aircraft's row of the list: how many alerts of each priority."""
    return readout.describe_row(story.system, story.system.record.aircraft["TW-101"], story.now)["alerts"]


def audits(effects: list[Effect]) -> list[RecordAudit]:
    return [effect for effect in effects if isinstance(effect, RecordAudit)]


def told(effects: list[Effect]) -> list[tuple[str, str]]:
    return [(e.type, e.data["state"]) for e in effects if isinstance(e, PublishEvent)]


# Taking out


def test_what_stands_is_taken_out_and_shows_until_when_and_by_whose_word() -> None:
    story = opened(running=True)
    first = alert(story)
    effects = run_engine(story)
    assert told(effects) == [("taken-out-of-service", "out_of_service")]
    out = alert(story)
    assert (out["alert_id"], out["state"], out["active"]) == (first["alert_id"], "out_of_service", True)
    assert (out["permit"], out["by"], out["reason"]) == (permit_id(story), "Ann", "engine run")
    assert out["out_of_service_until"] == format_time(story.now + 600 * SECOND)


def test_what_does_not_stand_is_shown_to_be_out_all_the_same() -> None:
    story = opened(running=False)
    before = count(story)
    run_engine(story)
    out = alert(story)
    assert (out["state"], out["active"], out["permit"]) == ("out_of_service", False, permit_id(story))
    assert out["text"] == "open-engine-running is out of service under a ground-run permit."
    assert count(story) == before, "nothing more asks for anybody"


def test_what_begins_and_ends_meanwhile_is_shown_and_does_not_sound() -> None:
    story = opened(running=False)
    run_engine(story)
    before = len(story.events)
    story.bundle(ENGINE_ON, at=20)
    assert (alert(story)["state"], alert(story)["active"]) == ("out_of_service", True)
    assert story.events[before:] == []
    story.bundle(ENGINE_OFF, at=30)
    assert (alert(story)["state"], alert(story)["active"]) == ("out_of_service", False)
    assert [(e.type, e.state) for e in story.events[before:]] == [("cleared", "out_of_service")]


def test_it_returns_to_the_microsecond_and_sounds_if_it_holds_then() -> None:
    story = opened(running=False)
    run_engine(story)
    story.bundle(ENGINE_ON, at=20)
    story.until(607.999)
    assert alert(story)["state"] == "out_of_service"
    story.until(608)
    assert [(e.type, e.at, e.state) for e in story.told(*ENGINE)][-2:] == [
        ("returned-to-service", 608, "unacknowledged"), ("reraised", 608, "unacknowledged"),
    ]  # fmt: skip
    assert "out_of_service_until" not in alert(story)
    assert "permit" not in alert(story)
    assert story.system.record.permits == {}


def test_it_returns_to_normal_where_nothing_holds() -> None:
    story = opened(running=True)
    run_engine(story)
    story.bundle(ENGINE_OFF, at=20)
    story.until(608)
    assert story.types(*ENGINE)[-1] == "returned-to-service"
    assert story.alert(*ENGINE) is None
    story.bundle(ENGINE_ON, at=700)
    assert story.types(*ENGINE)[-1] == "raised", "it is watched again"


def test_what_is_not_known_at_the_end_is_not_raised() -> None:
    story = opened(running=False)
    run_engine(story)
    story.send("door/CF/closed", False, at=20, quality="bad")
    story.send("door/CF/hold_open", True, quality="bad")
    story.send("door/CF/travel", 1.0, quality="bad")
    story.bundle(ENGINE_ON, at=21)
    story.until(608)
    assert story.types(*ENGINE)[-1] == "returned-to-service"
    assert story.alert(*ENGINE) is None


def test_a_person_ends_it_before_its_time() -> None:
    story = opened(running=True)
    run_engine(story)
    effects = end(story, by="Bea", reason="run is over")
    assert told(effects) == [("returned-to-service", "unacknowledged"), ("reraised", "unacknowledged")]
    assert alert(story)["by"] == "Bea"
    seen = len(story.events)
    story.until(700)
    assert story.events[seen:] == [], "its old end means nothing any more"


def test_of_two_the_last_to_end_counts() -> None:
    story = opened(running=True)
    run_engine(story, minutes=10)
    run_engine(story, minutes=20, by="Cid", reason="second run")
    assert alert(story)["by"] == "Cid"
    assert alert(story)["out_of_service_until"] == format_time(story.micros(8 + 1200))
    story.until(8 + 1199)
    assert alert(story)["state"] == "out_of_service"
    story.until(8 + 1200)
    assert story.types(*ENGINE) == ["raised", "taken-out-of-service", "returned-to-service", "reraised"]


def test_of_two_the_shorter_one_is_shown_once_the_longer_was_ended() -> None:
    story = opened(running=True)
    run_engine(story, minutes=10)
    run_engine(story, minutes=20, by="Cid")
    end(story)
    assert (alert(story)["by"], alert(story)["out_of_service_until"]) == ("Ann", format_time(story.micros(608)))


def test_the_whole_aircraft_and_its_own_hazards_are_meant_where_no_door_is_named() -> None:
    story = alder()
    grant(story, "tow", codes=("clock-skew",))
    assert alert(story, ("clock-skew", "-"))["state"] == "out_of_service"
    grant(story, "de-icing", codes=("lock-disagree",))
    doors = {door for code, door in story.standing() if code == "lock-disagree"}
    assert doors == set(story.system.site.types["alder"].doors)


def test_what_is_out_takes_the_word_from_nobody() -> None:
    """`access-withdrawn` silences `unguarded-drop`; out of service it would leave nobody to warn."""
    story = alder()
    story.bundle(at_door("L1", OUT, hold_open=True, travel=1.0, access="bridge"), at=5)
    grant(story, "de-icing", doors=("L1",), codes=("access-withdrawn",))
    story.send("door/L1/access", "none", at=10)
    story.until(20)
    assert alert(story, ("access-withdrawn", "L1"))["active"] is True
    assert alert(story, ("unguarded-drop", "L1"))["state"] == "unacknowledged"


def test_what_is_out_is_neither_answered_nor_shelved_nor_closed() -> None:
    story = opened(running=False)
    run_engine(story)
    alert_id = alert(story)["alert_id"]
    for command in (
        AlertAcknowledged(alert_id, "Bea", "", None),
        AlertShelved(alert_id, "Bea", "known", story.now + SECOND, None),
        AlertClosed(alert_id, "Bea", "", None),
    ):
        refused = refusal(story.step(command))
        assert refused is not None
    assert alert(story)["state"] == "out_of_service"


def test_a_shelved_alert_is_taken_out_and_its_shelf_is_forgotten() -> None:
    story = alder()
    story.send("door/L1/lever_armed", True, at=10)
    story.until(20)
    story.shelve(*GIRT, minutes=5)
    grant(story, "de-icing", doors=("L1",), codes=("girt-disagree",), minutes=10)
    assert "shelved_until" not in alert(story, GIRT)
    story.until(500)
    assert alert(story, GIRT)["state"] == "out_of_service"


# Slides taken out


def test_a_slide_that_is_out_takes_its_hazards_with_it() -> None:
    story = alder()
    grant(story, "slide-removed", doors=("L1",), minutes=60)
    assert story.system.record.aircraft["TW-101"].doors["L1"].slide_removed
    out = {code for code, door in story.standing() if door == "L1"}
    assert {
        "armed-handle-moved",
        "armed-leaf-moving",
        "slide-deployed",
        "girt-disagree",
        "outside-opening-armed",
    } <= out
    assert out.isdisjoint({"residual-pressure", "unguarded-drop", "open-engine-running", "signal-stale"})
    assert {door for _, door in story.standing()} == {"L1"}


def test_its_hazards_are_back_with_the_slide() -> None:
    story = alder()
    grant(story, "slide-removed", doors=("L1",), minutes=60)
    story.bundle(at_door("L1", ARMED), at=20)
    story.send("door/L1/handle_lifted", True, at=30)
    story.until(40)
    assert [e.type for e in story.told(door="L1") if e.type in ("raised", "reraised")] == []
    end(story)
    assert not story.system.record.aircraft["TW-101"].doors["L1"].slide_removed
    assert alert(story, ("armed-handle-moved", "L1"))["state"] == "unacknowledged"
    assert {code for code, _ in story.standing()} == {"armed-handle-moved"}


def test_a_pack_that_is_gone_is_no_released_slide_until_the_permit_ends() -> None:
    story = alder()
    grant(story, "slide-removed", doors=("L1",), minutes=60)
    story.send("door/L1/slide_released", True, at=20)
    assert story.state("L1") == "closed_locked"
    end(story)
    assert story.state("L1") == "slide_deployed"
    assert alert(story, ("slide-deployed", "L1"))["state"] == "unacknowledged"


def test_a_released_slide_is_reset_before_it_is_declared_out() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=5)
    story.send("door/L1/slide_released", True, at=6)
    refused = refusal(grant(story, "slide-removed", doors=("L1",)))
    assert refused is not None
    assert (refused.kind, "reset" in refused.detail) == ("conflict", True)


def test_a_door_whose_slide_is_out_has_nothing_to_reset() -> None:
    story = alder()
    grant(story, "slide-removed", doors=("L1",))
    refused = refusal(story.reset("L1"))
    assert refused is not None
    assert alert(story, ("slide-deployed", "L1"))["state"] == "out_of_service"


# Drills


def test_a_drill_marks_what_stands_and_what_is_raised_while_it_runs() -> None:
    story = opened(running=True)
    grant(story, "drill", doors=("CF", "L1"), minutes=2)
    assert alert(story)["drill"] is True
    story.send("door/L1/lever_armed", True, at=20)
    story.send("door/L2/lever_armed", True)
    story.until(30)
    assert story.told(*GIRT)[-1].data["drill"] is True
    assert "drill" not in story.told("girt-disagree", "L2")[-1].data
    story.until(128)
    assert "drill" not in alert(story)
    assert "drill" not in alert(story, GIRT)


def test_a_drill_of_the_whole_aircraft_and_a_drill_that_takes_something_out() -> None:
    story = opened(running=True)
    grant(story, "drill", codes=("open-engine-running",), minutes=2)
    assert (alert(story)["state"], alert(story)["drill"]) == ("out_of_service", True)


def test_nobody_is_paged_in_a_drill_and_somebody_is_after_it() -> None:
    story = opened(running=False)
    grant(story, "drill", minutes=5)
    story.bundle(ENGINE_ON, at=10)
    story.until(300)
    assert (alert(story)["role"], "escalated" in alert(story)) == ("coordinator", False)
    story.until(308 + 9.999)
    assert "escalated" not in alert(story)
    story.until(308 + 10)
    assert (alert(story)["role"], alert(story)["escalated"]) == ("ops", True)


def test_a_drill_begun_meanwhile_stops_the_clock() -> None:
    story = opened(running=True)
    grant(story, "drill", minutes=5)
    story.until(100)
    assert "escalated" not in alert(story)


# Refusals


@pytest.mark.parametrize(
    ("given", "kind", "says"),
    [
        ({"reg": "TW-999"}, "not-found", "no aircraft TW-999"),
        ({"kind": "wash"}, "refused", "de-icing"),
        ({"by": " "}, "refused", "name"),
        ({"reason": ""}, "refused", "reason"),
        ({"minutes": 0}, "refused", "12 h"),
        ({"minutes": -1}, "refused", "12 h"),
        ({"minutes": 720.001}, "refused", "12 h"),
        ({"doors": ("L9",)}, "refused", "no door L9"),
        ({"codes": ("no-such",)}, "refused", "no hazard no-such"),
        ({"codes": ()}, "refused", "names the codes"),
        ({"codes": ("residual-pressure",)}, "refused", "never taken out"),
        ({"codes": ("armed-handle-moved",)}, "refused", "slide-removed permit alone"),
        ({"codes": ("slide-deployed",), "kind": "drill"}, "refused", "slide-removed permit alone"),
        ({"codes": ("girt-disagree",), "doors": ("CF",)}, "refused", "never raised at CF"),
        ({"codes": ("girt-disagree",), "doors": ("L1", "CF")}, "refused", "raised at CF"),
        ({"codes": ("girt-disagree",), "doors": ("L1", "-")}, "refused", "as a whole"),
        ({"codes": ("residual-pressure",), "kind": "slide-removed", "doors": ("L1",)}, "refused", "never taken out"),
        ({"codes": (), "kind": "slide-removed"}, "refused", "names each door"),
        ({"codes": (), "kind": "slide-removed", "doors": ("CF",)}, "refused", "CF has no slide"),
        ({"codes": (), "kind": "slide-removed", "doors": ("-",)}, "refused", "no slide"),
    ],
)  # fmt: skip
def test_what_a_permit_may_not_name_is_refused_with_what_would_be_right(
    given: dict[str, Any], kind: str, says: str
) -> None:
    story = opened(running=True)
    before = story.system.record.aircraft["TW-101"].doors["CF"].trackers["open-engine-running"].alert
    effects = grant(story, **{"codes": ("open-engine-running",), **given})
    refused = refusal(effects)
    assert refused is not None
    assert len(effects) == 1
    assert (refused.kind, says in refused.detail) == (kind, True), refused.detail
    assert story.system.record.permits == {}
    assert story.system.record.aircraft["TW-101"].doors["CF"].trackers["open-engine-running"].alert == before
    assert alert(story)["state"] == "unacknowledged"


def test_twelve_hours_are_allowed() -> None:
    story = opened(running=True)
    assert refusal(run_engine(story, minutes=720)) is None
    assert story.system.record.permits[permit_id(story)].until == story.now + 12 * HOUR


def test_an_aircraft_of_unknown_type_and_one_that_is_away_get_none() -> None:
    unknown = Story()
    unknown.send("airframe/beacon", False, at=1)
    refused = refusal(grant(unknown, codes=("open-engine-running",)))
    assert refused is not None
    assert "type" in refused.detail
    story = alder()
    story.declare("away")
    refused = refusal(grant(story, codes=("open-engine-running",)))
    assert refused is not None
    assert "away" in refused.detail


def test_there_is_an_end_to_how_many_may_run() -> None:
    story = alder()
    for _ in range(PERMITS_MAX):
        story.until((story.now - story.start) / SECOND + 1)
        assert refusal(run_engine(story)) is None
    refused = refusal(run_engine(story))
    assert refused is not None
    assert refused.kind == "conflict"


def test_the_same_permit_at_one_instant_is_one_permit() -> None:
    story = alder()
    assert refusal(run_engine(story)) is None
    refused = refusal(run_engine(story))
    assert refused is not None
    assert refused.kind == "conflict"
    assert len(story.system.record.permits) == 1


def test_one_that_was_ended_and_granted_again_at_one_instant_is_another() -> None:
    story = alder()
    run_engine(story)
    first = permit_id(story)
    end(story)
    assert refusal(run_engine(story)) is None
    assert permit_id(story) != first
    ids = [event.id for event in story.events]
    assert len(set(ids)) == len(ids) == 3


def test_what_does_not_run_cannot_be_ended() -> None:
    story = alder()
    refused = refusal(story.step(PermitEnded("abc", "Ann", "done")))
    assert refused is not None
    assert refused.kind == "not-found"


# Who, where and how long


@pytest.mark.parametrize("kind", KINDS)
def test_grant_and_end_are_audited(kind: str) -> None:
    story = opened(running=True)
    doors, codes = (("L1",), ()) if kind == "slide-removed" else (("CF",), ("open-engine-running",))
    [granted] = audits(grant(story, kind, doors=doors, codes=codes))
    subject = f"TW-101/permit/{permit_id(story)}"
    assert (granted.action, granted.by, granted.subject, granted.reason, granted.origin) == (
        "grant-permit", "Ann", subject, "engine run", "board",
    )  # fmt: skip
    assert granted.after.startswith(f"{kind}; {doors[0]}; ")
    [ended] = audits(end(story, by="Bea", reason="done"))
    assert (ended.action, ended.by, ended.subject, ended.reason) == ("end-permit", "Bea", subject, "done")


def test_the_clock_s_end_is_audited_too() -> None:
    story = opened(running=True)
    run_engine(story)
    story.until(700)
    last = story.audits()[-1]
    assert (last.action, last.by, last.reason, last.time) == (
        "end-permit", "sillwatch", "time is up", story.micros(608),
    )  # fmt: skip


def test_an_aircraft_that_leaves_takes_its_permits_along() -> None:
    story = opened(running=False)
    run_engine(story)
    grant(story, "slide-removed", doors=("L1",), minutes=60)
    effects = story.declare("away")
    assert story.system.record.permits == {}
    assert {row.reason for row in audits(effects) if row.action == "end-permit"} == {"away"}
    assert story.standing() == set()
    story.until(30)
    story.declare("present")
    assert not story.system.record.aircraft["TW-101"].doors["L1"].slide_removed
    assert story.standing() == set()
    seen = len(story.events)
    story.until(4000)
    assert [e for e in story.events[seen:] if e.type == "returned-to-service"] == []


def test_a_restart_keeps_permits_and_their_ends() -> None:
    story = opened(running=True)
    run_engine(story)
    grant(story, "slide-removed", doors=("L1",), minutes=10)
    again = story.copy()
    assert again.system.record == story.system.record
    assert again.system.record.aircraft["TW-101"].doors["L1"].slide_removed
    again.until(607)
    assert again.events == []
    again.until(609)
    assert again.types(*ENGINE) == ["returned-to-service", "reraised"]
    assert not again.system.record.aircraft["TW-101"].doors["L1"].slide_removed


def test_the_same_inputs_make_the_same_permit() -> None:
    ids = set()
    for _ in range(2):
        story = opened(running=False)
        run_engine(story)
        ids.add((permit_id(story), alert(story)["alert_id"]))
    assert len(ids) == 1


def test_the_list_counts_down_in_plain_sight() -> None:
    story = opened(running=True)
    run_engine(story, minutes=20)
    grant(story, "drill", minutes=10)
    documents = list_permits(story.system.record, story.now + 8 * SECOND)
    assert [(d["kind"], d["seconds_left"]) for d in documents] == [("drill", 592.0), ("ground-run", 1192.0)]
    ground = documents[1]
    assert (ground["doors"], ground["codes"], ground["by"], ground["reason"]) == (
        ["CF"], ["open-engine-running"], "Ann", "engine run",
    )  # fmt: skip
    assert ground["places"] == [{"door": "CF", "code": "open-engine-running"}]
    whole = readout.describe_aircraft(story.system, "TW-101", story.now)
    assert whole is not None
    assert whole["permits"] == list_permits(story.system.record, story.now, "TW-101")


def test_a_restart_publishes_what_is_out_again() -> None:
    story = opened(running=False)
    run_engine(story)
    held = readout.describe_held(story.system, "TW-101", "CF", "open-engine-running", story.now)
    assert isinstance(held, PublishActive)
    assert held.document == alert(story)


def test_what_is_silenced_by_then_comes_back_without_a_sound() -> None:
    """The slide went while its low bottle was out of service: the release has taken over."""
    story = alder()
    grant(story, "ground-run", doors=("L1",), codes=("bottle-low",), minutes=5)
    story.send("door/L1/slide_bottle_bar", 100.0, at=10)
    story.until(80)
    story.send("door/L1/slide_released", True, at=90)
    before = len(story.events)
    end(story)
    assert [e.type for e in story.events[before:] if e.code == "bottle-low"] == ["returned-to-service", "suppressed"]
    assert alert(story, ("bottle-low", "L1"))["state"] == "suppressed"
