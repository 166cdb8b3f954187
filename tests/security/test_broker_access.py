"""Breaking in at the broker that ``deploy/`` sets up: certificates, passwords, permissions.

A client that may read everything watches what the broker passes on: of a break-in, nothing.
"""

from __future__ import annotations

import asyncio
import itertools
import ssl
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.mqtt import MqttFeed
from monitor.adapters.mqtt_settings import MqttSettings
from tests.acceptance.programs import SITE, Instance
from tests.contract.brokers import Rig, until
from tests.security.authority import HOST, Authority, Pair
from tests.security.guarded import GuardedBroker, guarded_broker, password_of
from tests.security.raw_mqtt import HungUpError, RawClient, packet, publication

pytestmark = pytest.mark.broker

AIRCRAFT = f"apron/v1/{SITE}/aircraft"
STAND = f"apron/v1/{SITE}/stand"
READING = b'{"time": 1772359200, "value": true}'
_NUMBER = itertools.count(1)


@pytest.fixture(scope="module", params=["mosquitto", "nats-server"])
def guarded(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, require_program: Callable[..., str]
) -> Iterator[GuardedBroker]:
    with guarded_broker(request.param, tmp_path_factory.mktemp(request.param), require_program) as broker:
        yield broker


@pytest.fixture
def watcher(guarded: GuardedBroker) -> Iterator[RawClient]:
    """Reads every topic there is."""
    with guarded.sign_in("admin") as client:
        assert client.subscribe("#")
        client.topics_until(mark(guarded))  # what lies retained comes first
        yield client


def mark(guarded: GuardedBroker) -> str:
    """Publish something allowed; what comes before it at a subscriber was sent before it."""
    topic = f"sillwatch/v1/mark-{next(_NUMBER)}"
    with guarded.sign_in("monitor", client_id="marker") as client:
        assert client.publish(topic, b"x")
    return topic


def retained(guarded: GuardedBroker) -> dict[str, bytes]:
    """What the broker tells a client that comes now."""
    with guarded.sign_in("late") as client:
        assert client.subscribe("#")
        return dict(client.messages_until(mark(guarded)))


# Getting in


class Refused:
    """A feed whose reasons for having no connection are written down."""

    def __init__(self, guarded: GuardedBroker, changes: dict[str, Any]) -> None:
        self.url = guarded.url
        self.protocol = "auto" if guarded.kind == "mosquitto" else "3.1.1"
        own: dict[str, Any] = {
            "own_client_id": "tried",
            "username": "monitor",
            "password": password_of("monitor"),
            "ca_file": guarded.trusted.ca,
            "cert_file": guarded.client.cert,
            "key_file": guarded.client.key,
            "retry_s_max": 0.01,
        }
        self.rig = Rig(self, "tried", overrides=own | changes)  # type: ignore[arg-type]
        self.reasons: list[str] = []

    def feed(self, settings: MqttSettings, **callbacks: Any) -> MqttFeed:
        return MqttFeed(settings, jitter=lambda: 1.0, **callbacks)

    async def reason(self) -> str:
        """Why the second attempt failed: the first may be an offer of another version."""
        connect_once = self.rig.feed._connect_once

        async def note() -> Any:
            error = await connect_once()
            self.reasons.append(str(error))
            return error

        self.rig.feed._connect_once = note
        task = asyncio.create_task(self.rig.feed.run())
        try:
            await until(lambda: len(self.reasons) >= 2, "two refusals")
            await self.rig.feed.stop()
            await task
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        assert self.rig.connections == []
        return self.reasons[1]


def as_pair(pair: Pair) -> dict[str, Path]:
    return {"cert_file": pair.cert, "key_file": pair.key}


