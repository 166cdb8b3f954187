"""What people do, from the body to the command and from the effects to the answer."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from monitor.adapters.web.guard import BODY_MAX
from monitor.core.effects import PublishEvent, RefuseCommand
from monitor.core.events import (
    AlertAcknowledged,
    AlertClosed,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    DoorReset,
    PresenceDeclared,
)
from monitor.core.times import MINUTE, parse_time
from tests.adapters.web.fake_reader import START, FakeReader, alert_document
from tests.adapters.web.http_client import Answer, ask, until

ALERT = "ZZ-KAT-L1-armed-handle-moved-1"
PATH = f"/api/v1/alerts/{ALERT}"


async def post(url: str, path: str, body: Any = None, **headers: str) -> Answer:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return await ask(url, path, method="POST", body=body, headers=named)


async def test_an_acknowledgement_needs_no_body(url: str, reader: FakeReader) -> None:
    answer = await post(url, f"{PATH}/acknowledge")
    assert answer.status == 200
    assert answer.json()["alert_id"] == ALERT
    assert answer.json()["state"] == "acknowledged"
    for body in ({}, b"null"):
        assert (await post(url, f"{PATH}/acknowledge", body)).status == 200
    assert reader.submitted == [AlertAcknowledged(ALERT, "unnamed", "", None, "127.0.0.1")] * 3


async def test_who_why_and_what_was_seen_go_along(url: str, reader: FakeReader) -> None:
    body = {"by": " Mia ", "reason": "on my way", "seen": "2026-03-01T12:15:00.125+02:00"}
    await post(url, f"{PATH}/acknowledge", body)
    assert reader.submitted == [
        AlertAcknowledged(ALERT, "Mia", "on my way", parse_time("2026-03-01T10:15:00.125Z"), "127.0.0.1")
    ]


@pytest.mark.parametrize(
    ("word", "command"),
    [("unacknowledge", AlertUnacknowledged), ("unshelve", AlertUnshelved), ("close", AlertClosed)],
)
async def test_the_other_actions_on_an_alert(url: str, reader: FakeReader, word: str, command: Any) -> None:
    answer = await post(url, f"{PATH}/{word}", {"by": "Mia"})
    assert answer.json()["alert_id"] == ALERT
    assert reader.submitted == [command(ALERT, "Mia", "", None, "127.0.0.1")]


async def test_shelving_ends_after_its_minutes(url: str, reader: FakeReader) -> None:
    for minutes in (0.5, 480):
        await post(url, f"{PATH}/shelve", {"by": "Mia", "reason": "part ordered", "minutes": minutes})
    assert reader.submitted == [
        AlertShelved(ALERT, "Mia", "part ordered", START + MINUTE // 2, None, "127.0.0.1"),
        AlertShelved(ALERT, "Mia", "part ordered", START + 480 * MINUTE, None, "127.0.0.1"),
    ]


SHELVE = {"by": "Mia", "reason": "part ordered", "minutes": 5}


@pytest.mark.parametrize(
    ("word", "body", "pointer"),
    [
        ("shelve", {**SHELVE, "minutes": 0}, "/minutes"),
        ("shelve", {**SHELVE, "minutes": 480.1}, "/minutes"),
        ("shelve", {**SHELVE, "minutes": "5"}, "/minutes"),
        ("shelve", {**SHELVE, "minutes": True}, "/minutes"),
        ("shelve", b'{"by": "Mia", "reason": "x", "minutes": NaN}', "/minutes"),
        ("shelve", {"by": "Mia", "minutes": 5}, "/reason"),
        ("shelve", {**SHELVE, "by": "  "}, "/by"),
        ("shelve", {**SHELVE, "until": "noon"}, "/until"),
        ("shelve", None, ""),
        ("acknowledge", {"by": "a\nb"}, "/by"),
        ("acknowledge", {"by": "a" * 81}, "/by"),
        ("acknowledge", {"seen": "noon"}, "/seen"),
        ("acknowledge", {"seen": 5}, "/seen"),
        ("acknowledge", [], ""),
        ("acknowledge", b'{"\\ud800": 1}', ""),
        ("acknowledge", {"a/b~c": 1}, "/a~1b~0c"),
    ],
)
async def test_a_body_that_does_not_fit_is_pointed_at_and_changes_nothing(
    url: str, reader: FakeReader, word: str, body: Any, pointer: str
) -> None:
    answer = await post(url, f"{PATH}/{word}", body)
    assert answer.status == 422
    assert answer.json()["type"] == "/api/v1/problems/invalid"
    assert [part["pointer"] for part in answer.json()["errors"]] == [pointer]
    assert reader.submitted == []


@pytest.mark.parametrize("body", [b"{", b"\xff\xfe", b'{"by": "' + b"\xc3" + b'"}'])
async def test_what_is_not_json_is_malformed(url: str, reader: FakeReader, body: bytes) -> None:
    answer = await post(url, f"{PATH}/acknowledge", body)
    assert (answer.status, answer.json()["type"]) == (400, "/api/v1/problems/malformed")
    assert reader.submitted == []


@pytest.mark.parametrize(
    ("kind", "status", "word"),
    [("not-found", 404, "not-found"), ("conflict", 409, "conflict"), ("refused", 422, "refused")],
)
async def test_a_refusal_says_why(url: str, reader: FakeReader, kind: str, status: int, word: str) -> None:
    reader.effects = [RefuseCommand(kind, "It changed at 10:15:02; look again.")]
    answer = await post(url, f"{PATH}/acknowledge")
    assert answer.status == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["type"] == f"/api/v1/problems/{word}"
    assert answer.json()["detail"] == "It changed at 10:15:02; look again."


async def test_an_alert_that_is_over_is_answered_as_last_told(url: str, reader: FakeReader) -> None:
    gone = alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning", state="normal")
    reader.active = []
    reader.effects = [PublishEvent("ZZ-KAT", "L1", "armed-handle-moved", "acknowledged", "e2", START, gone)]
    assert (await post(url, f"{PATH}/acknowledge")).json() == gone


async def test_an_alert_id_may_hold_any_sign(url: str, reader: FakeReader) -> None:
    reader.effects = []
    answer = await post(url, "/api/v1/alerts/a%2Fb%3Ac%20d/close")
    assert answer.json() == {"alert_id": "a/b:c d", "state": "normal"}
    assert (await post(url, f"/api/v1/alerts/{'a' * 301}/close")).status == 404


async def test_an_answer_waits_until_it_is_durable(url: str, reader: FakeReader) -> None:
    reader.durable.clear()
    asked = asyncio.create_task(post(url, f"{PATH}/acknowledge"))
    await until(lambda: bool(reader.submitted))
    assert not asked.done()
    reader.durable.set()
    assert (await asked).status == 200


async def test_what_is_never_durable_is_not_called_done(url: str, reader: FakeReader) -> None:
    reader.durable.clear()
    answer = await post(url, f"{PATH}/acknowledge")
    assert (answer.status, answer.json()["type"]) == (503, "/api/v1/problems/not-durable")


async def test_a_door_is_reset_by_a_named_person_with_a_reason(url: str, reader: FakeReader) -> None:
    path = "/api/v1/aircraft/ZZ-KAT/doors/L1/reset"
    answer = await post(url, path, {"by": "Mia", "reason": "slide replaced"})
    assert answer.json()["state"] == "armed"
    assert reader.submitted == [DoorReset("ZZ-KAT", "L1", "Mia", "slide replaced", "127.0.0.1")]
    assert (await post(url, path, {"by": "Mia"})).status == 422
    assert (await post(url, path)).status == 422
    assert (await post(url, "/api/v1/aircraft/zz/doors/L1/reset", {"by": "Mia", "reason": "x"})).status == 404
    assert len(reader.submitted) == 1


async def test_presence_is_declared(url: str, reader: FakeReader) -> None:
    path = "/api/v1/aircraft/ZZ-KAT/presence"
    answer = await post(url, path, {"presence": "away", "by": "Mia", "reason": "towed"})
    assert answer.json()["aircraft"] == "ZZ-KAT"
    assert reader.submitted == [PresenceDeclared("ZZ-KAT", "away", "Mia", "towed", "127.0.0.1")]
    assert (await post(url, path, {"presence": "gone"})).status == 422


async def test_another_sites_page_cannot_act(url: str, reader: FakeReader) -> None:
    for headers in ({"Origin": "http://apron.example"}, {"Sec_Fetch_Site": "same-site"}):
        answer = await post(url, f"{PATH}/acknowledge", **headers)
        assert (answer.status, answer.json()["type"]) == (403, "/api/v1/problems/cross-site")
    assert (await post(url, f"{PATH}/acknowledge", Host="apron.example")).status == 421
    form = await post(url, f"{PATH}/acknowledge", b"by=Mia", Content_Type="application/x-www-form-urlencoded")
    assert form.status == 415
    assert reader.submitted == []
    assert (await post(url, f"{PATH}/acknowledge", Origin=url, Sec_Fetch_Site="same-origin")).status == 200


async def test_a_large_body_is_refused_whether_or_not_it_says_so(url: str, reader: FakeReader) -> None:
    large = b'{"by": "' + b"a" * BODY_MAX + b'"}'
    announced = await post(url, f"{PATH}/acknowledge", large)
    chunks = b"%x\r\n%s\r\n0\r\n\r\n" % (len(large), large)
    chunked = await post(url, f"{PATH}/acknowledge", chunks, Content_Length=None, Transfer_Encoding="chunked")  # type: ignore[arg-type]
    for answer in (announced, chunked):
        assert (answer.status, answer.json()["type"]) == (413, "/api/v1/problems/too-large")
    assert reader.submitted == []


@pytest.mark.parametrize("mark", ["\u0000", "\u001b", "\u007f", "\u0085", "\u009b", "\u2028", "\u202e", "\u2066"])
@pytest.mark.parametrize("key", ["by", "reason"])
async def test_a_word_that_could_not_be_printed_as_it_is_is_refused(
    url: str, reader: FakeReader, key: str, mark: str
) -> None:
    """Controls, line breaks and what turns the direction of the text (Unicode Standard Annex #9)."""
    answer = await post(url, f"{PATH}/acknowledge", {key: f"a{mark}b"})
    assert (answer.status, [error["pointer"] for error in answer.json()["errors"]]) == (422, [f"/{key}"])
    assert (await post(url, f"{PATH}/acknowledge", {key: "Zoë Łęcka, يوسف"})).status == 200
    assert len(reader.submitted) == 1
