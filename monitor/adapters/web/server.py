"""The HTTP side as one server.

Owns what is served and by which certificate, and that every open stream is ended at the stop, since the server
would wait for them for ever.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from dataclasses import replace
from typing import Final

from monitor.adapters.web.acting import SUBMIT_TIMEOUT_S
from monitor.adapters.web.app import build_app
from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.connections import Places
from monitor.adapters.web.front import FRONT, Front
from monitor.adapters.web.gate import Sittings
from monitor.adapters.web.listening import ListenError, Listening, bind, explain
from monitor.adapters.web.ports import Debriefs, MetricsPage, Reader
from monitor.adapters.web.stream import Stream
from monitor.ports import Access

LOG: Final = logging.getLogger(__name__)


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
            f"cannot serve TLS: {front.cert_file} or {front.key_file} cannot be read: {explain(error)}"
        ) from None
    return context


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
        self._listening = Listening(self._app, Places.of_process(self._front.is_proxy), name="web")
        self._tasks: list[asyncio.Task[None]] = []

    @property
    def connections(self) -> int:
        """How many connections, and with them file handles, it holds."""
        return self._listening.connections

    async def start(self) -> str:
        """Listen, and return the server's address as a URL; raises :class:`ListenError`."""
        context = load_certificate(self._front)
        listener = bind(self._host, self._port, anywhere=self._anywhere)
        url = await self._listening.start(listener, self._host, context)
        self._tasks = [
            asyncio.create_task(self._stream.serve_beats(), name="web-beats"),
            asyncio.create_task(self._sittings.serve_looks(), name="web-sittings"),
        ]
        LOG.info("serving %s", url, extra={"action": "web-started"})
        return url

    async def stop(self) -> None:
        """End every stream, let other answers finish for a moment, then close; safe to call twice."""
        tasks, self._tasks = self._tasks, []
        self._stream.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._listening.stop()