async def test_nobody_gets_in_without_certificate_and_password(guarded: GuardedBroker, tmp_path: Path) -> None:
    other = Authority(tmp_path, "Another authority")
    cases: dict[str, tuple[dict[str, Any], str]] = {
        "no certificate": ({"cert_file": None, "key_file": None}, "certificate"),
        "certificate of another authority": (as_pair(other.sign("own")), "certificate"),
        "certificate that is over": (as_pair(guarded.trusted.sign("old", days=-1)), "certificate"),
        "broker of another authority": ({"ca_file": other.ca}, "certificate verify failed"),
        "wrong password": ({"password": "guessed"}, "not authorized"),
        "another user's password": ({"password": password_of("reader")}, "not authorized"),
        "unknown user": ({"username": "nobody"}, "not authorized"),
        "no user": ({"username": None, "password": None}, "not authorized"),
        "no TLS": ({"url": guarded.url.replace("mqtts", "mqtt")}, "the broker closed the connection"),
    }
    for name, (changes, why) in cases.items():
        refused = Refused(guarded, changes)
        reason = await refused.reason()
        assert why in reason, (name, refused.reasons)
        assert "\n" not in reason
        assert "_ssl" not in reason
        assert password_of("monitor") not in reason


@pytest.mark.parametrize(
    ("host", "days", "why"),
    [("127.0.0.2", 2, "ip address mismatch"), (HOST, -1, "certificate has expired")],
    ids=["another name", "over"],
)
async def test_a_broker_with_the_wrong_certificate_is_not_talked_to(
    guarded: GuardedBroker, tmp_path: Path, host: str, days: int, why: str
) -> None:
    authority = Authority(tmp_path, "Test authority")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*authority.sign("false", host=host, days=days))
    heard: list[bytes] = []

    async def hear(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        heard.append(await reader.read(100))
        writer.close()

    server = await asyncio.start_server(hear, HOST, 0, ssl=context)
    async with server:
        url = f"mqtts://{HOST}:{server.sockets[0].getsockname()[1]}"
        reason = await Refused(guarded, {"url": url, "ca_file": authority.ca}).reason()
    assert reason == f"certificate verify failed: {reason.partition(': ')[2]}"
    assert why in reason
    assert heard == []


def test_old_tls_is_refused(guarded: GuardedBroker) -> None:
    context = guarded.context()
    context.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning, match="TLSv1"):
        context.minimum_version = ssl.TLSVersion.TLSv1
    with pytest.warns(DeprecationWarning, match="TLSv1"):
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises(OSError, match=r"(?i)alert|version|reset|EOF"):
        RawClient(HOST, guarded.port, context=context, user="admin", password=password_of("admin"))


@pytest.mark.timeout(240)
def test_the_real_monitor_works_over_it(guarded: GuardedBroker, tmp_path: Path) -> None:
    """Readings of an aircraft's own user reach the board, and what the monitor publishes reaches a reader."""
    password = tmp_path / "broker.password"
    password.touch(mode=0o600)
    password.write_text(password_of("monitor") + "\n", encoding="utf-8")
    config = tmp_path / "site.yaml"
    config.write_text(
        f"site: {{name: {SITE}, elevation_m: 210, stands: [S11]}}\n"
        f"broker: {{user: monitor, password_file: {password}, ca_file: {guarded.trusted.ca},\n"
        f"  cert_file: {guarded.client.cert}, key_file: {guarded.client.key}}}\n",
        encoding="utf-8",
    )
    instance = Instance(tmp_path, guarded.url, config=config)
    try:
        instance.start()
        door = f"sillwatch/v1/door/{SITE}/ZZ-KAT/L1"
        with guarded.sign_in("reader") as reader, guarded.sign_in("ZZ-KAT") as sensor:
            assert reader.subscribe(door)
            assert sensor.publish(f"{AIRCRAFT}/ZZ-KAT/airframe/type", READING.replace(b"true", b'"alder"'))
            assert sensor.publish(f"{AIRCRAFT}/ZZ-KAT/door/L1/closed", READING)
            assert reader.topics_until(door) == []
            assert sensor.publish(f"{AIRCRAFT}/ZZ-OLM/airframe/type", READING.replace(b"true", b'"alder"'))
            assert sensor.publish(f"{AIRCRAFT}/ZZ-KAT/door/R1/closed", READING)
        instance.wait_door("ZZ-KAT", "R1", "unknown")
        assert [row["aircraft"] for row in instance.list_all("/api/v1/aircraft")] == ["ZZ-KAT"]
        told = instance.err
        assert "secret-open" not in told
        assert password_of("monitor") not in told
    finally:
        instance.close()


# Inside, beyond what one may


