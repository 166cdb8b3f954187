"""Brokers as ``deploy/`` sets them up for other machines: TLS, certificates, passwords, permissions.

Owns starting them from exactly the shipped files, with paths and ports replaced and two users
added that read everything; never writes a permission of its own.
"""

from __future__ import annotations

import contextlib
import os
import re
import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from monitor.adapters.broker import find_executable
from tests.acceptance.programs import Program, free_port, until
from tests.security.authority import HOST, Authority, Pair
from tests.security.raw_mqtt import RawClient

DEPLOY = Path(__file__).parents[2] / "deploy"
WATCHERS = ("admin", "late")
"""May read everything; two, since one user has one session."""

USERS = ("monitor", "reader", "stand-S11", "ZZ-KAT", "ZZ-OLM", *WATCHERS)


def password_of(user: str) -> str:
    """The password that a user of the tests has."""
    return f"{user}'s own password"


class GuardedBroker:
    """A broker behind TLS; ``trusted`` is its authority, ``client`` a certificate that it takes."""

    def __init__(self, folder: Path, kind: str, trusted: Authority) -> None:
        self.folder, self.kind, self.trusted = folder, kind, trusted
        self.port = free_port()
        self.client = trusted.sign("client")
        self.server = trusted.sign("broker", host=HOST)
        self.program: Program | None = None

    @property
    def url(self) -> str:
        return f"mqtts://{HOST}:{self.port}"

    def context(self, client: Pair | None = None) -> ssl.SSLContext:
        """What a client of the tests opens its connection with."""
        made = ssl.create_default_context(cafile=self.trusted.ca)
        made.load_cert_chain(*(client or self.client))
        return made

    def sign_in(self, user: str, *, password: str | None = None, client_id: str = "", **more: Any) -> RawClient:
        """A raw connection as a user of the tests; it may be refused."""
        return RawClient(
            HOST,
            self.port,
            context=self.context(),
            client_id=client_id or f"raw-{user}",
            user=user,
            password=password_of(user) if password is None else password,
            **more,
        )

    def start(self, require_program: Callable[..., str]) -> None:
        command = self._mosquitto(require_program) if self.kind == "mosquitto" else self._nats()
        program = self.program = Program(self.folder, command=command)

        def answers() -> bool:
            assert program.running, program.err + program.out
            with contextlib.suppress(OSError), self.sign_in("admin") as client:
                return client.accepted
            return False

        until(answers, lambda: f"{self.kind} lets its users in; {program.err}{program.out}")

    def stop(self) -> None:
        if self.program is not None:
            self.program.close()

    def _mosquitto(self, require_program: Callable[..., str]) -> list[str]:
        passwords = self.folder / "passwords"
        passwords.write_text("".join(f"{user}:{password_of(user)}\n" for user in USERS), encoding="utf-8")
        subprocess.run([require_program("mosquitto_passwd"), "-U", passwords], check=True, capture_output=True)
        acl = (DEPLOY / "mosquitto.acl").read_text(encoding="utf-8")
        (self.folder / "acl").write_text(
            acl + "".join(f"\nuser {user}\ntopic read #\n" for user in WATCHERS), encoding="utf-8"
        )
        config = _replaced(
            "mosquitto-tls.conf",
            {
                "listener 8883": f"listener {self.port} {HOST}",
                "/etc/mosquitto/certs/ca.pem": str(self.trusted.ca),
                "/etc/mosquitto/certs/broker.pem": str(self.server.cert),
                "/etc/mosquitto/certs/broker.key": str(self.server.key),
                "password_file /etc/mosquitto/passwords": f"password_file {passwords}",
                "/etc/mosquitto/mosquitto.acl": str(self.folder / "acl"),
                "persistence_location /var/lib/mosquitto/": f"persistence_location {self.folder}/",
            },
        )
        if os.geteuid() == 0:
            config += "\nuser root\n"
        (self.folder / "mosquitto.conf").write_text(config, encoding="utf-8")
        return [require_program("mosquitto"), "-c", str(self.folder / "mosquitto.conf")]

    def _nats(self) -> list[str]:
        config = _replaced(
            "nats-server-tls.conf",
            {
                "host: 0.0.0.0": f"host: {HOST}",
                "port: 4222": f"port: {free_port()}",
                "port: 8883": f"port: {self.port}",
                "/var/lib/nats": str(self.folder / "store"),
                "/etc/nats/broker.pem": str(self.server.cert),
                "/etc/nats/broker.key": str(self.server.key),
                "/etc/nats/ca.pem": str(self.trusted.ca),
            },
        )
        for user in USERS:
            config = config.replace(f"PASSWORD-OF-{user.upper()}", password_of(user))
        assert "PASSWORD-OF" not in config
        block = re.search(r" +\{\n +user: ZZ-KAT.*?\n    \}\n", config, flags=re.DOTALL)
        assert block is not None
        watchers = "".join(f'    {{ user: {user}, password: "{password_of(user)}" }}\n' for user in WATCHERS)
        other = block[0].replace("ZZ-KAT", "ZZ-OLM")
        config = config.replace(block[0], block[0] + other + watchers)
        path = self.folder / "nats-server.conf"
        path.write_text(config, encoding="utf-8")
        return [str(find_executable()), "-c", str(path)]


def _replaced(name: str, changes: dict[str, str]) -> str:
    config = (DEPLOY / name).read_text(encoding="utf-8")
    for old, new in changes.items():
        assert config.count(old) == 1, (name, old)
        config = config.replace(old, new)
    return config


@contextlib.contextmanager
def guarded_broker(kind: str, folder: Path, require_program: Callable[..., str]) -> Iterator[GuardedBroker]:
    """A started broker of a kind, ``mosquitto`` or ``nats-server``; stopped at the end."""
    broker = GuardedBroker(folder, kind, Authority(folder / "trusted", "Test authority"))
    try:
        broker.start(require_program)
        yield broker
    finally:
        broker.stop()
