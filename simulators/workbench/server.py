"""The bench's HTTP server: on loopback alone, bound before it serves, and ended within about a second.

Owns the listening socket and the server's life. Who would work the doors from another
machine is told how to reach it by a tunnel.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Iterator
from typing import Any, Final

import uvicorn
from starlette.types import ASGIApp

from monitor.adapters.web.connections import Places, bound_protocol
from monitor.adapters.web.server import ListenError, bind

CONNECTIONS_MAX: Final = 64
_GRACE_S: Final = 0.6


class _Server(uvicorn.Server):
    """A server that leaves the process's signals alone and says when it is up."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.up = asyncio.Event()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        self.up.set()


class PageServer:
    """Serves one application on a loopback address."""

    def __init__(self, app: ASGIApp, host: str, port: int) -> None:
        self._app, self._host, self._port = app, host, port
        self._server: _Server | None = None
        self._serving: asyncio.Task[None] | None = None

    async def start(self) -> str:
        """Listen, and return the address as a URL; raises :class:`ListenError`."""
        listener = bind(self._host, self._port)
        server = self._server = _Server(
            uvicorn.Config(
                self._app,
                http=bound_protocol(Places(CONNECTIONS_MAX, by_address=CONNECTIONS_MAX)),
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=1,
            )
        )
        self._serving = asyncio.create_task(server.serve(sockets=[listener]), name="bench-server")
        up = asyncio.create_task(server.up.wait(), name="bench-server-up")
        await asyncio.wait({self._serving, up}, return_when=asyncio.FIRST_COMPLETED)
        if not server.up.is_set():
            up.cancel()
            listener.close()
            await self._serving
            raise ListenError("the bench's server ended before it was up")
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"http://{host}:{listener.getsockname()[1]}"

    async def stop(self) -> None:
        """Let answers finish for a moment, then close; safe to call twice."""
        server, serving = self._server, self._serving
        self._server = self._serving = None
        if server is None or serving is None:
            return
        server.should_exit = True
        done, _ = await asyncio.wait({serving}, timeout=_GRACE_S)
        if not done:
            connections: list[Any] = list(server.server_state.connections)
            for connection in connections:
                connection.transport.abort()
        await serving