BREAK_INS: dict[str, list[str | bytes]] = {
    "ZZ-KAT": [
        f"{AIRCRAFT}/ZZ-OLM/door/L1/closed",
        f"{AIRCRAFT}/ZZ-OLM/bundle",
        f"{AIRCRAFT}/ZZ-KATX/door/L1/closed",
        f"{AIRCRAFT}/ZZ-KA/door/L1/closed",
        f"{AIRCRAFT}/zz-kat/door/L1/closed",
        f"{AIRCRAFT}/ZZ-KAT.ZZ-OLM/door/L1/closed",
        f"{AIRCRAFT}//ZZ-KAT/door/L1/closed",
        f"{AIRCRAFT}/ZZ-ΚΑΤ/door/L1/closed",
        f"{AIRCRAFT}/ZZ-KAT\u200b/door/L1/closed",
        f"/{AIRCRAFT}/ZZ-KAT/door/L1/closed",
        f"x/../{AIRCRAFT}/ZZ-OLM/door/L1/closed",
        AIRCRAFT.replace("/", ".") + ".ZZ-OLM.door.L1.closed",
        "apron/v1/elsewhere/aircraft/ZZ-KAT/door/L1/closed",
        f"{STAND}/S11/wind_kt",
        f"sillwatch/v1/active/{SITE}/ZZ-KAT/L1/slide-deployed",
        f"sillwatch/v1/door/{SITE}/ZZ-KAT/L1",
        f"sillwatch/v1/event/{SITE}/ZZ-KAT/L1/slide-deployed",
        f"sillwatch/v1/readiness/{SITE}/ZZ-KAT",
        f"sillwatch/v1/status/sillwatch-{SITE}",
        "$SYS/broker/version",
        "$JS/API/STREAM/PURGE/$MQTT_rmsgs",
        "$JS/API/STREAM/DELETE/$MQTT_msgs",
        "$MQTT/rmsgs/x",
        "$MQTT/sub/x",
        "$share/a/b",
        f"{AIRCRAFT}/+/door/L1/closed",
        f"{AIRCRAFT}/ZZ-KAT/#",
        "#",
        "",
        f"{AIRCRAFT}/ZZ-KAT/door/L1/clo\0sed",
        f"{AIRCRAFT}/ZZ-KAT/".encode() + b"\xff\xfe",
        f"{AIRCRAFT}/ZZ-KAT/".encode() + b"\xed\xa0\x80",
        f"{AIRCRAFT}/ZZ-OLM/".encode() + b"\xc0\xaf",
    ],
    "stand-S11": [
        f"{STAND}/S12/wind_kt",
        f"{STAND}/S11/deeper/wind_kt",
        f"{AIRCRAFT}/ZZ-KAT/door/L1/closed",
        f"{AIRCRAFT}/stand-S11/door/L1/closed",
        f"sillwatch/v1/door/{SITE}/ZZ-KAT/L1",
    ],
    "reader": [
        f"{AIRCRAFT}/ZZ-KAT/door/L1/closed",
        f"{AIRCRAFT}/reader/door/L1/closed",
        f"{STAND}/S11/wind_kt",
        f"sillwatch/v1/status/sillwatch-{SITE}",
        "$JS/API/STREAM/PURGE/$MQTT_rmsgs",
        "anything",
    ],
    "monitor": [
        f"{AIRCRAFT}/ZZ-KAT/door/L1/closed",
        f"{AIRCRAFT}/monitor/door/L1/closed",
        f"{STAND}/S11/wind_kt",
        "sillwatch",
        "sillwatches/v1/x",
        "$JS/API/STREAM/PURGE/$MQTT_rmsgs",
    ],
}


def test_nothing_of_a_break_in_is_passed_on(guarded: GuardedBroker, watcher: RawClient) -> None:
    before = retained(guarded)
    watcher.topics_until(mark(guarded))
    for user, topics in BREAK_INS.items():
        for topic, retain in itertools.product(topics, (False, True)):
            with guarded.sign_in(user) as client:
                assert client.accepted
                client.publish(topic, READING, retain=retain)
    assert watcher.topics_until(mark(guarded)) == []
    assert retained(guarded) == before


