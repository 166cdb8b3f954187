"""A broker that does not let itself be reached, or ends every connection: both end in a sentence, and soon."""

from __future__ import annotations

import contextlib
import dataclasses
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from monitor.adapters.mqtt_settings import MqttSettings
from monitor.ports import Outgoing
from monitor.recording import connection as connection_module
from monitor.recording.commands import broker_settings, make_wire
from monitor.recording.connection import Connection, ConnectionFailedError, StoppedError
from tests.recorded import demo_config

CONNACK = b"\x20\x02\x00\x00"
END_S = 3.0
"""A signal ends everything within this."""


def settings_for(listener: socket.socket) -> MqttSettings:
    config = demo_config()
    settings = broker_settings(config, make_wire(config))
    host, port = listener.getsockname()
    return dataclasses.replace(settings, url=f"mqtt://{host}:{port}", protocol="3.1.1")


@contextlib.contextmanager
def listening(backlog: int) -> Iterator[socket.socket]:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(backlog)
        yield listener


def test_a_signal_ends_the_wait_for_a_broker_that_is_not_reached() -> None:
    with listening(0) as listener, contextlib.ExitStack() as callers:
        # Once its queue is full the kernel answers nobody.
        for _ in range(4):
            caller = callers.enter_context(socket.socket())
            caller.setblocking(False)
            caller.connect_ex(listener.getsockname())
        stop = threading.Event()
        stop.set()
        begun = time.monotonic()
        with pytest.raises(StoppedError, match="stopped before the broker answered"):
            Connection(settings_for(listener)).open(stop)
        assert time.monotonic() - begun < END_S


def test_a_broker_that_ends_every_connection_at_what_it_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection_module, "_RETRY_S", (0, 0))
    with listening(8) as listener:

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    taken, _ = listener.accept()
                    with taken:
                        taken.recv(1024)
                        taken.sendall(CONNACK)
                        taken.recv(1024)

        threading.Thread(target=serve, daemon=True).start()
        told: list[str] = []
        connection = Connection(settings_for(listener), told=lambda event, _why: told.append(event))
        stop = threading.Event()
        try:
            connection.open(stop)
            connection.send(Outgoing("a/b", b"1", False), stop)
            with pytest.raises(ConnectionFailedError, match="ended 5 connections in a row without taking a message"):
                connection.drain(stop)
        finally:
            connection.close()
            # What waits in `accept` is woken by this alone.
            listener.shutdown(socket.SHUT_RDWR)
        assert told.count("lost") >= connection_module.FRUITLESS_MAX
