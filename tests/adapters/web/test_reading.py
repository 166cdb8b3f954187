"""The addresses that only read, asked over a socket."""

from __future__ import annotations

import pytest

from monitor.adapters.web.problems import KINDS
from monitor.core.times import parse_time
from tests.adapters.web.fake_reader import FakeReader, alert_document
from tests.adapters.web.http_client import Answer, ask


def assert_problem(answer: Answer, status: int, word: str) -> dict[str, object]:
    """Hold an answer to RFC 9457, section 3: media type, and type, title, status and detail."""
    document: dict[str, object] = answer.json()
    assert answer.status == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert document["type"] == f"/api/v1/problems/{word}"
    assert document["status"] == status
    assert document["title"] == KINDS[word].title
    assert document["detail"]
    return document


async def test_aircraft_are_listed_in_pages(url: str) -> None:
    first = (await ask(url, "/api/v1/aircraft?limit=1")).json()
    assert [row["aircraft"] for row in first["items"]] == ["ZZ-KAT"]
    second = (await ask(url, f"/api/v1/aircraft?limit=1&after={first['next']}")).json()
    assert [row["aircraft"] for row in second["items"]] == ["ZZ-OLM"]
    assert second["next"] is None


async def test_one_aircraft_is_shown_whole(url: str) -> None:
    document = (await ask(url, "/api/v1/aircraft/ZZ-KAT")).json()
    assert document["doors"]["L1"]["state"] == "armed"
    assert_problem(await ask(url, "/api/v1/aircraft/ZZ-NIL"), 404, "not-found")
    assert_problem(await ask(url, "/api/v1/aircraft/no%20such"), 404, "not-found")


async def test_looking_ahead_at_a_door(url: str) -> None:
    assert (await ask(url, "/api/v1/aircraft/ZZ-KAT/doors/L1/look-ahead")).json()["actions"] == []
    for unknown in ("ZZ-KAT/doors/L9", "ZZ-NIL/doors/L1", "ZZ-KAT/doors/no%20such"):
        assert_problem(await ask(url, f"/api/v1/aircraft/{unknown}/look-ahead"), 404, "not-found")


@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ("", ["armed-handle-moved", "unsecured-leaf"]),
        ("?state=&priority=&aircraft=", ["armed-handle-moved", "unsecured-leaf"]),
        ("?state=acknowledged", ["unsecured-leaf"]),
        ("?state=acknowledged,unacknowledged", ["armed-handle-moved", "unsecured-leaf"]),
        ("?priority=warning&priority=caution", ["armed-handle-moved", "unsecured-leaf"]),
        ("?priority=warning&aircraft=ZZ-OLM", []),
        ("?aircraft=ZZ-OLM", ["unsecured-leaf"]),
    ],
)
async def test_alerts_are_filtered(url: str, query: str, codes: list[str]) -> None:
    page = (await ask(url, "/api/v1/alerts" + query)).json()
    assert sorted(alert["code"] for alert in page["items"]) == codes


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("state=calm", "state.0"),
        ("prioirty=warning", "prioirty"),
        ("limit=0", "limit"),
        ("limit=1001", "limit"),
        ("after=x", "after"),
    ],
)
async def test_a_filter_that_does_not_fit_is_refused_and_not_ignored(url: str, query: str, pointer: str) -> None:
    document = assert_problem(await ask(url, "/api/v1/alerts?" + query), 422, "invalid")
    assert [part["pointer"] for part in document["errors"]] == [pointer]  # type: ignore[index,attr-defined]


async def test_every_alert_of_a_moment_is_on_one_page_only(url: str, reader: FakeReader) -> None:
    reader.active = [alert_document("ZZ-KAT", "L1", f"code-{n}", "caution") for n in range(5)]
    codes, after = [], ""
    while after is not None:
        page = (await ask(url, f"/api/v1/alerts?limit=2&after={after}")).json()
        codes += [alert["code"] for alert in page["items"]]
        after = page["next"]
    assert codes == [f"code-{n}" for n in range(5)]


async def test_the_history_is_asked_as_the_journal_counts(url: str, reader: FakeReader) -> None:
    path = "/api/v1/history?aircraft=ZZ-KAT&door=L1&code=wind-limit&limit=5&after=99"
    page = (await ask(url, path + "&since=2026-03-01T10:00:00Z&until=2026-03-01T12:00:00%2B01:00")).json()
    assert page == {"items": [{"id": "e1"}], "next": "41"}
    assert reader.asked == [
        (
            "history",
            {
                "aircraft": "ZZ-KAT",
                "door": "L1",
                "code": "wind-limit",
                "since": parse_time("2026-03-01T10:00:00Z"),
                "until": parse_time("2026-03-01T11:00:00Z"),
                "limit": 5,
                "before": "99",
            },
        )
    ]
    assert_problem(await ask(url, "/api/v1/history?since=yesterday"), 422, "invalid")