def test_what_each_may_publish_is_passed_on(guarded: GuardedBroker, watcher: RawClient) -> None:
    allowed = {
        "ZZ-KAT": [
            f"{AIRCRAFT}/ZZ-KAT/door/L1/closed",
            f"{AIRCRAFT}/ZZ-KAT/bundle",
            f"{AIRCRAFT}/ZZ-KAT/airframe/type",
        ],
        "ZZ-OLM": [f"{AIRCRAFT}/ZZ-OLM/door/L1/closed"],
        "stand-S11": [f"{STAND}/S11/wind_kt"],
        "monitor": [f"sillwatch/v1/door/{SITE}/ZZ-KAT/L1", f"sillwatch/v1/event/{SITE}/-/-/feed-lost"],
    }
    for user, topics in allowed.items():
        with guarded.sign_in(user) as client:
            assert [topic for topic in topics if not client.publish(topic, READING)] == []
    assert watcher.topics_until(mark(guarded)) == [topic for topics in allowed.values() for topic in topics]


def test_a_will_is_held_to_the_same(guarded: GuardedBroker, watcher: RawClient) -> None:
    topics = [f"sillwatch/v1/status/sillwatch-{SITE}", f"{AIRCRAFT}/ZZ-OLM/door/L1/closed"]
    for topic in topics:
        try:
            guarded.sign_in("ZZ-KAT", will=(topic, READING)).drop()
        except HungUpError:
            continue  # it does not even take the connection
    own = f"{AIRCRAFT}/ZZ-KAT/door/L1/latched"
    guarded.sign_in("ZZ-KAT", will=(own, READING)).drop()
    assert watcher.topics_until(own) == []
    assert watcher.topics_until(mark(guarded)) == []


def test_a_sensor_hears_nothing(guarded: GuardedBroker) -> None:
    """One broker refuses the subscription; the other grants it and delivers nothing."""
    filters = ["#", f"{AIRCRAFT}/ZZ-OLM/#", f"{AIRCRAFT}/ZZ-KAT/#", "sillwatch/v1/#", "$SYS/#", "$share/g/#", "$MQTT/#"]
    for user in ("ZZ-KAT", "stand-S11"):
        with guarded.sign_in(user, client_id=f"listening-{user}") as listener:
            for name in filters:
                listener.subscribe(name)
            with guarded.sign_in("ZZ-OLM") as sensor:
                assert sensor.publish(f"{AIRCRAFT}/ZZ-OLM/door/L1/closed", READING)
            with guarded.sign_in("monitor") as monitor:
                assert monitor.publish(f"sillwatch/v1/door/{SITE}/ZZ-OLM/L1", READING)
            listener.send(packet(0xC0, b""))
            kind, body = listener.receive()
            while kind == 0x90:
                kind, body = listener.receive()
            assert (kind, body) == (0xD0, b""), (user, kind, body)


def test_a_session_is_not_taken_over_by_its_name(guarded: GuardedBroker) -> None:
    """Mosquitto ties the session to the user; NATS does not, and hands over nothing that the user may not read."""
    topic = f"{AIRCRAFT}/ZZ-OLM/door/L1/latched"
    with guarded.sign_in("monitor", client_id="the-monitor", clean=False) as monitor:
        assert monitor.subscribe(f"apron/v1/{SITE}/#")
        with guarded.sign_in("ZZ-KAT", client_id="the-monitor", clean=False) as thief:
            with guarded.sign_in("ZZ-OLM") as sensor:
                assert sensor.publish(topic, READING)
            thief.send(packet(0xC0, b""))
            assert thief.receive() == (0xD0, b"")
        if guarded.kind == "mosquitto":
            monitor.topics_until(topic)  # it is connected still, and hears


def test_what_is_too_large_ends_its_sender_alone(guarded: GuardedBroker, watcher: RawClient) -> None:
    own = f"{AIRCRAFT}/ZZ-KAT/door/L1/closed"
    with guarded.sign_in("ZZ-KAT") as client:
        try:
            client.send(publication(own, b"x" * 300_000))
            answer = client.receive()
        except HungUpError:
            answer = None
    assert answer is None
    assert watcher.topics_until(mark(guarded)) == []
