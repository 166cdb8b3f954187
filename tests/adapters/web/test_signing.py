"""Signing in and out over HTTP: the cookie, the answers, and whose word counts."""

from __future__ import annotations

from collections.abc import Iterator
from http.cookies import SimpleCookie
from pathlib import Path

import httpx
import pytest

from monitor.adapters.access.sessions import AGE_MAX, IDLE_MAX
from monitor.adapters.web.front import Front
from monitor.core.events import AlertAcknowledged, AlertShelved
from monitor.core.times import SECOND, format_time
from monitor.ports import Role
from tests.adapters.access.people_kit import PASSWORD, edit, told
from tests.adapters.web.fake_reader import FakeReader
from tests.adapters.web.signed_in import House, problem

ALERTS = "/api/v1/alerts"


@pytest.fixture
def house(tmp_path: Path, reader: FakeReader) -> Iterator[House]:
    house = House(tmp_path, reader)
    yield house
    house.close()


def cookie_of(answer: httpx.Response) -> tuple[str, SimpleCookie]:
    [line] = answer.headers.get_list("set-cookie")
    return line, SimpleCookie(line)


async def attempt(browser: httpx.AsyncClient, name: str, password: str = PASSWORD) -> httpx.Response:
    return await browser.post("/api/v1/session", json={"name": name, "password": password})


# The session


async def test_who_is_signed_in_is_told_to_everybody(house: House) -> None:
    browser = house.browser()
    assert (await browser.get("/api/v1/session")).json() == {"sign_in": True, "name": None, "oidc": False}
    answer = await attempt(browser, "cora")
    told_now = {
        "sign_in": True,
        "name": "Cora",
        "role": "coordinator",
        "ends_at": format_time(house.reader.now() + AGE_MAX),
        "oidc": False,
    }
    assert (answer.status_code, answer.json()) == (200, told_now)
    assert (await browser.get("/api/v1/session")).json() == told_now


