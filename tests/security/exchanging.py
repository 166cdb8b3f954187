"""HTTP by hand: bytes to a running service, and all that it answers.

Owns one blocking connection a call; no client library tidies up what is sent.
"""

from __future__ import annotations

import re
import socket
from typing import NamedTuple
from urllib.parse import urlsplit

DEADLINE_S = 30.0


class Answers(NamedTuple):
    """Everything that came back until the service hung up, or fell silent for ``quiet_s``."""

    raw: bytes

    @property
    def statuses(self) -> list[int]:
        """The status of each answer, in order."""
        return [int(code) for code in re.findall(rb"(?:^|\n|\})HTTP/1\.1 (\d{3})", self.raw)]

    @property
    def status(self) -> int | None:
        """The status of the first one; ``None`` where it hung up without a word."""
        return self.statuses[0] if self.statuses else None

    @property
    def header_names(self) -> set[str]:
        """The header names of the first answer, in lower case."""
        head = self.raw.partition(b"\r\n\r\n")[0].split(b"\r\n")[1:]
        return {line.partition(b":")[0].decode("latin-1").lower() for line in head}


def exchange(url: str, data: bytes, *, quiet_s: float | None = None) -> Answers:
    """Send bytes, and read to the end; ``quiet_s`` is for what keeps the connection open."""
    parts = urlsplit(url)
    raw = bytearray()
    with socket.create_connection((parts.hostname, parts.port), timeout=DEADLINE_S) as line:
        try:
            line.sendall(data)
            if quiet_s is not None:
                line.settimeout(quiet_s)
            while piece := line.recv(65_536):
                raw += piece
        except TimeoutError:
            assert quiet_s is not None, f"neither answered nor hung up: {bytes(raw)!r}"
        except OSError:
            pass  # it hung up on what was still being sent
    return Answers(bytes(raw))


def request(
    method: str, target: str | bytes, *headers: str | bytes, body: bytes = b"", host: str = "127.0.0.1"
) -> bytes:
    """A request that asks for the connection to be closed; nothing in it is quoted."""
    raw = target if isinstance(target, bytes) else target.encode()
    lines = [b"%s %s HTTP/1.1" % (method.encode(), raw), b"Connection: close"]
    if host:
        lines.append(b"Host: " + host.encode())
    lines += [header if isinstance(header, bytes) else header.encode("latin-1") for header in headers]
    return b"\r\n".join(lines) + b"\r\n\r\n" + body


def post(target: str, body: bytes, *headers: str, kind: str = "application/json", host: str = "127.0.0.1") -> bytes:
    """A POST of a body with its length."""
    return request(
        "POST", target, f"Content-Type: {kind}", f"Content-Length: {len(body)}", *headers, body=body, host=host
    )
