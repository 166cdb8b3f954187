"""The HTTP server inside our own event loop.

Owns the listening socket and the server's life: it binds before it serves, so that
a taken port is one clear line and port 0 is known, and it ends every open stream
itself, since the server would wait for them for ever.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
import ssl
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import uvicorn

from monitor.adapters.web.acting import SUBMIT_TIMEOUT_S
from monitor.adapters.web.app import build_app
from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.connections import Places, bound_protocol
from monitor.adapters.web.front import FRONT, Front
from monitor.adapters.web.gate import Sittings
from monitor.adapters.web.ports import Debriefs, MetricsPage, Reader
from monitor.adapters.web.stream import Stream
from monitor.config.http_file import is_loopback
from monitor.ports import Access

LOG: Final = logging.getLogger(__name__)

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
        raise ListenError(f"cannot listen on {where}: {_explain(error)}") from None
    return listener


def load_certificate(front: Front) -> ssl.SSLContext | None:
    """Return what TLS is served with, ``None`` for none; raises :class:`ListenError`."""
    if front.cert_file is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2

    def ask_nobody() -> str:
        # Without it the library would ask on the terminal, and the service would hang.
        raise ListenError(f"cannot serve TLS: the key {front.key_file} has a password; give one without")

    try:
        context.load_cert_chain(front.cert_file, front.key_file, password=ask_nobody)
    except ssl.SSLError:
        raise ListenError(
            f"cannot serve TLS: {front.cert_file} and {front.key_file} are not a certificate and its key, in PEM"
        ) from None
    except OSError as error:
        raise ListenError(
            f"cannot serve TLS: {front.cert_file} or {front.key_file} cannot be read: {_explain(error)}"
        ) from None
    return context


def _explain(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "the port is taken by another program; stop that one or choose another port"
    if error.errno == errno.EACCES:
        return "this user may not open that port; choose one above 1023"
    return (error.strerror or str(error)).lower()


class WebServer:
    """The HTTP side as a whole: start it, and stop it within about a second."""

    def __init__(
        self,
        reader: Reader,
        stream: Stream,
        boards: BoardWatch,
        metrics_page: MetricsPage,
        *,
        host: str = "127.0.0.1",
        port: int = 8080,
        submit_timeout_s: float = SUBMIT_TIMEOUT_S,
        access: Access | None = None,
        front: Front = FRONT,
        debriefs: Debriefs | None = None,
    ) -> None:
        """Serve ``host``, beyond loopback only with ``access``; ``front`` tells how that looks from outside."""
        self._stream = stream
        self._host = host
        self._port = port
        self._front = replace(front, host=host)
        self._anywhere = access is not None
        self._sittings = Sittings(access, reader.now)
        self._app = build_app(
            reader,
            stream,
            boards,
            metrics_page,
            submit_timeout_s=submit_timeout_s,
            access=access,
            front=self._front,
            sittings=self._sittings,
            debriefs=debriefs,
        )
        self._server: _Server | None = None
        self._serving: asyncio.Task[None] | None = None
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self) -> str:
        """Listen, and return the server's address as a URL; raises :class:`ListenError`."""
        context = load_certificate(self._front)
        listener = bind(self._host, self._port, anywhere=self._anywhere)
        config = uvicorn.Config(
            self._app,
            http=bound_protocol(Places.of_process(self._front.is_proxy)),
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=1,
            ssl_context_factory=None if context is None else lambda *_: context,
        )
        port = listener.getsockname()[1]
        self._server = _Server(config)
        self._serving = asyncio.create_task(self._server.serve(sockets=[listener]), name="web-server")
        up = asyncio.create_task(self._server.up.wait(), name="web-server-up")
        await asyncio.wait({self._serving, up}, return_when=asyncio.FIRST_COMPLETED)
        if not self._server.up.is_set():
            up.cancel()
            listener.close()
            await self._serving
            raise ListenError("the HTTP server ended before it was up")
        self._tasks = [
            asyncio.create_task(self._stream.serve_beats(), name="web-beats"),
            asyncio.create_task(self._sittings.serve_looks(), name="web-sittings"),
        ]
        host = f"[{self._host}]" if ":" in self._host else self._host
        url = f"{'http' if context is None else 'https'}://{host}:{port}"
        LOG.info("serving %s", url, extra={"action": "web-started"})
        return url

    async def stop(self) -> None:
        """End every stream, let other answers finish for a moment, then close; safe to call twice."""
        server, serving, tasks = self._server, self._serving, self._tasks
        self._server = self._serving = None
        self._tasks = []
        self._stream.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
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
