"""Why a connection ended or was refused, in one short line for a person.

Owns the words. Opens nothing, and holds no state.
"""

from __future__ import annotations

import contextlib
import re
import ssl
from typing import Final

from paho.mqtt.reasoncodes import ReasonCode

_SOURCE: Final = re.compile(r"\s*\(_ssl\.c:\d+\)$")


def say_end(reason: ReasonCode, *, by_broker: bool) -> str:
    """Say a connection's end from its reason code."""
    if by_broker:
        return f"the broker ended it: {str(reason).lower()}"
    return "connection lost" if reason.is_failure else "disconnected"


def say_error(error: BaseException) -> str:
    """Say an error in one short line, without the codes in brackets."""
    text = str(error)
    if text.startswith("["):
        with contextlib.suppress(ValueError):
            text = text[text.index("]") + 1 :].strip()
    return _SOURCE.sub("", (text or type(error).__name__).splitlines()[0]).lower()


def say_closed_early(*, tls: bool) -> str:
    """Say that a connection ended before the broker answered."""
    said = "the broker closed the connection instead of accepting it"
    # Its alert may be lost with the connection.
    return f"{said}; over TLS it does so to a certificate that it does not take, or misses" if tls else said


def say_alert(error: ssl.SSLError) -> str | None:
    """Say what the broker holds against our side of TLS; ``None`` where the error is no alert of its.

    With TLS 1.3 it arrives only after our side has found the handshake done (RFC 8446, section 4.4.2.4).
    """
    _, alert, what = say_error(error).partition(" alert ")
    return f"the broker refuses our certificate, or lacks one: {what}" if alert else None
