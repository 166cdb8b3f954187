"""How the service is reached: which names it answers to, whom it believes, and TLS."""

from __future__ import annotations

import datetime
import ipaddress
import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from starlette.datastructures import Headers

from monitor.adapters.web import ListenError, Stream, WebServer
from monitor.adapters.web.front import Front, build_front
from monitor.adapters.web.guard import find_objection, is_same_origin
from monitor.adapters.web.listening import bind
from monitor.adapters.web.server import load_certificate
from monitor.config import Http
from tests.adapters.access.people_kit import PASSWORD
from tests.adapters.web.conftest import render_nothing, watch_boards
from tests.adapters.web.fake_reader import FakeReader
from tests.adapters.web.signed_in import House, problem

PUBLIC = Front(public_url="https://Board.example:8443/")
PROXIED = Front(proxies=(ipaddress.ip_network("10.0.0.0/8"), ipaddress.ip_network("127.0.0.1")))


# Names


@pytest.mark.parametrize(
    ("front", "host", "server", "answered"),
    [
        (Front(), "127.0.0.1:8080", "127.0.0.1", True),
        (Front(), "localhost", "192.0.2.7", True),
        (Front(host="0.0.0.0"), "192.0.2.7:8080", "192.0.2.7", True),
        (Front(host="::"), "[2001:db8::7]:8080", "2001:db8::7", True),
        (Front(host="0.0.0.0"), "192.0.2.8:8080", "192.0.2.7", False),
        (Front(host="0.0.0.0"), "0.0.0.0", "192.0.2.7", True),
        (Front(host="apron.example"), "APRON.example:1", "192.0.2.7", True),
        (PUBLIC, "board.example", "192.0.2.7", True),
        (PUBLIC, "board.example:8443", "192.0.2.7", True),
        (PUBLIC, "elsewhere.example", "192.0.2.7", False),
        (PUBLIC, "board.example.elsewhere.example", "192.0.2.7", False),
        (PUBLIC, "elsewhere.example:8443@board.example", "192.0.2.7", False),
        (PUBLIC, "board.example/x", "192.0.2.7", False),
        (PUBLIC, "", "192.0.2.7", False),
        (Front(), "", "", False),
    ],
)
def test_only_our_own_names_are_answered(front: Front, host: str, server: str, answered: bool) -> None:
    assert front.answers_to(host, server) is answered
    objection = find_objection("GET", "/", Headers({"host": host}), front, server=server, signed_in=True)
    assert (objection is None) is answered


@pytest.mark.parametrize("host", ["192.0.2.7", "board.example:8443"])
def test_without_sign_in_only_loopback_names_are(host: str) -> None:
    objection = find_objection("GET", "/", Headers({"host": host}), PUBLIC, server="192.0.2.7")
    assert objection is not None
    assert objection.kind == "wrong-host"


@pytest.mark.parametrize(
    ("front", "origin", "same"),
    [
        (PUBLIC, "https://board.example:8443", True),
        (PUBLIC, "http://127.0.0.1:8080", True),  # our own page, opened without the proxy
        (PUBLIC, "http://board.example:8443", False),
        (PUBLIC, "https://board.example", False),
        (Front(cert_file=Path("c"), key_file=Path("k")), "https://127.0.0.1:8080", True),
        (Front(cert_file=Path("c"), key_file=Path("k")), "http://127.0.0.1:8080", False),
        (Front(), "ftp://127.0.0.1:8080", False),
    ],
)
def test_our_own_origin_is_the_one_that_people_open(front: Front, origin: str, same: bool) -> None:
    assert is_same_origin(Headers({"host": "127.0.0.1:8080", "origin": origin}), front) is same


@pytest.mark.parametrize(
    ("url", "strict"),
    [("https://board.example", True), ("https://board.example:8443", False), ("http://board.example", False)],
)
async def test_browsers_are_held_to_tls_where_the_whole_host_is_ours(
    tmp_path: Path, reader: FakeReader, url: str, strict: bool
) -> None:
    house = House(tmp_path, reader, Front(public_url=url))
    answer = await house.browser().get("/healthz")
    assert ("strict-transport-security" in answer.headers) is strict
    house.close()


# Where a request came from


@pytest.mark.parametrize(
    ("front", "peer", "told", "client"),
    [
        (Front(), "192.0.2.7", None, "192.0.2.7"),
        (Front(), "192.0.2.7", "198.51.100.1", "192.0.2.7"),
        (PROXIED, "192.0.2.7", "198.51.100.1", "192.0.2.7"),
        (PROXIED, "10.0.0.1", None, "10.0.0.1"),
        (PROXIED, "::ffff:10.0.0.1", "198.51.100.1", "198.51.100.1"),
        (PROXIED, "10.0.0.1", "198.51.100.1", "198.51.100.1"),
        (PROXIED, "10.0.0.1", "203.0.113.9, 198.51.100.1", "198.51.100.1"),
        (PROXIED, "10.0.0.1", "203.0.113.9, 198.51.100.1, 10.0.0.2", "198.51.100.1"),
        (PROXIED, "10.0.0.1", "10.0.0.3, 10.0.0.2", "10.0.0.3"),
        (PROXIED, "10.0.0.1", "198.51.100.1, <script>", "10.0.0.1"),
        (PROXIED, "10.0.0.1", "2001:DB8::1", "2001:db8::1"),
        (PROXIED, "", "198.51.100.1", ""),
    ],
)
def test_only_a_trusted_proxy_is_believed(front: Front, peer: str, told: str | None, client: str) -> None:
    headers = [] if told is None else [(b"x-forwarded-for", told.encode())]
    assert front.find_client({"type": "http", "client": (peer, 1), "headers": headers}) == client


