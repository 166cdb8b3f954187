"""mqtts: the broker's certificate is checked, host name included."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.ports import Outgoing
from tests.contract.brokers import HOST, MosquittoBench, Rig, require_broker, until

pytestmark = pytest.mark.broker


class TlsBench(MosquittoBench):
    """mosquitto with a plain listener for the witness and a TLS one for the feed."""

    def __init__(self, folder: Path, tls_port: int) -> None:
        super().__init__(folder)
        self.tls_port = tls_port

    def command(self) -> list[str]:
        command = super().command()
        with (self.folder / "mosquitto.conf").open("a") as config:
            config.write(
                f"listener {self.tls_port} {HOST}\n"
                f"certfile {self.folder}/server.pem\nkeyfile {self.folder}/server.key\n"
            )
        return command


def make_certificate(openssl: str, folder: Path, name: str) -> None:
    """A self-signed certificate that is its own authority."""
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=test",
         "-addext", f"subjectAltName={name}", "-keyout", folder / "server.key", "-out", folder / "server.pem"],
        check=True,
        capture_output=True,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "trusted", "why"),
    [
        (f"IP:{HOST}", True, None),
        (f"IP:{HOST}", False, "certificate verify failed"),
        ("IP:127.0.0.2", True, "certificate verify failed: ip address mismatch"),
    ],
)
async def test_the_certificate_decides(
    tmp_path: Path, require_program: Callable[..., str], name: str, trusted: bool, why: str | None
) -> None:
    require_broker(MosquittoBench)
    make_certificate(require_program("openssl"), tmp_path, name)
    bench = TlsBench(tmp_path, tls_port=MosquittoBench(tmp_path).port)
    await bench.start()
    try:
        overrides = {
            "url": f"mqtts://{HOST}:{bench.tls_port}",
            "ca_file": tmp_path / "server.pem" if trusted else None,
            "retry_s_max": 0.01,
        }
        rig = Rig(bench, "tls", overrides=overrides)
        if why is None:
            async with rig.running(), bench.witness(rig.event("x")) as witness:
                big = b"x" * 300_000
                rig.feed.publish(Outgoing(rig.event("x"), big, False))
                await witness.publish(rig.input("closed"), big)
                await until(lambda: rig.got() == [big] and witness.seen, "both ways")
                assert witness.seen[0].payload == big
            return
        reasons: list[str] = []
        connect_once = rig.feed._connect_once

        async def note() -> object:
            error = await connect_once()
            reasons.append(str(error))
            return error

        rig.feed._connect_once = note
        task = asyncio.create_task(rig.feed.run())
        await until(lambda: len(reasons) >= 2, "two refusals")
        await rig.feed.stop()
        await task
        assert why in reasons[0]
        assert rig.connections == []
    finally:
        await bench.stop()
