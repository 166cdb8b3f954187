"""The bench's HTTP server: on loopback alone, and ended within about a second.

Owns where it listens. Who would work the doors from another machine is told how to reach it by a tunnel.
"""

from __future__ import annotations

from typing import Final

from starlette.types import ASGIApp

from monitor.adapters.web.connections import Places
from monitor.adapters.web.listening import Listening, bind

CONNECTIONS_MAX: Final = 64


class PageServer:
    """Serves one application on a loopback address."""

    def __init__(self, app: ASGIApp, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._listening = Listening(app, Places(CONNECTIONS_MAX, by_address=CONNECTIONS_MAX), name="bench")

    async def start(self) -> str:
        """Listen, and return the address as a URL; raises :class:`monitor.adapters.web.ListenError`."""
        return await self._listening.start(bind(self._host, self._port), self._host)

    async def stop(self) -> None:
        """Let answers finish for a moment, then close; safe to call twice."""
        await self._listening.stop()