async def test_behind_a_trusted_proxy_each_client_has_attempts_of_its_own(tmp_path: Path, reader: FakeReader) -> None:
    house = House(tmp_path, reader, PROXIED)
    for number in range(31):
        browser = house.browser(peer="10.0.0.1", **{"x-forwarded-for": f"1.1.1.1, 198.51.100.{number}"})
        answer = await browser.post("/api/v1/session", json={"name": f"n{number}", "password": "x"})
        assert problem(answer) == (401, "sign-in-failed")
    forging = [
        await house.browser(peer="192.0.2.7", **{"x-forwarded-for": f"198.51.100.{number}"}).post(
            "/api/v1/session", json={"name": f"m{number}", "password": "x"}
        )
        for number in range(31)
    ]
    assert [problem(answer)[0] for answer in forging] == [401] * 30 + [429]
    house.close()


def test_the_front_is_the_configurations() -> None:
    http = Http.model_validate(
        {"host": "::", "public_url": "https://board.example", "trusted_proxies": ["192.0.2.0/28", "2001:db8::1"]}
    )
    front = build_front(http)
    assert (front.host, front.public_url, front.secure) == ("::", "https://board.example", True)
    assert [str(network) for network in front.proxies] == ["192.0.2.0/28", "2001:db8::1/128"]


# TLS


class Certificate(NamedTuple):
    cert: Path
    key: Path
    locked: Path


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """A certificate of 127.0.0.1 that vouches for itself, its key, and the key with a password."""
    folder = tmp_path_factory.mktemp("tls")
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "board.example")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False)
        .sign(key, hashes.SHA256())
    )
    paths = Certificate(folder / "cert.pem", folder / "key.pem", folder / "locked.pem")
    paths.cert.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    for path, how in (
        (paths.key, serialization.NoEncryption()),
        (paths.locked, serialization.BestAvailableEncryption(b"secret")),
    ):
        path.write_bytes(key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, how))
    return paths


@pytest.fixture
def house(tmp_path: Path, reader: FakeReader) -> Iterator[House]:
    house = House(tmp_path, reader)
    yield house
    house.close()


async def test_it_is_served_by_tls(house: House, certificate: Certificate) -> None:
    reader, stream = house.reader, Stream(house.reader)
    front = Front(cert_file=certificate.cert, key_file=certificate.key)
    server = WebServer(
        reader, stream, watch_boards(reader, stream), render_nothing, port=0, access=house.office, front=front
    )
    url = await server.start()
    assert url.startswith("https://127.0.0.1:")
    async with httpx.AsyncClient(base_url=url, verify=ssl.create_default_context(cafile=certificate.cert)) as client:
        answer = await client.post("/api/v1/session", json={"name": "Ada", "password": PASSWORD})
        assert answer.status_code == 200, answer.text
        assert "__Host-sillwatch_session" in client.cookies
        assert (await client.get("/api/v1/people")).status_code == 200
    with pytest.raises(httpx.HTTPError):
        async with httpx.AsyncClient(base_url=url.replace("https", "http")) as client:
            await client.get("/healthz")
    await server.stop()


def test_tls_is_not_older_than_1_2(certificate: Certificate) -> None:
    context = load_certificate(Front(cert_file=certificate.cert, key_file=certificate.key))
    assert context is not None
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert load_certificate(Front()) is None


def test_files_that_tls_cannot_be_served_with_are_one_clear_line(certificate: Certificate, tmp_path: Path) -> None:
    empty = tmp_path / "empty.pem"
    empty.touch()
    for cert, key, part in (
        (tmp_path / "gone.pem", certificate.key, "cannot be read"),
        (certificate.cert, tmp_path / "gone.pem", "cannot be read"),
        (empty, certificate.key, "not a certificate and its key"),
        (certificate.key, certificate.cert, "not a certificate and its key"),
        (certificate.cert, certificate.locked, "has a password"),
    ):
        with pytest.raises(ListenError, match=part) as caught:
            load_certificate(Front(cert_file=cert, key_file=key))
        assert "\n" not in str(caught.value)


def test_with_sign_in_any_address_of_this_machine_can_be_listened_on() -> None:
    with pytest.raises(ListenError, match="without sign-in only loopback is served"):
        bind("0.0.0.0", 0)
    listener = bind("0.0.0.0", 0, anywhere=True)
    assert listener.getsockname()[0] == "0.0.0.0"
    listener.close()
