"""Signing in at another provider: what of its answer is believed.

The provider here is invented and answers in memory; its tokens are signed with plain
cryptography, not with the library under test. Sources: OpenID Connect Core 1.0, 3.1.3.7
(what of an identity token has to be checked), RFC 7636 (PKCE).
"""

from __future__ import annotations

import base64
import hashlib
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

from monitor.adapters.access import ACCESS_FILE, AccessOffice, AccessStore, open_access
from monitor.adapters.access.oidc import JOURNEY_MAX, JOURNEYS_OF_PLACE_MAX, Identity, OidcProvider
from monitor.adapters.access.passwords import Passwords
from monitor.adapters.access.sessions import Bearer, begin_session
from monitor.adapters.web import Stream
from monitor.adapters.web.app import build_app
from monitor.adapters.web.front import Front
from monitor.adapters.web.journeying import keep_own_page
from monitor.config import Http, Oidc
from monitor.ports import AccessError, Denied, Journey, Role
from tests.adapters.access.people_kit import NOW, CountingHasher, make_store, told
from tests.adapters.web.conftest import render_nothing, watch_boards
from tests.adapters.web.fake_reader import FakeReader

ISSUER = "https://sign-in.example"
PUBLIC = "https://board.example"
CLIENT_SECRET = "what-the-provider-gave"


