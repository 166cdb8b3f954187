"""A network between a client and its broker that does what networks do.

Owns one listener on loopback and what passes through it: it can be slow, silent without an
end of the connection (half-open: nothing is read, nothing written, no FIN), cut, or lead to
another address from the next connection on. Knows nothing of MQTT.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from typing import Final

from tests.acceptance.programs import HOST

CHUNK: Final = 65_536
TRICKLE: Final = 64
"""Bytes at a time where it is slow: packets are torn in pieces."""


class Proxy:
    """Passes every connection on to ``upstream``, ``host:port`` after ``mqtt://``; closes nothing by itself."""

    def __init__(self, upstream: str) -> None:
        self.upstream = upstream
        self.calls: list[float] = []
        """When each connection was attempted, on the steady clock (s)."""
        self._open = threading.Event()
        self._open.set()
        self._refusing = False
        self._pause_s = 0.0
        self._sockets: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._lock = threading.Lock()
        self._closed = False
        self._listener = socket.create_server((HOST, 0))
        self.url = f"mqtt://{HOST}:{self._listener.getsockname()[1]}"
        self._accepting = threading.Thread(target=self._accept, name="proxy")
        self._accepting.start()

    def stall(self) -> None:
        """Fall silent in both directions and keep every connection; new ones are taken and told nothing."""
        self._open.clear()

    def resume(self) -> None:
        """Pass on what waited, as after a cable that was plugged in again."""
        self._open.set()

    def slow_down(self, pause_s: float) -> None:
        """Pass on a few bytes at a time, with a pause (s) between them; 0 ends that."""
        self._pause_s = pause_s

    def refuse(self, refusing: bool) -> None:
        """Hang up on whoever calls, or no longer."""
        self._refusing = refusing

    def cut(self) -> None:
        """Reset every connection that stands."""
        with self._lock:
            sockets, self._sockets = self._sockets, []
        for each in sockets:
            with contextlib.suppress(OSError):
                each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                each.shutdown(socket.SHUT_RDWR)
            each.close()

    def close(self) -> None:
        self._closed = True
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._accepting.join()
        self._open.set()
        self.cut()
        for thread in self._threads:
            thread.join()

    def _accept(self) -> None:
        while True:
            try:
                caller, _ = self._listener.accept()
            except OSError:
                return
            self.calls.append(time.monotonic())
            if self._refusing:
                caller.close()
                continue
            host, port = self.upstream.removeprefix("mqtt://").split(":")
            try:
                broker = socket.create_connection((host, int(port)), timeout=5)
            except OSError:
                caller.close()
                continue
            broker.settimeout(None)
            for each in (caller, broker):
                each.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self._lock:
                self._sockets += [caller, broker]
            for source, sink in ((caller, broker), (broker, caller)):
                thread = threading.Thread(target=self._pass_on, args=(source, sink), name="proxy-way")
                self._threads.append(thread)
                thread.start()

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        try:
            while True:
                data = source.recv(CHUNK if not self._pause_s else TRICKLE)
                self._open.wait()  # an end of the connection waits as well: that is what half-open means
                if not data:
                    break
                sink.sendall(data)
                if self._pause_s:
                    time.sleep(self._pause_s)
        except OSError:
            pass
        for each in (source, sink):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)


@contextlib.contextmanager
def running_proxy(upstream: str) -> Iterator[Proxy]:
    """A proxy to ``upstream``; nothing of it is left at the end."""
    proxy = Proxy(upstream)
    try:
        yield proxy
    finally:
        proxy.close()