async def test_the_cookie_is_kept_from_scripts_and_other_sites(house: House) -> None:
    line, cookie = cookie_of(await attempt(house.browser(), "Cora"))
    [(name, morsel)] = cookie.items()
    assert name == "sillwatch_session"
    assert (morsel["httponly"], morsel["samesite"].lower(), morsel["path"], morsel["domain"]) == (
        True,
        "strict",
        "/",
        "",
    )
    assert morsel["max-age"] == str(AGE_MAX // SECOND)
    assert not morsel["secure"]
    assert len(morsel.value) >= 43
    assert "cora" not in line.lower()


@pytest.mark.parametrize(
    "front", [Front(public_url="https://board.example"), Front(cert_file=Path("cert.pem"), key_file=Path("key.pem"))]
)
async def test_with_tls_the_cookie_is_for_tls_and_this_host_alone(
    tmp_path: Path, reader: FakeReader, front: Front
) -> None:
    house = House(tmp_path, reader, front)
    browser = house.browser("https://127.0.0.1")
    _, cookie = cookie_of(await attempt(browser, "Cora"))
    [(name, morsel)] = cookie.items()
    assert name == "__Host-sillwatch_session"
    assert (morsel["secure"], morsel["httponly"], morsel["path"], morsel["domain"]) == (True, True, "/", "")
    assert (await browser.get(ALERTS)).status_code == 200
    # The name that a plain page, or a neighbour's, could set is worth nothing.
    tossed = house.browser("https://127.0.0.1", cookie=f"sillwatch_session={morsel.value}")
    assert problem(await tossed.get(ALERTS)) == (401, "sign-in-needed")
    house.close()


async def test_a_session_that_somebody_else_chose_is_never_taken_up(house: House) -> None:
    planted = "A" * 43
    browser = house.browser()
    browser.cookies.set("sillwatch_session", planted, domain="127.0.0.1", path="/")
    _, cookie = cookie_of(await attempt(browser, "Cora"))
    assert cookie["sillwatch_session"].value != planted
    victim = house.browser(cookie=f"sillwatch_session={planted}")
    assert problem(await victim.get(ALERTS)) == (401, "sign-in-needed")


async def test_signing_in_again_makes_another_session_and_ends_the_one_before(house: House) -> None:
    browser = await house.sign_in("Cora")
    before = browser.cookies["sillwatch_session"]
    await house.sign_in("Cora", browser)
    assert browser.cookies["sillwatch_session"] != before
    old = house.browser(cookie=f"sillwatch_session={before}")
    assert problem(await old.get(ALERTS)) == (401, "sign-in-needed")


async def test_two_cookies_of_that_name_are_nobodys(house: House) -> None:
    mine = (await house.sign_in("Cora")).cookies["sillwatch_session"]
    for header in (f"sillwatch_session=x; sillwatch_session={mine}", f"sillwatch_session={mine};sillwatch_session=x"):
        assert problem(await house.browser(cookie=header).get(ALERTS)) == (401, "sign-in-needed")
    assert (await house.browser(cookie=f"a=b; sillwatch_session={mine}; c").get(ALERTS)).status_code == 200


async def test_signing_out_ends_the_session_here_and_in_the_store(house: House) -> None:
    browser = await house.sign_in("Cora")
    copy = house.browser(cookie=f"sillwatch_session={browser.cookies['sillwatch_session']}")
    answer = await browser.delete("/api/v1/session")
    assert answer.status_code == 204
    line, _ = cookie_of(answer)
    assert "Max-Age=0" in line
    assert problem(await copy.get(ALERTS)) == (401, "sign-in-needed")
    assert [what for _, what, _ in told(house.store)[-2:]] == ["session-begun", "session-ended"]
    assert (await browser.delete("/api/v1/session")).status_code == 204  # again does no harm


async def test_a_session_is_over_when_its_time_is_up(house: House) -> None:
    browser = await house.sign_in("Cora")
    house.reader.clock += IDLE_MAX - SECOND
    assert (await browser.get(ALERTS)).status_code == 200
    house.reader.clock += IDLE_MAX
    assert problem(await browser.get(ALERTS)) == (401, "sign-in-needed")
    assert (await browser.get("/api/v1/session")).json()["name"] is None


@pytest.mark.parametrize("change", ["role", "password", "removal", "sign-out"])
async def test_what_the_command_line_does_to_somebody_ends_their_session(house: House, change: str) -> None:
    browser, now = await house.sign_in("Cora"), house.reader.now()
    editor = edit(house.store)
    if change == "role":
        editor.set_role("Cora", Role.ADMINISTRATOR, now)
    elif change == "password":
        editor.set_password("Cora", "x", now)
    elif change == "removal":
        editor.remove("Cora", now)
    else:
        editor.sign_out("Cora", now)
    assert problem(await browser.get(ALERTS)) == (401, "sign-in-needed")


# Attempts that fail


async def test_an_unknown_name_and_a_wrong_password_cannot_be_told_apart(house: House) -> None:
    await house.office.prepare()
    answers = []
    for name, password in (("Cora", "not the password"), ("Nemo", PASSWORD)):
        before = (house.hasher.verified, house.hasher.hashed)
        answer = await attempt(house.browser(), name, password)
        assert (house.hasher.verified - before[0], house.hasher.hashed - before[1]) == (1, 0)
        answers.append((answer.status_code, answer.content, sorted(answer.headers)))
    assert answers[0] == answers[1]
    assert answers[0][0] == 401
    assert "set-cookie" not in answers[0][2]


async def test_a_lock_out_says_how_long_and_ends_no_session(house: House) -> None:
    cora = await house.sign_in("Cora")
    for number in range(5):
        answer = await attempt(house.browser(peer="192.0.2.9"), "Cora", f"not the password {number}")
        assert problem(answer) == (401, "sign-in-failed")
    answer = await attempt(house.browser(peer="192.0.2.9"), "Cora")
    assert problem(answer) == (429, "too-many")
    assert answer.json()["retry_after_s"] == int(answer.headers["retry-after"])
    assert 1 <= int(answer.headers["retry-after"]) <= 60
    assert (await cora.get(ALERTS)).status_code == 200
    assert (await attempt(house.browser(), "Vera")).status_code == 200


async def test_a_password_is_never_said_back(house: House) -> None:
    for body in (
        {"name": "Cora", "password": ["my secret password"]},
        {"name": "Cora", "password": {"my secret password": 1}},
        {"name": "", "password": "my secret password"},
        {"name": "Cora", "password": "my secret password" * 100},
        {"name": "Cora", "password": "my secret password"},
    ):
        answer = await house.browser().post("/api/v1/session", json=body)
        assert answer.status_code in (401, 422)
        assert "secret" not in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://elsewhere.example"},
        {"sec-fetch-site": "cross-site"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "null"},
    ],
)
async def test_another_sites_page_can_neither_sign_in_nor_out_nor_act(house: House, headers: dict[str, str]) -> None:
    browser = await house.sign_in("Cora")
    body = {"name": "Cora", "password": PASSWORD}
    for answer in (
        await browser.post("/api/v1/session", json=body, headers=headers),
        await browser.delete("/api/v1/session", headers=headers),
        await browser.post(f"{ALERTS}/x/acknowledge", headers=headers),
    ):
        assert problem(answer) == (403, "cross-site")
    assert (await browser.get(ALERTS)).status_code == 200


