"""What people do by HTTP, against a running instance: done and audited, or refused with the reason."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.times import SECOND, format_time, parse_time
from tests.acceptance.clients import Sender, Watcher
from tests.acceptance.conftest import Live
from tests.acceptance.programs import SITE, until
from tests.stories import ARMED

pytestmark = pytest.mark.broker


def lift(live: Live, sender: Sender, door: str = "L1") -> dict[str, Any]:
    """An ``armed-handle-moved`` that stands."""
    sender.at_door(door, **ARMED)
    sender.send(f"door/{door}/handle_lifted", True)
    return live.instance.wait_alert(sender.reg, "armed-handle-moved", door)


def contradict(live: Live, sender: Sender) -> dict[str, Any]:
    """A ``lock-disagree`` that stands: a caution that may be shelved."""
    sender.send("door/CA/latched", False)
    return live.instance.wait_alert(sender.reg, "lock-disagree", "CA")


def release(live: Live, sender: Sender, door: str = "L2") -> dict[str, Any]:
    """A slide out of its pack."""
    sender.at_door(door, **ARMED)
    sender.at_door(door, closed=False, latched=False, locked=False, handle_lifted=True, slide_released=True)
    live.instance.wait_door(sender.reg, door, "slide_deployed")
    return live.instance.wait_alert(sender.reg, "slide-deployed", door)


def act(live: Live, alert: dict[str, Any], word: str, **body: Any) -> Any:
    return live.instance.post(f"/api/v1/alerts/{alert['alert_id']}/{word}", body)


def audit(live: Live, subject: str) -> list[dict[str, Any]]:
    """What is on record about a subject, oldest first."""
    rows = live.instance.list_all("/api/v1/audit")
    return [row for row in reversed(rows) if row["subject"].startswith(subject)]


def problem(answer: Any, status: int, kind: str) -> str:
    """The detail of a problem document, after holding its form to RFC 9457."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert (body["type"], body["status"]) == (f"/api/v1/problems/{kind}", status)
    assert body["title"]
    detail = body["detail"]
    assert isinstance(detail, str)
    return detail


