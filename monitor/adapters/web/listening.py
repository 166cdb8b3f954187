"""One application served in our own event loop: bound before it serves, and ended within about a second.

Owns the listening socket and the server's life, so that a taken port is one clear line and port 0 is known.
It knows nothing of what is served, and never waits for a client that takes nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
import ssl
from collections.abc import Iterator
from typing import Any, Final

import uvicorn
from starlette.types import ASGIApp

from monitor.adapters.web.connections import Places, bound_protocol
from monitor.config.http_file import is_loopback

GRACE_S: Final = 0.6
"""How long open answers may take to end by themselves when the server stops."""

_BACKLOG: Final = 512


class ListenError(Exception):
    """The server cannot listen where it was told to; the message is one line for a person."""


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


def bind(host: str, port: int, *, anywhere: bool = False) -> socket.socket:
    """Return a socket that listens on ``host``, a loopback name or address where it may not be ``anywhere``.

    Raises :class:`ListenError`.
    """
    where = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    if not 0 <= port <= 0xFFFF:
        raise ListenError(f"cannot listen on {where}: a port is from 0 to 65535")
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except (OSError, UnicodeError):
        raise ListenError(f"cannot listen on {where}: there is no such host here") from None
    found.sort(key=lambda entry: entry[0] != socket.AF_INET)
    if not anywhere and not all(is_loopback(str(entry[4][0]).partition("%")[0]) for entry in found):
        raise ListenError(f"cannot listen on {where}: without sign-in only loopback is served")
    family, kind, protocol, _, address = found[0]
    listener = socket.socket(family, kind, protocol)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(_BACKLOG)
        listener.setblocking(False)
    except OSError as error:
        listener.close()
        raise ListenError(f"cannot listen on {where}: {explain(error)}") from None
    return listener


def explain(error: OSError) -> str:
    """Say why a socket or a file cannot be had, and what helps."""
    if error.errno == errno.EADDRINUSE:
        return "the port is taken by another program; stop that one or choose another port"
    if error.errno == errno.EACCES:
        return "this user may not open that port; choose one above 1023"
    return (error.strerror or str(error)).lower()


class Listening:
    """``app`` on a socket, from :meth:`start` until :meth:`stop`; ``name`` stands before its tasks' names."""

    def __init__(self, app: ASGIApp, places: Places, *, name: str) -> None:
        self._app = app
        self._places = places
        self._name = name
        self._server: _Server | None = None
        self._serving: asyncio.Task[None] | None = None

    @property
    def connections(self) -> int:
        """How many connections, and with them file handles, it holds."""
        return 0 if self._server is None else len(self._server.server_state.connections)

    async def start(self, listener: socket.socket, host: str, context: ssl.SSLContext | None = None) -> str:
        """Serve ``listener``, which takes it over, and return the address as a URL; raises :class:`ListenError`."""
        server = _Server(
            uvicorn.Config(
                self._app,
                http=bound_protocol(self._places),
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=1,
                ssl_context_factory=None if context is None else lambda *_: context,
            )
        )
        port = listener.getsockname()[1]
        serving = asyncio.create_task(server.serve(sockets=[listener]), name=f"{self._name}-server")
        self._server, self._serving = server, serving
        up = asyncio.create_task(server.up.wait(), name=f"{self._name}-server-up")
        await asyncio.wait({serving, up}, return_when=asyncio.FIRST_COMPLETED)
        if not server.up.is_set():
            up.cancel()
            listener.close()
            await serving
            raise ListenError("the HTTP server ended before it was up")
        return f"{'http' if context is None else 'https'}://{f'[{host}]' if ':' in host else host}:{port}"

    async def stop(self) -> None:
        """Let answers finish for a moment, then close; safe to call twice."""
        server, serving = self._server, self._serving
        self._server = self._serving = None
        if server is None or serving is None:
            return
        server.should_exit = True
        done, _ = await asyncio.wait({serving}, timeout=GRACE_S)
        if not done:
            _abort_connections(server)
        await serving


def _abort_connections(server: uvicorn.Server) -> None:
    """Cut the connections whose clients take nothing; a polite close would wait for them."""
    connections: list[Any] = list(server.server_state.connections)
    for connection in connections:
        connection.transport.abort()
