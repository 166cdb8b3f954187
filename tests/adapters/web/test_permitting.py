"""Permits, reports and identities: from the body to the command and from the effects to the answer."""

from __future__ import annotations

from typing import Any, Final

import pytest

from monitor.core.effects import RecordAudit, RefuseCommand
from monitor.core.events import DoorReported, IdentitySettled, PermitEnded, PermitGranted
from monitor.core.times import HOUR, MINUTE, format_time
from tests.adapters.web.fake_reader import START, FakeReader
from tests.adapters.web.http_client import Answer, ask

PERMIT: Final = {"permit_id": "ab12", "kind": "ground-run", "until": format_time(START + HOUR), "seconds_left": 3600.0}
OTHER: Final = {"permit_id": "cd34", "kind": "drill", "until": format_time(START + MINUTE), "seconds_left": 60.0}
GRANT: Final[dict[str, Any]] = {
    "kind": "ground-run", "aircraft": "ZZ-KAT", "doors": ["CF"], "codes": ["open-engine-running"],
    "reason": "engine run", "by": "Mia", "minutes": 60,
}  # fmt: skip
REPORT: Final = "/api/v1/aircraft/ZZ-KAT/doors/L1/report"
IDENTITY: Final = "/api/v1/aircraft/ZZ-KAT/identity"


async def post(url: str, path: str, body: Any = None) -> Answer:
    return await ask(url, path, method="POST", body=body)


def granted(reader: FakeReader) -> None:
    """The core grants whatever is asked."""
    reader.running = [PERMIT, OTHER]
    reader.effects = [RecordAudit(START, "Mia", "grant-permit", "ZZ-KAT/permit/ab12", "engine run", "", "ground-run")]


async def test_a_permit_is_granted_and_answered_with(url: str, reader: FakeReader) -> None:
    granted(reader)
    answer = await post(url, "/api/v1/permits", GRANT)
    assert (answer.status, answer.json()) == (201, PERMIT)
    assert reader.submitted == [
        PermitGranted(
            "ground-run", "ZZ-KAT", ("CF",), ("open-engine-running",), START + HOUR, "Mia", "engine run", "127.0.0.1"
        )
    ]


async def test_an_end_may_be_a_moment_and_doors_and_codes_may_be_left_out(url: str, reader: FakeReader) -> None:
    granted(reader)
    body = {"kind": "drill", "aircraft": "ZZ-KAT", "reason": "training", "by": "Mia", "until": "2026-03-01T12:00:00Z"}
    assert (await post(url, "/api/v1/permits", body)).status == 201
    [command] = reader.submitted
    assert isinstance(command, PermitGranted)
    assert (command.doors, command.codes, format_time(command.until)) == ((), (), "2026-03-01T12:00:00.000Z")


async def test_a_permit_that_is_over_already_is_not_found(url: str, reader: FakeReader) -> None:
    granted(reader)
    reader.running = [OTHER]
    answer = await post(url, "/api/v1/permits", GRANT)
    assert (answer.status, answer.json()["type"]) == (404, "/api/v1/problems/not-found")


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"kind": "wash"}, "/kind"),
        ({"aircraft": "zz"}, "/aircraft"),
        ({"aircraft": None}, "/aircraft"),
        ({"doors": "CF"}, "/doors"),
        ({"doors": ["C F"]}, "/doors/0"),
        ({"codes": ["Open"]}, "/codes/0"),
        ({"reason": " "}, "/reason"),
        ({"by": ""}, "/by"),
        ({"minutes": 0}, "/minutes"),
        ({"minutes": 720.1}, "/minutes"),
        ({"minutes": "60"}, "/minutes"),
        ({"minutes": None}, ""),
        ({"until": "2026-03-01T12:00:00Z"}, ""),
        ({"minutes": None, "until": "noon"}, "/until"),
        ({"hours": 1}, "/hours"),
    ],
)
async def test_a_permit_that_does_not_fit_is_pointed_at(
    url: str, reader: FakeReader, change: dict[str, Any], pointer: str
) -> None:
    answer = await post(url, "/api/v1/permits", {**GRANT, **change})
    assert answer.status == 422
    assert pointer in [part["pointer"] for part in answer.json()["errors"]]
    assert reader.submitted == []


