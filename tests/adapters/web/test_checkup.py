"""How the service does, and an aircraft's curves: asked over HTTP, held to what the description says."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.adapters.web.checkup import HealthDocument
from monitor.adapters.web.reading import CurvesDocument
from monitor.core.times import format_time
from tests.adapters.web.fake_reader import START, FakeReader
from tests.adapters.web.http_client import EventReader, ask


async def test_the_health_of_the_service_is_one_document(url: str, reader: FakeReader) -> None:
    board = {"name": "", "page": "health", "visible": True, "sound": True, "drawn": []}
    await ask(url, "/api/v1/boards/0123456789", method="PUT", body=board)
    async with EventReader(url) as events:
        await events.next_event()
        answer = await ask(url, "/api/v1/health")
    assert answer.status == 200
    document = answer.json()
    HealthDocument.model_validate(document)
    assert document["now"] == format_time(START)
    assert document["service"] == reader.healthy
    assert document["rates"]["messages_per_s"] == {"1m": 2.0, "10m": 1.5}
    assert document["dropped"] == {"repeat": 3}
    assert [sender["aircraft"] for sender in document["senders"]] == ["ZZ-KAT", "ZZ-OLM"]
    assert [entry["page"] for entry in document["boards"]] == ["health"]
    assert document["stream"] == {"clients": 1, "resyncs": 0}


async def test_curves_are_of_one_aircraft(url: str) -> None:
    answer = await ask(url, "/api/v1/aircraft/ZZ-KAT/curves")
    CurvesDocument.model_validate(answer.json())
    assert answer.json()["stand"] == "S12"
    assert [point["value"] for point in answer.json()["differential_pressure_hpa"]] == [12.5, None]
    for reg in ("ZZ-NONE", "not+one"):
        missing = await ask(url, f"/api/v1/aircraft/{reg}/curves")
        assert (missing.status, missing.json()["type"]) == (404, "/api/v1/problems/not-found")


@pytest.mark.parametrize(
    ("path", "method", "model"),
    [
        ("/api/v1/health", "get", "HealthDocument"),
        ("/api/v1/aircraft/{reg}/curves", "get", "CurvesDocument"),
        ("/api/v1/boards", "get", "BoardList"),
        ("/api/v1/boards/{board}", "put", "BoardAnswer"),
    ],
)
async def test_the_description_says_what_is_answered(url: str, path: str, method: str, model: str) -> None:
    described: Any = (await ask(url, "/api/v1/openapi.json")).json()
    answers = described["paths"][path][method]["responses"]
    assert answers["200"]["content"]["application/json"]["schema"] == {"$ref": f"#/components/schemas/{model}"}
    assert model in described["components"]["schemas"]
    assert "application/problem+json" in answers["default"]["content"]