def written(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


@pytest.fixture(scope="module")
def keys() -> tuple[rsa.RSAPrivateKey, rsa.RSAPrivateKey]:
    """The provider's key, and somebody else's."""
    return tuple(rsa.generate_private_key(65537, 2048) for _ in range(2))  # type: ignore[return-value]


class FakeProvider:
    """Answers as a provider does; ``claims``, ``key`` and ``header`` are what the next token is made of."""

    def __init__(self, key: rsa.RSAPrivateKey) -> None:
        self.key = key
        self.published = key.public_key().public_numbers()
        self.metadata: dict[str, Any] = {
            "issuer": ISSUER,
            "authorization_endpoint": f"{ISSUER}/authorize",
            "token_endpoint": f"{ISSUER}/token",
            "jwks_uri": f"{ISSUER}/keys",
            "id_token_signing_alg_values_supported": ["RS256", "HS256", "none"],
        }
        self.header: dict[str, Any] = {"alg": "RS256", "kid": "one"}
        self.claims: dict[str, Any] = {}
        self.asked: list[httpx.Request] = []
        self.challenge = ""
        self.nonce = ""
        self.away = False

    def go(self, journey: Journey) -> dict[str, str]:
        """Be where a browser is sent; returns what it brings back."""
        query = {key: value for key, [value] in parse_qs(urlsplit(journey.url).query).items()}
        assert query["response_type"] == "code"
        assert query["redirect_uri"] == f"{PUBLIC}/api/v1/sign-in/oidc/return"
        assert query["code_challenge_method"] == "S256"
        self.challenge, self.nonce = query["code_challenge"], query["nonce"]
        return {"code": "a-code", "state": query["state"], "iss": ISSUER}

    def answer(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request)
        if self.away:
            raise httpx.ConnectError("nobody is there")
        path = request.url.path
        if path == "/.well-known/openid-configuration":
            return httpx.Response(200, json=self.metadata)
        if path == "/keys":
            n, e = (written(x.to_bytes((x.bit_length() + 7) // 8, "big")) for x in (self.published.n, self.published.e))
            return httpx.Response(200, json={"keys": [{"kty": "RSA", "kid": "one", "use": "sig", "n": n, "e": e}]})
        assert path == "/token"
        form = {key: value for key, [value] in parse_qs(request.content.decode()).items()}
        verified = written(hashlib.sha256(form["code_verifier"].encode()).digest())
        if form["code"] != "a-code" or verified != self.challenge:
            return httpx.Response(400, json={"error": "invalid_grant"})
        return httpx.Response(200, json={"access_token": "x", "token_type": "Bearer", "id_token": self.make_token()})

    def make_token(self) -> str:
        now = int(time.time())
        claims = {
            "iss": ISSUER,
            "sub": "subject-1",
            "aud": "sillwatch",
            "iat": now,
            "exp": now + 300,
            "nonce": self.nonce,
            "preferred_username": "Olga",
            "groups": ["apron", "others"],
            **self.claims,
        }
        kept = {key: value for key, value in claims.items() if value is not None}
        signed = ".".join(written(json.dumps(part).encode()) for part in (self.header, kept))
        if self.header["alg"] == "none":
            return signed + "."
        return f"{signed}.{written(self.key.sign(signed.encode(), padding.PKCS1v15(), hashes.SHA256()))}"


@pytest.fixture
def fake(keys: tuple[rsa.RSAPrivateKey, rsa.RSAPrivateKey]) -> FakeProvider:
    return FakeProvider(keys[0])


@pytest.fixture
def reader() -> FakeReader:
    return FakeReader()


@pytest.fixture
def settings(tmp_path: Path) -> Oidc:
    secret = tmp_path / "oidc.secret"
    secret.write_text(CLIENT_SECRET + "\n")
    return Oidc(
        issuer=ISSUER,
        client_id="sillwatch",
        client_secret_file=secret,
        roles={"apron": "coordinator", "office": "administrator", "guests": "viewer"},
    )


@pytest.fixture
def provider(fake: FakeProvider, settings: Oidc) -> OidcProvider:
    return OidcProvider(settings, PUBLIC, client={"transport": httpx.MockTransport(fake.answer)})


@pytest.fixture
def office(provider: OidcProvider, tmp_path: Path) -> Iterator[AccessOffice]:
    make_store(tmp_path).close()
    office = AccessOffice(AccessStore(tmp_path / ACCESS_FILE), passwords=Passwords(CountingHasher()), provider=provider)
    yield office
    office.close()


async def travel(provider: OidcProvider, fake: FakeProvider) -> tuple[Any, str]:
    journey = await provider.begin("/alerts", NOW, "192.0.2.7")
    return await provider.end(journey.state, fake.go(journey), NOW)


async def test_whom_the_provider_vouches_for_comes_back(provider: OidcProvider, fake: FakeProvider) -> None:
    identity, onwards = await travel(provider, fake)
    assert identity == (ISSUER, "subject-1", "Olga", Role.COORDINATOR)
    assert onwards == "/alerts"
    asked = next(request for request in fake.asked if request.url.path == "/token")
    assert base64.b64decode(asked.headers["authorization"].split()[1]).decode() == f"sillwatch:{CLIENT_SECRET}"


@pytest.mark.parametrize(
    ("claims", "header", "why"),
    [
        ({"iss": "https://elsewhere.example"}, {}, "another issuer"),
        ({"aud": "another-service"}, {}, "for another service"),
        ({"aud": None}, {}, "for nobody"),
        ({"nonce": "an earlier one"}, {}, "replayed"),
        ({"nonce": None}, {}, "bound to no journey"),
        ({"exp": int(time.time()) - 3600}, {}, "over"),
        ({"exp": None}, {}, "without an end"),
        ({"sub": None}, {}, "about nobody"),
        ({}, {"alg": "none"}, "not signed"),
        ({}, {"alg": "HS256"}, "signed with what everybody knows"),
        ({}, {"kid": "two"}, "signed with a key that is not published"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
async def test_a_token_that_is_not_right_is_not_believed(
    provider: OidcProvider, fake: FakeProvider, claims: dict[str, Any], header: dict[str, Any], why: str
) -> None:
    fake.claims = claims
    fake.header = {**fake.header, **header}
    identity, onwards = await travel(provider, fake)
    assert isinstance(identity, Denied), why
    assert identity.kind == "failed"
    assert onwards == "/alerts"


async def test_a_token_of_another_key_is_not_believed(
    provider: OidcProvider, fake: FakeProvider, keys: tuple[rsa.RSAPrivateKey, rsa.RSAPrivateKey]
) -> None:
    fake.key = keys[1]
    identity, _ = await travel(provider, fake)
    assert isinstance(identity, Denied)


@pytest.mark.parametrize(
    ("groups", "role"),
    [
        (["guests", "apron"], Role.COORDINATOR),
        (["office"], Role.ADMINISTRATOR),
        ("guests", Role.VIEWER),
        ("others guests", Role.VIEWER),
        (["others"], None),
        ([], None),
        (None, None),
        ({"apron": True}, None),
        ([["apron"]], None),
        ("coordinator", None),
    ],
)
async def test_the_highest_role_that_is_configured_counts(
    provider: OidcProvider, fake: FakeProvider, groups: object, role: Role | None
) -> None:
    fake.claims = {"groups": groups}
    identity, _ = await travel(provider, fake)
    assert (identity.role if role is not None else identity.kind) == (role or "refused")


@pytest.mark.parametrize("name", [None, "", 7, "token:rig", "<b>", "sillwatch"])
async def test_a_name_that_nobody_may_have_is_refused(provider: OidcProvider, fake: FakeProvider, name: object) -> None:
    fake.claims = {"preferred_username": name}
    identity, _ = await travel(provider, fake)
    assert isinstance(identity, Denied)
    assert identity.kind == "refused"


async def test_a_journey_ends_once_and_in_time(provider: OidcProvider, fake: FakeProvider) -> None:
    journey = await provider.begin("/", NOW, "192.0.2.7")
    brought = fake.go(journey)
    for state, query, now in (
        (journey.state, {**brought, "iss": "https://elsewhere.example"}, NOW),
        (journey.state, brought, NOW),
        ("another", brought, NOW),
    ):
        identity, _ = await provider.end(state, query, now)
        assert isinstance(identity, Denied)
    late = await provider.begin("/", NOW, "192.0.2.7")
    identity, _ = await provider.end(late.state, fake.go(late), NOW + JOURNEY_MAX + 1)
    assert isinstance(identity, Denied)
    assert not any(request.url.path == "/token" for request in fake.asked)


async def test_not_more_are_on_their_way_than_fit(provider: OidcProvider, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.adapters.access.oidc.JOURNEYS_MAX", 20)
    for number in range(20):
        await provider.begin("/", NOW, f"192.0.2.{number}")
    with pytest.raises(AccessError, match="too many"):
        await provider.begin("/", NOW, "192.0.2.99")
    await provider.begin("/", NOW + JOURNEY_MAX + 1, "192.0.2.99")


async def test_one_address_keeps_nobody_else_from_the_provider(provider: OidcProvider, fake: FakeProvider) -> None:
    mine = await provider.begin("/", NOW, "192.0.2.7")
    for _ in range(4 * JOURNEYS_OF_PLACE_MAX):
        newest = await provider.begin("/", NOW, "198.51.100.1")
    for journey in (mine, newest):
        identity, _ = await provider.end(journey.state, fake.go(journey), NOW)
        assert isinstance(identity, Identity)
    assert len(provider._journeys) == JOURNEYS_OF_PLACE_MAX - 1


async def test_a_provider_that_is_away_or_another_is_an_error(provider: OidcProvider, fake: FakeProvider) -> None:
    fake.away = True
    with pytest.raises(AccessError, match="cannot be asked"):
        await provider.begin("/", NOW, "192.0.2.7")
    fake.away = False
    fake.metadata["issuer"] = "https://elsewhere.example"
    with pytest.raises(AccessError, match="cannot be asked"):
        await provider.begin("/", NOW, "192.0.2.7")


def test_a_secret_that_cannot_be_read_is_one_line(settings: Oidc) -> None:
    settings.client_secret_file.unlink()
    with pytest.raises(AccessError, match="no secret to read"):
        OidcProvider(settings, PUBLIC)


# Through the whole HTTP side


async def test_a_browser_goes_there_and_back(office: AccessOffice, fake: FakeProvider, reader: FakeReader) -> None:
    stream = Stream(reader)
    app = build_app(
        reader, stream, watch_boards(reader, stream), render_nothing, access=office, front=Front(public_url=PUBLIC)
    )
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url=PUBLIC) as browser:
        assert (await browser.get("/api/v1/session")).json() == {"sign_in": True, "name": None, "oidc": True}
        answer = await browser.get("/api/v1/sign-in/oidc", params={"next": "/alerts?view=now"})
        assert answer.status_code == 303
        cookie = answer.headers["set-cookie"].lower()
        for flag in ("__host-sillwatch_oidc=", "httponly", "secure", "samesite=lax", "path=/"):
            assert flag in cookie
        journey = Journey(answer.headers["location"], browser.cookies["__Host-sillwatch_oidc"])
        brought = fake.go(journey)
        stranger = httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url=PUBLIC)
        lured = await stranger.get("/api/v1/sign-in/oidc/return", params=brought)
        assert "/sign-in?why=failed" in lured.text
        assert not stranger.cookies
        back = await browser.get(
            "/api/v1/sign-in/oidc/return",
            params=brought,
            headers={"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"},
        )
        assert back.status_code == 200
        assert 'content="0;url=/alerts?view=now"' in back.text
        assert browser.cookies.get("__Host-sillwatch_oidc") is None
        session = (await browser.get("/api/v1/session")).json()
        assert (session["name"], session["role"]) == ("Olga", "coordinator")
        again = await browser.get("/api/v1/sign-in/oidc/return", params=brought)
        assert "/sign-in?why=failed" in again.text
    [row] = await office.list_sessions(of="Olga", now=reader.now())
    assert row["provider"] == ISSUER


@pytest.mark.parametrize(
    "onwards",
    [
        *("//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "/\\/elsewhere.example"),
        *("javascript:alert(1)", "/a\r\nb", "/a b", "/a\tb", "x", "", "/" + "x" * 600, "/\u2028", None),
    ],
)
def test_nobody_is_led_elsewhere(onwards: str | None) -> None:
    assert keep_own_page(onwards) == "/"


@pytest.mark.parametrize("onwards", ["/", "/alerts?view=history&code=a%26b", "/aircraft/ZZ-KAT#L1", "/?a=//b"])
def test_pages_of_our_own_are_led_to(onwards: str) -> None:
    assert keep_own_page(onwards) == onwards


async def test_nobody_passes_for_somebody_else(
    office: AccessOffice, provider: OidcProvider, fake: FakeProvider, tmp_path: Path
) -> None:
    async def arrive(**claims: Any) -> Any:
        fake.claims = claims
        journey = await office.begin_journey("/", NOW, "192.0.2.7")
        outcome, _ = await office.end_journey(
            journey.state, fake.go(journey), address="192.0.2.7", agent="", now=NOW, instead_of=None
        )
        return outcome

    for name in ("Cora", "CORA"):
        assert (await arrive(preferred_username=name)).kind == "refused"
    assert (await arrive()).who.name == "Olga"
    assert (await arrive()).who.name == "Olga"
    assert (await arrive(sub="subject-2")).kind == "refused"
    assert (await arrive(sub="subject-2", preferred_username="Otto")).who.name == "Otto"
    store = AccessStore(tmp_path / ACCESS_FILE)
    assert ("Olga", "session-begun", "Olga") in told(store)
    store.close()


@pytest.mark.parametrize(
    ("issuer", "roles", "stays"),
    [
        (ISSUER, {"x": "coordinator"}, True),
        (ISSUER, {"x": "viewer"}, False),
        ("https://elsewhere.example", {"x": "coordinator"}, False),
        (None, {}, False),
    ],
)
async def test_a_session_ends_at_the_start_where_nobody_vouches_for_it_any_more(
    tmp_path: Path, settings: Oidc, issuer: str | None, roles: dict[str, str], stays: bool
) -> None:
    store = make_store(tmp_path)
    now = time.time_ns() // 1000
    with store.change(now) as work:
        theirs = begin_session(work, Bearer("olga", "Olga", Role.COORDINATOR, ISSUER), address="", agent="", now=now)
        ours = begin_session(work, Bearer("cora", "Cora", Role.COORDINATOR), address="", agent="", now=now)
    store.close()
    oidc = None
    if issuer is not None:
        oidc = Oidc.model_validate({**settings.model_dump(), "issuer": issuer, "roles": roles})
    office = open_access(tmp_path, Http(oidc=oidc, public_url=PUBLIC))
    assert office is not None
    assert (await office.find_session(theirs.secret, now) is not None) is stays
    assert await office.find_session(ours.secret, now) is not None
    office.close()
    store = AccessStore(tmp_path / ACCESS_FILE)
    ended = ("sillwatch", "session-ended", f"Olga session {theirs.who.id}")
    assert (ended in told(store)) is not stays
    assert store.find_broken() is None
    store.close()
