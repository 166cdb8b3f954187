"""One HTTP request to a receiver that may be slow, broken or hostile.

Owns the bounds: ten seconds in all, four kilobytes of answer, no redirect followed, no
proxy and no password of the environment's. It never reads what a body says, and what it
tells of a failure is in its own words, since an address may hold a secret.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
import ssl
from collections.abc import Callable, Mapping
from enum import Enum
from typing import Final, NamedTuple
from urllib.parse import urlsplit

import httpx

from monitor.adapters.notify.backoff import read_retry_after

TIMEOUT_S: Final = 10.0
ANSWER_MAX: Final = 4096
BODY_S: Final = 1.0
"""How long is waited for the rest of an answer whose status is known; only to use the connection again."""

CONNECTIONS: Final = 4

# They would write whole addresses, and what a receiver answers.
for _talker in ("httpx", "httpcore"):
    logging.getLogger(_talker).setLevel(logging.WARNING)

_MISDIRECTED: Final = frozenset({401, 403, 404, 405, 407})
_LATER: Final = frozenset({408, 425, 429})


class Fate(Enum):
    """What one attempt came to."""

    DELIVERED = "delivered"
    UNREACHABLE = "unreachable"
    """Nobody took anything just now; everything else for this destination would meet the same."""
    REFUSED = "refused"
    """It answers and takes nothing from us; a person has to mend something there or here."""
    REJECTED = "rejected"
    """It does not take this one."""
    GONE = "gone"
    """It wants nothing any more (410)."""


class Outcome(NamedTuple):
    """A fate, why in our own words, and the wait that was asked for (µs)."""

    fate: Fate
    error: str = ""
    retry_after: int | None = None


DELIVERED: Final = Outcome(Fate.DELIVERED)


def show_address(url: str) -> str:
    """Write what of an address may be shown: scheme, host and port."""
    try:
        parts = urlsplit(url)
        host = parts.hostname or ""
        port = f":{parts.port}" if parts.port is not None else ""
    except ValueError:
        return ""
    return f"{parts.scheme}://{f'[{host}]' if ':' in host else host}{port}"


def judge_status(status: int, retry_after: int | None) -> Outcome:
    """Say what an answer's status means for the one who sent."""
    if 200 <= status < 300:
        return DELIVERED
    error = f"answered {status}"
    if status == 410:
        return Outcome(Fate.GONE, f"{error}: it wants nothing any more")
    if status >= 500 or status in _LATER:
        return Outcome(Fate.UNREACHABLE, error, retry_after)
    if 300 <= status < 400:
        return Outcome(Fate.REFUSED, f"{error}: a redirect, which is not followed", retry_after)
    if status in _MISDIRECTED:
        return Outcome(Fate.REFUSED, error, retry_after)
    return Outcome(Fate.REJECTED, error, retry_after)


class Poster:
    """Posts to one address; ``now`` is in µs, for dates that an answer names."""

    def __init__(self, url: str, now: Callable[[], int], *, timeout_s: float = TIMEOUT_S) -> None:
        self._url = url
        self._now = now
        self._timeout_s = timeout_s
        secure = url.lower().startswith("https")
        self._client = httpx.AsyncClient(
            verify=ssl.create_default_context() if secure else False,
            timeout=timeout_s,
            follow_redirects=False,
            trust_env=False,
            limits=httpx.Limits(max_connections=CONNECTIONS, max_keepalive_connections=CONNECTIONS),
            headers={"User-Agent": "sillwatch", "Accept-Encoding": "identity"},
        )

    async def close(self) -> None:
        """Let go of the connections."""
        await self._client.aclose()

    async def post(self, body: bytes, headers: Mapping[str, str]) -> Outcome:
        """Send once; never raises for what a receiver can do."""
        try:
            async with asyncio.timeout(self._timeout_s):
                return await self._post(body, headers)
        except (TimeoutError, httpx.TimeoutException):
            return Outcome(Fate.UNREACHABLE, f"no answer within {self._timeout_s:g} s")
        except httpx.ConnectError as error:
            return Outcome(Fate.UNREACHABLE, f"cannot connect{_reason(error)}")
        except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError) as error:
            return Outcome(Fate.UNREACHABLE, f"the connection failed ({type(error).__name__})")
        except (OSError, ValueError) as error:
            return Outcome(Fate.UNREACHABLE, f"cannot send ({type(error).__name__})")

    async def _post(self, body: bytes, headers: Mapping[str, str]) -> Outcome:
        async with self._client.stream("POST", self._url, content=body, headers=dict(headers)) as answer:
            outcome = judge_status(answer.status_code, read_retry_after(answer.headers.get("retry-after"), self._now()))
            # The status is the answer; the rest is read only as far as it is cheap, unlooked at.
            with contextlib.suppress(TimeoutError, httpx.HTTPError):
                async with asyncio.timeout(BODY_S):
                    taken = 0
                    async for chunk in answer.aiter_raw(ANSWER_MAX):
                        taken += len(chunk)
                        if taken >= ANSWER_MAX:
                            break
        return outcome


def _reason(error: BaseException | None) -> str:
    """Say why a connection failed, from the kernel's or the certificate check's own word, never from a text."""
    seen = 0
    while error is not None and seen < 8:
        if isinstance(error, ssl.SSLError):
            return ": its certificate or its TLS is not accepted"
        if isinstance(error, socket.gaierror):
            return ": there is no such host"
        if isinstance(error, OSError) and error.errno is not None:
            return f": {os.strerror(error.errno).lower()}"
        error = error.__cause__ or error.__context__
        seen += 1
    return ""