# Whose word counts


async def test_the_sessions_name_is_the_one_that_acts(house: House) -> None:
    cora, alert = await house.sign_in("Cora"), house.reader.active[0]["alert_id"]
    answer = await cora.post(f"{ALERTS}/{alert}/acknowledge")
    assert answer.status_code == 200, answer.text
    for body in ({"by": "Cora"}, {"by": "unnamed"}, {"by": " "}, {}):
        assert (await cora.post(f"{ALERTS}/{alert}/acknowledge", json=body)).status_code == 200
    commands = house.reader.submitted
    assert [type(command) for command in commands] == [AlertAcknowledged] * 5
    assert {command.by for command in commands} == {"Cora"}  # type: ignore[union-attr]
    [session] = (await cora.get("/api/v1/sessions")).json()["items"]
    assert {command.origin for command in commands} == {f"192.0.2.7 session {session['id']}"}  # type: ignore[union-attr]


@pytest.mark.parametrize("by", ["Ada", "cora", "Vera", "token:rig act"])
async def test_nobody_acts_by_another_name(house: House, by: str) -> None:
    cora, alert = await house.sign_in("Cora"), house.reader.active[0]["alert_id"]
    shelving = {"by": by, "reason": "looked", "minutes": 5}
    for word, body in (("acknowledge", {"by": by}), ("shelve", shelving)):
        assert problem(await cora.post(f"{ALERTS}/{alert}/{word}", json=body)) == (409, "not-you")
    assert house.reader.submitted == []


async def test_signed_in_nobody_has_to_say_who_they_are(house: House) -> None:
    cora, alert = await house.sign_in("Cora"), house.reader.active[0]["alert_id"]
    await cora.post(f"{ALERTS}/{alert}/shelve", json={"reason": "looked", "minutes": 5})
    [command] = house.reader.submitted
    assert isinstance(command, AlertShelved)
    assert command.by == "Cora"


async def test_a_token_acts_by_a_name_that_no_person_can_have(house: House) -> None:
    rig, alert = house.program(house.token("act", name="rig")), house.reader.active[0]["alert_id"]
    assert (await rig.post(f"{ALERTS}/{alert}/acknowledge")).status_code == 200
    [command] = house.reader.submitted
    assert isinstance(command, AlertAcknowledged)
    assert command.by == "token:rig"
    assert command.origin.startswith("192.0.2.7 token ")
    assert problem(await rig.post(f"{ALERTS}/{alert}/acknowledge", json={"by": "Cora"})) == (409, "not-you")


# Sessions and people


async def test_people_see_and_end_their_own_sessions(house: House) -> None:
    vera, elsewhere, cora = [await house.sign_in(name) for name in ("Vera", "Vera", "Cora")]
    sessions = (await vera.get("/api/v1/sessions")).json()["items"]
    assert [(each["name"], each["own"]) for each in sessions] == [("Vera", True), ("Vera", False)]
    [other] = (await cora.get("/api/v1/sessions")).json()["items"]
    assert problem(await vera.delete(f"/api/v1/sessions/{other['id']}")) == (404, "not-found")
    assert (await vera.delete(f"/api/v1/sessions/{sessions[1]['id']}")).status_code == 204
    assert problem(await elsewhere.get(ALERTS)) == (401, "sign-in-needed")
    assert (await cora.get(ALERTS)).status_code == 200


async def test_an_administrator_sees_and_ends_everybodys(house: House) -> None:
    ada, vera = await house.sign_in("Ada"), await house.sign_in("Vera")
    sessions = (await ada.get("/api/v1/sessions")).json()["items"]
    assert [each["name"] for each in sessions] == ["Ada", "Vera"]
    assert vera.cookies["sillwatch_session"] not in str(sessions)
    assert (await ada.delete(f"/api/v1/sessions/{sessions[1]['id']}")).status_code == 204
    assert problem(await vera.get(ALERTS)) == (401, "sign-in-needed")
    assert told(house.store)[-1] == ("Ada", "session-ended", f"Vera session {sessions[1]['id']}")
    people = (await ada.get("/api/v1/people")).json()["items"]
    assert [(each["name"], each["role"]) for each in people] == [
        ("Ada", "administrator"),
        ("Cora", "coordinator"),
        ("Vera", "viewer"),
    ]
    assert "argon2" not in str(people)
