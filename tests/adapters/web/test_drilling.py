"""Procedures and drills over HTTP: lists, filters, a drill's own keys, and a trainee's label."""

from __future__ import annotations

from typing import Any, Final

import pytest

from monitor.core.effects import RecordAudit
from monitor.core.events import DoorReported, PermitGranted
from monitor.core.times import HOUR, MINUTE, format_time
from tests.adapters.web.fake_reader import START, FakeReader
from tests.adapters.web.http_client import ask

LABEL: Final = "Trainee Number Four"
DRILL: Final[dict[str, Any]] = {
    "kind": "drill", "aircraft": "ZZ-KAT", "doors": ["L1"], "reason": "training", "by": "Mia", "minutes": 30,
    "name": "night", "procedure": "open-inside",
}  # fmt: skip
RUN: Final = {"run_id": "r1", "door": "L1", "procedure": "open-inside", "state": "running"}


def granted(reader: FakeReader) -> None:
    reader.running = [{"permit_id": "ab12", "kind": "drill", "until": format_time(START + HOUR)}]
    reader.effects = [RecordAudit(START, "Mia", "grant-permit", "ZZ-KAT/permit/ab12", "training", "", "drill")]


async def test_procedures_are_listed_by_name(url: str, reader: FakeReader) -> None:
    reader.drilling.configured = [{"procedure": "open"}, {"procedure": "arm"}]
    answer = (await ask(url, "/api/v1/procedures?limit=1")).json()
    assert (answer["items"], answer["keep_labels_days"]) == ([{"procedure": "arm"}], 0)
    rest = (await ask(url, f"/api/v1/procedures?after={answer['next']}")).json()
    assert (rest["items"], rest["next"]) == ([{"procedure": "open"}], None)


async def test_runs_are_asked_for_by_every_filter(url: str, reader: FakeReader) -> None:
    reader.drilling.ended = [RUN]
    path = "/api/v1/procedure-runs?aircraft=ZZ-KAT&door=L1&procedure=arm&drill=ab12&since=2026-03-01T10:15:00Z&until="
    answer = await ask(url, path)
    assert (answer.status, answer.json()) == (200, {"items": [RUN], "next": None})
    assert reader.drilling.asked == [
        {"aircraft": "ZZ-KAT", "door": "L1", "procedure": "arm", "drill": "ab12", "since": START, "until": None}
    ]
    assert (await ask(url, "/api/v1/procedure-runs?dril=ab12")).status == 422


async def test_drills_are_asked_for_by_aircraft_and_period(url: str, reader: FakeReader) -> None:
    reader.drilling.held = [{"permit_id": "ab12", "runs": []}]
    answer = (await ask(url, "/api/v1/drills?aircraft=ZZ-KAT")).json()
    assert answer == {"items": [{"permit_id": "ab12", "runs": []}], "next": None, "keep_labels_days": 0}
    assert reader.drilling.asked == [{"aircraft": "ZZ-KAT", "since": None, "until": None}]


async def test_a_drill_has_a_name_and_a_procedure(url: str, reader: FakeReader) -> None:
    granted(reader)
    assert (await ask(url, "/api/v1/permits", method="POST", body=DRILL)).status == 201
    assert reader.submitted == [
        PermitGranted(
            "drill", "ZZ-KAT", ("L1",), (), START + 30 * MINUTE, "Mia", "training", "127.0.0.1", "night", "open-inside"
        )
    ]
    assert reader.drilling.labels == {}


async def test_a_label_is_refused_where_none_is_kept(
    url: str, reader: FakeReader, caplog: pytest.LogCaptureFixture
) -> None:
    granted(reader)
    answer = await ask(url, "/api/v1/permits", method="POST", body={**DRILL, "trainee": LABEL})
    assert (answer.status, reader.submitted) == (422, [])
    assert answer.json()["detail"] == (
        "Labels of trainees are not kept here (drills.keep_labels_days is 0); leave trainee out."
    )
    assert LABEL not in answer.body.decode()
    assert LABEL not in caplog.text


async def test_a_label_is_kept_apart_from_the_command(url: str, reader: FakeReader) -> None:
    granted(reader)
    reader.drilling.keep_labels_days = 30
    answer = await ask(url, "/api/v1/permits", method="POST", body={**DRILL, "trainee": LABEL})
    assert answer.status == 201
    assert LABEL not in answer.body.decode()
    assert LABEL not in repr(reader.submitted)
    assert reader.drilling.labels == {"ab12": (LABEL, START + HOUR)}
    tow = {**DRILL, "kind": "tow", "codes": ["x"], "trainee": LABEL}
    refused = await ask(url, "/api/v1/permits", method="POST", body=tow)
    assert refused.json()["detail"] == "Only a drill takes the label of a trainee."


async def test_a_drill_whose_label_cannot_be_kept_runs_and_is_not_to_be_granted_again(
    url: str, reader: FakeReader, caplog: pytest.LogCaptureFixture
) -> None:
    granted(reader)
    reader.drilling.keep_labels_days, reader.drilling.broken = 30, True
    answer = await ask(url, "/api/v1/permits", method="POST", body={**DRILL, "trainee": LABEL})
    assert (answer.status, answer.json()["type"]) == (503, "/api/v1/problems/not-durable")
    assert answer.json()["detail"] == "The drill runs as ab12, but its label could not be kept; do not grant it again."
    assert LABEL not in answer.body.decode() + caplog.text


@pytest.mark.parametrize("label", ["x" * 41, "a\nb", 4])
async def test_a_label_that_does_not_fit_is_pointed_at_and_not_repeated(
    url: str, reader: FakeReader, label: Any
) -> None:
    reader.drilling.keep_labels_days = 30
    answer = await ask(url, "/api/v1/permits", method="POST", body={**DRILL, "trainee": label})
    assert (answer.status, [part["pointer"] for part in answer.json()["errors"]]) == (422, ["/trainee"])


async def test_a_step_of_a_procedure_is_reported(url: str, reader: FakeReader) -> None:
    body = {"by": "Mia", "procedure_steps": ["cut-lanyard"]}
    path = "/api/v1/aircraft/ZZ-KAT/doors/L1/report"
    assert (await ask(url, path, method="POST", body=body)).status == 200
    assert reader.submitted == [DoorReported("ZZ-KAT", "L1", (), "Mia", "", "127.0.0.1", ("cut-lanyard",))]