async def test_a_permit_is_ended(url: str, reader: FakeReader) -> None:
    granted(reader)
    answer = await post(url, "/api/v1/permits/ab12/end", {"by": "Mia", "reason": "done"})
    assert (answer.status, answer.json()) == (200, {**PERMIT, "seconds_left": 0.0, "ended": True})
    await post(url, "/api/v1/permits/ab12/end")
    assert reader.submitted == [
        PermitEnded("ab12", "Mia", "done", "127.0.0.1"), PermitEnded("ab12", "unnamed", "", "127.0.0.1"),
    ]  # fmt: skip
    assert (await post(url, "/api/v1/permits/x%20y/end")).status in (404, 422)
    assert len(reader.submitted) == 2


async def test_the_permits_are_listed_the_first_to_end_first(url: str, reader: FakeReader) -> None:
    granted(reader)
    first = (await ask(url, "/api/v1/permits?limit=1")).json()
    assert first["items"] == [OTHER]
    assert (await ask(url, f"/api/v1/permits?after={first['next']}")).json() == {"items": [PERMIT], "next": None}


async def test_a_report_is_taken_down_and_answered_with_the_door(url: str, reader: FakeReader) -> None:
    body = {"by": "Mia", "sees": {"lock_indicator": "unlocked", "closed": True, "locked": None}}
    answer = await post(url, REPORT, body)
    assert (answer.status, answer.json()["door"]) == (200, "L1")
    sees = (("lock_indicator", "unlocked"), ("closed", True), ("locked", None))
    assert reader.submitted == [DoorReported("ZZ-KAT", "L1", sees, "Mia", "", "127.0.0.1")]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"sees": {"closed": True}}, "/by"),
        ({"by": "Mia"}, "/sees"),
        ({"by": "Mia", "sees": {}}, "/sees"),
        ({"by": "Mia", "sees": []}, "/sees"),
        ({"by": "Mia", "sees": {"closed": True}, "why": "x"}, "/why"),
    ],
)
async def test_a_report_that_does_not_fit_is_pointed_at(url: str, reader: FakeReader, body: Any, pointer: str) -> None:
    answer = await post(url, REPORT, body)
    assert answer.status == 422
    assert pointer in [part["pointer"] for part in answer.json()["errors"]]
    assert (await post(url, REPORT, {"by": "Mia", "sees": {"travel": 0.5}})).status == 422
    assert reader.submitted == []


async def test_an_identity_is_settled_by_name_and_reason(url: str, reader: FakeReader) -> None:
    answer = await post(url, IDENTITY, {"by": "Mia", "reason": "looked at the tail"})
    assert (answer.status, answer.json()["aircraft"]) == (200, "ZZ-KAT")
    assert reader.submitted == [IdentitySettled("ZZ-KAT", "Mia", "looked at the tail", "127.0.0.1")]
    assert (await post(url, IDENTITY, {"by": "Mia"})).status == 422


@pytest.mark.parametrize("path", ["/api/v1/permits", "/api/v1/permits/ab12/end", REPORT, IDENTITY])
async def test_a_refusal_says_why(url: str, reader: FakeReader, path: str) -> None:
    reader.effects = [RefuseCommand("refused", "residual-pressure is never taken out of service; leave it out")]
    bodies = {"/api/v1/permits": GRANT, REPORT: {"by": "Mia", "sees": {"closed": True}}}
    answer = await post(url, path, bodies.get(path, {"by": "Mia", "reason": "x"}))
    assert (answer.status, answer.json()["type"]) == (422, "/api/v1/problems/refused")
    assert answer.json()["detail"].startswith("residual-pressure")


async def test_the_description_covers_them(url: str) -> None:
    paths = (await ask(url, "/api/v1/openapi.json")).json()["paths"]
    assert {"get", "post"} <= paths["/api/v1/permits"].keys()
    for path in ("/api/v1/permits/{permit_id}/end", "/api/v1/aircraft/{reg}/doors/{door}/report"):
        assert paths[path]["post"]["summary"]
    assert paths["/api/v1/aircraft/{reg}/identity"]["post"]["description"]
    assert "201" in paths["/api/v1/permits"]["post"]["responses"]


@pytest.mark.parametrize(("sees", "pointer"), [({"locked": 3}, "/sees/locked"), ({"No such": True}, "/sees/No such")])
async def test_what_was_seen_is_pointed_at_once(url: str, sees: dict[str, Any], pointer: str) -> None:
    answer = await post(url, "/api/v1/aircraft/ZZ-KAT/doors/L1/report", {"by": "Ann", "sees": sees})
    assert answer.status == 422
    assert [part["pointer"] for part in answer.json()["errors"]] == [pointer]