def test_acknowledge_and_withdraw_it(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = lift(live, sender)
    done = act(live, alert, "acknowledge", by="Ann", reason="going there", seen=alert["changed_at"])
    assert done.status_code == 200, done.text
    acknowledged = done.json()
    assert (acknowledged["state"], acknowledged["by"], acknowledged["reason"]) == ("acknowledged", "Ann", "going there")
    assert live.instance.alert(sender.reg, "armed-handle-moved", "L1") == acknowledged
    withdrawn = act(live, alert, "unacknowledge", by="Ben", reason="wrong door").json()
    assert (withdrawn["state"], withdrawn["by"], withdrawn["reason"]) == ("unacknowledged", "Ben", "wrong door")
    again = act(live, alert, "acknowledge")
    assert again.json()["by"] == "unnamed"
    subject = f"{sender.reg}/L1/armed-handle-moved/{alert['alert_id']}"
    rows = audit(live, subject)
    keys = ("by", "action", "reason", "before", "after")
    assert [tuple(row[key] for key in keys) for row in rows] == [
        ("Ann", "acknowledge", "going there", "unacknowledged", "acknowledged"),
        ("Ben", "unacknowledge", "wrong door", "acknowledged", "unacknowledged"),
        ("unnamed", "acknowledge", "", "unacknowledged", "acknowledged"),
    ]
    assert all(row["subject"] == subject and parse_time(row["time"]) > 0 for row in rows)
    assert all(row["origin"] == "127.0.0.1" for row in rows), "from where is on record"


def test_what_was_seen_has_to_be_the_newest(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = lift(live, sender)
    sender.send("door/L1/handle_lifted", False)
    newer = live.instance.wait_alert(sender.reg, "armed-handle-moved", "L1", state="rtn_unacknowledged")
    detail = problem(act(live, alert, "acknowledge", by="Ann", seen=alert["changed_at"]), 409, "conflict")
    assert newer["changed_at"] in detail
    assert audit(live, sender.reg) == []
    done = act(live, alert, "acknowledge", by="Ann", seen=newer["changed_at"])
    assert (done.status_code, done.json()["state"]) == (200, "normal")
    assert live.instance.alert(sender.reg, "armed-handle-moved", "L1") is None
    problem(act(live, alert, "acknowledge", by="Ann"), 404, "not-found")
    problem(act(live, alert, "unacknowledge", by="Ann"), 404, "not-found")


def test_twice_is_once(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = lift(live, sender)
    assert act(live, alert, "acknowledge", by="Ann").status_code == 200
    problem(act(live, alert, "acknowledge", by="Ben"), 409, "conflict")
    problem(act(live, alert, "unshelve", by="Ben"), 409, "conflict")
    standing = live.instance.alert(sender.reg, "armed-handle-moved", "L1")
    assert standing is not None
    assert standing["by"] == "Ann"
    assert [row["by"] for row in audit(live, sender.reg)] == ["Ann"]


def test_what_asks_for_an_answer_in_seconds_is_not_shelved(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = lift(live, sender)
    detail = problem(act(live, alert, "shelve", by="Ann", reason="busy", minutes=5), 422, "refused")
    assert "armed-handle-moved" in detail
    assert live.instance.alert(sender.reg, "armed-handle-moved", "L1") == alert


def test_shelve_and_take_it_back(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = contradict(live, sender)
    topic = f"sillwatch/v1/event/{SITE}/{sender.reg}/CA/lock-disagree"
    with Watcher(live.url, live.folder, topic) as watcher:
        done = act(live, alert, "shelve", by="Ann", reason="sensor on order", minutes=30)
        assert done.status_code == 200, done.text
        shelved = done.json()
        assert (shelved["state"], shelved["by"], shelved["reason"]) == ("shelved", "Ann", "sensor on order")
        lasts = parse_time(shelved["shelved_until"]) - parse_time(shelved["changed_at"])
        assert abs(lasts - 30 * 60 * SECOND) <= SECOND
        problem(act(live, alert, "acknowledge", by="Ben"), 409, "conflict")
        back = act(live, alert, "unshelve", by="Ben", reason="looked")
        assert back.status_code == 200, back.text
        assert back.json()["state"] == "unacknowledged"
        assert "shelved_until" not in back.json()
        types = [seen.json["type"] for seen in watcher.wait(topic, 3)]
    assert types == [f"sillwatch.alert.{word}" for word in ("shelved", "unshelved", "reraised")]
    assert [row["action"] for row in audit(live, sender.reg)] == ["shelve", "unshelve"]


def test_a_shelf_ends_by_itself(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = contradict(live, sender)
    assert act(live, alert, "shelve", by="Ann", reason="for a moment", minutes=0.02).json()["state"] == "shelved"
    back = live.instance.wait_alert(sender.reg, "lock-disagree", "CA")
    assert back["alert_id"] == alert["alert_id"]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"by": "Ann", "reason": "busy"}, "/minutes"),
        ({"by": "Ann", "minutes": 5}, "/reason"),
        ({"reason": "busy", "minutes": 5}, "/by"),
        ({"by": "Ann", "reason": "busy", "minutes": 481}, "/minutes"),
        ({"by": "Ann", "reason": "busy", "minutes": 0}, "/minutes"),
        ({"by": "Ann", "reason": "busy", "minutes": "5"}, "/minutes"),
        ({"by": "Ann", "reason": " ", "minutes": 5}, "/reason"),
        ({"by": "Ann", "reason": "busy", "minutes": 5, "hours": 1}, "/hours"),
    ],
)
def test_shelving_needs_who_why_and_an_end(live_mosquitto: Live, body: dict[str, Any], pointer: str) -> None:
    answer = live_mosquitto.instance.post("/api/v1/alerts/any/shelve", body)
    problem(answer, 422, "invalid")
    assert pointer in [error["pointer"] for error in answer.json()["errors"]]


def test_reset_of_a_released_slide(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    release(live, sender)
    path = f"/api/v1/aircraft/{sender.reg}/doors/L2/reset"
    body = {"by": "Ann", "reason": "new slide fitted"}
    assert "slide_released" in problem(live.instance.post(path, body), 409, "conflict")
    sender.send("door/L2/slide_released", False)
    live.instance.wait_alert(sender.reg, "slide-deployed", "L2", state="rtn_unacknowledged")
    assert live.instance.door(sender.reg, "L2")["state"] == "slide_deployed", "no sensor ends it"
    topic = f"sillwatch/v1/event/{SITE}/{sender.reg}/L2/slide-deployed"
    with Watcher(live.url, live.folder, topic) as watcher:
        done = live.instance.post(path, body)
        assert done.status_code == 200, done.text
        [event] = watcher.wait(topic)
    assert event.json["type"] == "sillwatch.alert.reset"
    assert event.json["data"]["state"] == "normal"
    assert done.json()["state"] == "ajar"
    assert live.instance.door(sender.reg, "L2")["slide"] != "released"
    assert live.instance.alert(sender.reg, "slide-deployed", "L2") is None
    [row] = audit(live, f"{sender.reg}/L2")
    assert [row[key] for key in ("action", "by", "reason", "before", "after")] == [
        *("reset", "Ann", "new slide fitted", "slide_deployed", "ajar")
    ]
    assert "no released slide" in problem(live.instance.post(path, body), 409, "conflict")


def test_an_acknowledged_slide_waits_for_its_reset(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = release(live, sender, "R1")
    assert act(live, alert, "acknowledge", by="Ann").json()["state"] == "acknowledged"
    sender.send("door/R1/slide_released", False)
    latched = live.instance.wait_alert(sender.reg, "slide-deployed", "R1", state="latched")
    assert latched["alert_id"] == alert["alert_id"]
    done = live.instance.post(f"/api/v1/aircraft/{sender.reg}/doors/R1/reset", {"by": "Ann", "reason": "packed"})
    assert done.status_code == 200, done.text
    assert live.instance.alert(sender.reg, "slide-deployed", "R1") is None


@pytest.mark.parametrize(
    ("path", "body", "status", "kind"),
    [
        ("/api/v1/aircraft/ZT-NIL/doors/L1/reset", {"by": "Ann", "reason": "new"}, 404, "not-found"),
        ("/api/v1/aircraft/{reg}/doors/L9/reset", {"by": "Ann", "reason": "new"}, 404, "not-found"),
        ("/api/v1/aircraft/{reg}/doors/L1/reset", {"by": "Ann", "reason": "new"}, 409, "conflict"),
        ("/api/v1/aircraft/{reg}/doors/L1/reset", {"by": "Ann"}, 422, "invalid"),
        ("/api/v1/aircraft/ZT-NIL/presence", {"presence": "away"}, 404, "not-found"),
        ("/api/v1/aircraft/{reg}/presence", {"presence": "gone"}, 422, "invalid"),
        ("/api/v1/alerts/nothing/acknowledge", {"by": "Ann"}, 404, "not-found"),
        ("/api/v1/alerts/nothing/close", {"by": "Ann"}, 404, "not-found"),
    ],
)
def test_what_cannot_be_done_is_a_problem(
    live_mosquitto: Live, path: str, body: dict[str, Any], status: int, kind: str
) -> None:
    sender = live_mosquitto.arrived()
    assert problem(live_mosquitto.instance.post(path.format(reg=sender.reg), body), status, kind)
    assert audit(live_mosquitto, sender.reg) == []


def test_away_and_back(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = lift(live, sender)
    path = f"/api/v1/aircraft/{sender.reg}/presence"
    topics = (
        f"sillwatch/v1/door/{SITE}/{sender.reg}/L1",
        f"sillwatch/v1/active/{SITE}/{sender.reg}/L1/armed-handle-moved",
    )
    with Watcher(live.url, live.folder, *topics) as watcher:
        gone = live.instance.post(path, {"presence": "away", "by": "Ann", "reason": "pushed back"})
        assert (gone.status_code, gone.json()["presence"]) == (200, "away")
        until(
            lambda: [seen.payload for topic in topics for seen in watcher.on(topic)[-1:]] == [b"", b""],
            lambda: f"both emptied: {watcher.seen}",
        )
        [last] = live.instance.list_all("/api/v1/history", aircraft=sender.reg)[:1]
        assert (last["type"], last["data"]["reason"]) == ("sillwatch.alert.cleared", "away")
        assert live.instance.list_all("/api/v1/alerts", aircraft=sender.reg) == []
        sender.send("door/L1/handle_lifted", False)
        back = live.instance.post(path, {"presence": "present", "by": "Ann"})
        assert (back.status_code, back.json()["presence"]) == (200, "present")
        until(lambda: watcher.on(topics[0])[-1].payload, "the door's document again")
    live.instance.wait_door(sender.reg, "L1", "armed")
    sender.send("door/L1/handle_lifted", True)
    again = live.instance.wait_alert(sender.reg, "armed-handle-moved", "L1")
    assert again["alert_id"] != alert["alert_id"]
    rows = audit(live, sender.reg)
    assert [(row["action"], row["before"], row["after"]) for row in rows] == [
        ("declare-presence", "present", "away"),
        ("declare-presence", "away", "present"),
    ]


def test_parked_is_shown_and_raises_nothing(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    parked = live.instance.post(f"/api/v1/aircraft/{sender.reg}/presence", {"presence": "powered_down", "by": "Ann"})
    assert parked.json()["presence"] == "powered_down"
    assert {door["state"] for door in parked.json()["doors"].values()} == {"unknown"}
    sender.at_door("L1", **ARMED)
    sender.send("door/L1/handle_lifted", True)
    until(
        lambda: live.instance.ask(f"/api/v1/aircraft/{sender.reg}")["signals"]["door/L1/handle_lifted"]["value"],
        "taken",
    )
    assert live.instance.list_all("/api/v1/alerts", aircraft=sender.reg) == []


def test_closing_takes_a_blind_alert_only(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = lift(live, sender)
    problem(act(live, alert, "close", by="Ann"), 409, "conflict")
    sender.withdraw("door/L1/handle_lifted")

    def blind() -> dict[str, Any] | None:
        standing = live.instance.alert(sender.reg, "armed-handle-moved", "L1")
        return standing if standing is not None and standing.get("blind") else None

    until(blind, "blind")
    done = act(live, alert, "close", by="Ann", reason="I stood there")
    assert (done.status_code, done.json()["state"]) == (200, "normal")
    assert live.instance.alert(sender.reg, "armed-handle-moved", "L1") is None
    assert [row["action"] for row in audit(live, sender.reg)] == ["close"]


def test_the_lists_are_filtered(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    warning, caution = lift(live, sender), contradict(live, sender)
    act(live, warning, "acknowledge", by="Ann")

    def ids(**query: Any) -> set[str]:
        return {a["alert_id"] for a in live.instance.list_all("/api/v1/alerts", aircraft=sender.reg, **query)}

    assert ids() == ids(limit=1) == {warning["alert_id"], caution["alert_id"]}
    assert ids(state="acknowledged") == ids(priority="warning") == {warning["alert_id"]}
    assert ids(state="unacknowledged") == ids(priority="caution,advisory") == {caution["alert_id"]}
    assert ids(state="latched") == set()
    since = format_time(parse_time(caution["raised_at"]))
    rows = live.instance.list_all("/api/v1/history", aircraft=sender.reg, code="lock-disagree", since=since)
    assert [row["data"]["alert_id"] for row in rows] == [caution["alert_id"]]
    assert live.instance.list_all("/api/v1/history", aircraft=sender.reg, door="R2") == []


def test_a_permit_takes_out_of_service_in_plain_sight_and_ends(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = contradict(live, sender)
    body = {"kind": "de-icing", "aircraft": sender.reg, "doors": ["CA"], "codes": ["lock-disagree"], "by": "Ann"}
    assert "/reason" in str(live.instance.post("/api/v1/permits", {**body, "minutes": 30}).json()["errors"])
    body["reason"] = "sensor sprayed"
    never = {**body, "codes": ["residual-pressure"], "minutes": 30}
    assert "residual-pressure" in problem(live.instance.post("/api/v1/permits", never), 422, "refused")
    topic = f"sillwatch/v1/event/{SITE}/{sender.reg}/CA/lock-disagree"
    with Watcher(live.url, live.folder, topic) as watcher:
        granted = live.instance.post("/api/v1/permits", {**body, "minutes": 30})
        assert granted.status_code == 201, granted.text
        permit = granted.json()
        assert (permit["codes"], permit["by"], permit["doors"]) == (["lock-disagree"], "Ann", ["CA"])
        assert 1790 < permit["seconds_left"] <= 1800
        out = live.instance.alert(sender.reg, "lock-disagree", "CA")
        assert out is not None
        assert (out["alert_id"], out["state"], out["permit"]) == (
            alert["alert_id"], "out_of_service", permit["permit_id"],
        )  # fmt: skip
        listed = live.instance.list_all("/api/v1/permits")
        assert permit["permit_id"] in [each["permit_id"] for each in listed]
        whole = live.instance.ask(f"/api/v1/aircraft/{sender.reg}")
        assert [each["permit_id"] for each in whole["permits"]] == [permit["permit_id"]]
        path = f"/api/v1/permits/{permit['permit_id']}/end"
        ended = live.instance.post(path, {"by": "Ben", "reason": "dry again"})
        assert (ended.status_code, ended.json()["ended"]) == (200, True)
        types = [seen.json["type"] for seen in watcher.wait(topic, 3)]
    assert types == [f"sillwatch.alert.{word}" for word in ("taken-out-of-service", "returned-to-service", "reraised")]
    problem(live.instance.post(path, {"by": "Ben"}), 404, "not-found")
    assert [row["action"] for row in audit(live, sender.reg)] == ["grant-permit", "end-permit"]


def test_a_permit_ends_by_itself(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = contradict(live, sender)
    body = {"kind": "tow", "aircraft": sender.reg, "codes": ["lock-disagree"], "by": "Ann", "reason": "towed"}
    assert live.instance.post("/api/v1/permits", {**body, "minutes": 0.02}).status_code == 201
    back = live.instance.wait_alert(sender.reg, "lock-disagree", "CA")
    assert back["alert_id"] == alert["alert_id"]
    # The clock's end is told before it is on record.
    rows = until(lambda: audit(live, sender.reg)[1:], "the end on record")
    assert [(row["action"], row["by"], row["reason"]) for row in rows] == [("end-permit", "sillwatch", "time is up")]


def test_a_report_is_a_witness_beside_the_sensors(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    path = f"/api/v1/aircraft/{sender.reg}/doors/L1/report"
    done = live.instance.post(path, {"by": "Ann", "sees": {"lock_indicator": "unlocked"}})
    assert done.status_code == 200, done.text
    word = done.json()["reports"]["lock_indicator"]
    assert (word["value"], word["by"], word["agrees"]) == ("unlocked", "Ann", False)
    assert 0 <= word["age_s"] < 60
    assert done.json()["state"] == "closed_locked"
    assert "travel" in problem(live.instance.post(path, {"by": "Ann", "sees": {"travel": True}}), 422, "refused")
    taken_back = live.instance.post(path, {"by": "Ann", "sees": {"lock_indicator": None}})
    assert taken_back.json()["reports"] == {}
    assert [(row["action"], row["after"]) for row in audit(live, sender.reg)] == [
        ("report", "lock_indicator=unlocked"), ("report", "lock_indicator=withdrawn"),
    ]  # fmt: skip


def test_a_warning_that_nobody_acknowledges_goes_to_the_next_role(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    alert = lift(live, sender)
    assert alert["role"] == "coordinator"

    def handed_on() -> dict[str, Any] | None:
        standing = live.instance.alert(sender.reg, "armed-handle-moved", "L1")
        return standing if standing is not None and standing.get("escalated") else None

    def handed_on_in_time() -> dict[str, Any] | None:
        standing = handed_on()
        late = (
            standing is not None
            and parse_time(standing["escalated_at"]) >= parse_time(alert["changed_at"]) + 5 * SECOND
        )
        return standing if late else None

    first = until(handed_on, "handed on, being on no screen")
    assert first is not None
    assert (first["role"], first["on_no_screen"]) == ("ops", True)
    later = until(handed_on_in_time, "handed on, nobody having answered")
    assert later is not None
    assert (later["role"], later["changed_at"]) == ("ops", alert["changed_at"])
    assert parse_time(later["escalated_at"]) - parse_time(alert["changed_at"]) == 5 * SECOND
