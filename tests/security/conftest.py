"""Real programs to break into: one where nobody has to sign in, one where everybody does."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.acceptance.clients import Sender
from tests.acceptance.programs import (
    HOST,
    Instance,
    MosquittoBroker,
    free_port,
    running_broker,
    running_instance,
    sillwatch,
)
from tests.security.authority import Authority
from tests.stories import ARMED, UNLOCKED, demo_site


class Open(NamedTuple):
    """A broker without any access list, and an instance without sign-in on it."""

    url: str
    instance: Instance
    folder: Path


@pytest.fixture(scope="session")
def unguarded(tmp_path_factory: pytest.TempPathFactory, require_program: Callable[..., str]) -> Iterator[Open]:
    folder = tmp_path_factory.mktemp("open")
    require_program("mosquitto_pub")
    with (
        running_broker(MosquittoBroker(folder, require_program("mosquitto"))) as broker,
        running_instance(folder, broker) as instance,
    ):
        yield Open(broker.url, instance, folder)
        assert "Traceback" not in instance.err


@pytest.fixture(scope="session")
def alert(unguarded: Open) -> str:
    """The id of a warning that stands."""
    sender = Sender(unguarded.url, "ZT-SEC").arrive(demo_site().types["alder"])
    unguarded.instance.wait_door("ZT-SEC", "L1", "closed_locked")
    sender.at_door("L1", **ARMED)
    sender.at_door("L1", **UNLOCKED)
    return str(unguarded.instance.wait_alert("ZT-SEC", "armed-handle-moved", "L1")["alert_id"])


class Secret(NamedTuple):
    """What must never be shown, by what it is."""

    broker: str
    webhook: str
    address: str
    people: str


class Closed(NamedTuple):
    """An instance that asks everybody to sign in, with one of every secret."""

    instance: Instance
    folder: Path
    config: Path
    secret: Secret
    token: str
    told: str
    """What the commands that set it up said."""


@pytest.fixture(scope="session")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Closed]:
    """There is no broker: the instance goes on trying, and tells why it has none."""
    folder = tmp_path_factory.mktemp("closed")
    secret = Secret(*(f"{name}-{secrets.token_hex(12)}" for name in ("broker", "d2ViaG9vaw", "address", "people")))
    authority = Authority(folder / "keys", "Test authority")
    pair = authority.sign("monitor")
    files = {
        "broker.password": secret.broker,
        "webhook.secret": "whsec_" + secret.webhook.replace("-", ""),
        "alerts.address": f"http://{HOST}:{free_port()}/{secret.address}",
        "people.password": secret.people,
    }
    for name, content in files.items():
        (folder / name).touch(mode=0o600)
        (folder / name).write_text(content + "\n", encoding="utf-8")
    config = folder / "site.yaml"
    config.write_text(
        "site: {name: tarnwick, elevation_m: 210, stands: [S11]}\n"
        f"broker: {{url: 'mqtts://{HOST}:{free_port()}', user: monitor, password_file: broker.password,\n"
        f"  ca_file: {authority.ca}, cert_file: {pair.cert}, key_file: {pair.key}}}\n"
        f"http: {{host: {HOST}, port: 0}}\n"
        f"data: {{directory: {folder / 'data'}}}\n"
        "notify:\n  destinations:\n"
        f"    desk: {{kind: webhook, url: 'http://{HOST}:{free_port()}/', secret_file: webhook.secret}}\n"
        "    chat: {kind: alertmanager, url_file: alerts.address}\n",
        encoding="utf-8",
    )
    told = []
    for name, role in (("ada", "administrator"), ("col", "coordinator"), ("vic", "viewer")):
        program = sillwatch(
            folder, "user", "add", name, "--role", role, "--data", str(folder / "data"),
            "--password-file", str(folder / "people.password"),
        )  # fmt: skip
        assert program.wait() == 0, program.err
        told.append(program.out + program.err)
    program = sillwatch(folder, "token", "add", "reader", "--scope", "read", "--data", str(folder / "data"))
    assert program.wait() == 0, program.err
    token = next(word for word in (program.out + program.err).split() if word.startswith("sillwatch_"))
    told.append(program.err)
    check = sillwatch(folder, "check", "--config", str(config))
    assert check.wait() == 0, check.err
    told.append(check.out + check.err)
    instance = Instance(folder, f"mqtts://{HOST}:{free_port()}", config=config)
    try:
        yield Closed(instance.start(ready=False), folder, config, secret, token, "\n".join(told))
    finally:
        instance.close()