async def test_catalogue_quarantine_and_audit_are_lists(url: str, reader: FakeReader) -> None:
    rules = (await ask(url, "/api/v1/catalogue")).json()
    assert [rule["code"] for rule in rules["items"]] == ["bottle-low", "wind-limit"]
    for name in ("quarantine", "audit"):
        assert (await ask(url, f"/api/v1/{name}?limit=7&after=3")).json() == {"items": [], "next": None}
    assert reader.asked == [(name, {"limit": 7, "before": "3"}) for name in ("quarantine", "audit")]


async def test_the_audits_chain_is_checked_when_asked(url: str, reader: FakeReader) -> None:
    answer = await ask(url, "/api/v1/audit/verify")
    assert (answer.status, answer.json()) == (200, await reader.verify_audit())


async def test_ready_and_alive_are_two_questions(url: str, reader: FakeReader) -> None:
    assert (await ask(url, "/readyz")).json()["ready"] is True
    reasons = ["the broker is not connected", "the journal cannot be written"]
    reader.healthy = {**reader.healthy, "ready": False, "reasons": reasons, "status": "odd", "kind": "odd"}
    document = assert_problem(await ask(url, "/readyz"), 503, "not-ready")
    assert document["reasons"] == reasons
    assert document["ready"] is False
    alive = await ask(url, "/healthz")
    assert (alive.status, alive.json()["alive"]) == (200, True)


async def test_metrics_are_rendered_for_what_the_client_accepts(url: str) -> None:
    answer = await ask(url, "/metrics", headers={"Accept": "application/openmetrics-text"})
    assert answer.body == b"# application/openmetrics-text\n"
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"


async def test_every_problem_type_explains_itself(url: str) -> None:
    for word, kind in KINDS.items():
        document = (await ask(url, f"/api/v1/problems/{word}")).json()
        assert (document["status"], document["title"]) == (kind.status, kind.title)
    assert_problem(await ask(url, "/api/v1/problems/unheard-of"), 404, "not-found")


async def test_what_is_not_there_is_a_problem_too(url: str, reader: FakeReader) -> None:
    for path in ("/nothing", "/docs", "/redoc", "/assets/page.css", "/api/v1/aircraft/"):
        assert_problem(await ask(url, path), 404, "not-found")
    answer = await ask(url, "/api/v1/aircraft", method="DELETE")
    assert_problem(answer, 405, "method-not-allowed")
    assert answer.headers["allow"] == "GET"
    reader.rules = [{}]
    assert_problem(await ask(url, "/api/v1/catalogue"), 500, "internal")


async def test_head_is_answered_like_get_without_a_body(url: str) -> None:
    """RFC 9110, section 9.3.2."""
    whole = await ask(url, "/api/v1/aircraft")
    head = await ask(url, "/api/v1/aircraft", method="HEAD")
    assert (head.status, head.body) == (200, b"")
    assert head.headers["content-length"] == str(len(whole.body))
    assert (await ask(url, "/api/v1/stream", method="HEAD")).status == 405


async def test_the_description_covers_every_address_and_loads_nothing(url: str) -> None:
    document = (await ask(url, "/api/v1/openapi.json")).json()
    commands = ("acknowledge", "unacknowledge", "shelve", "unshelve", "close")
    wanted = {f"/api/v1/alerts/{{alert_id}}/{command}" for command in commands} | {
        "/api/v1/aircraft/{reg}/doors/{door}/reset",
        "/api/v1/aircraft/{reg}/doors/{door}/look-ahead",
        "/api/v1/aircraft/{reg}/presence",
        "/api/v1/stream",
        "/api/v1/history",
    }
    assert wanted <= set(document["paths"])
    for path, operations in document["paths"].items():
        for operation in operations.values():
            assert "application/problem+json" in operation["responses"]["default"]["content"], path
            assert "422" not in operation["responses"], path
    assert document["components"]["schemas"]["ProblemDocument"]["required"] == ["type", "title", "status", "detail"]


async def test_every_answer_carries_the_security_headers(url: str) -> None:
    for path in ("/", "/api/v1/alerts", "/nothing", "/healthz"):
        headers = (await ask(url, path)).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "access-control-allow-origin" not in headers
        assert "server" not in headers
    refused = await ask(url, "/", headers={"Host": "apron.example"})
    assert_problem(refused, 421, "wrong-host")
    assert "content-security-policy" in refused.headers
