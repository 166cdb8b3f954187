"""A message for people by way of apprise, an extra that is imported only where it is used.

Owns the words of the message and the thread that it is sent from: the library blocks, and
what it says of a failure may hold the address, so that it is kept quiet.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Callable
from typing import Any, Final

import orjson

from monitor.adapters.notify.outbox_rows import Letter
from monitor.adapters.notify.posting import DELIVERED, Fate, Outcome
from monitor.ports import InstanceError

SEND_S: Final = 60.0

_LEVELS: Final = {"warning": "failure", "caution": "warning", "advisory": "info"}
"""Our priorities in the library's words."""

Notify = Callable[[str, str, str], bool]
"""Sends a title, a body and a level; tells whether it went. Blocks, and may raise anything."""


def load_notify(name: str, url: str) -> Notify:
    """Return what sends to ``url``. Raises :class:`InstanceError` where the library or the address is of no use."""
    try:
        import apprise
    except ImportError:
        raise InstanceError(
            f"notify.destinations.{name}: apprise is not installed; pip install 'sillwatch[apprise]'"
        ) from None
    # What it logs names addresses.
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    service: Any = apprise.Apprise()
    if not service.add(url):
        raise InstanceError(f"notify.destinations.{name}: the address in its url_file is none that apprise knows")

    def notify(title: str, body: str, level: str) -> bool:
        return bool(service.notify(title=title, body=body, notify_type=level))

    return notify


def write_message(body: bytes) -> tuple[str, str, str]:
    """Return a message's title, body and level for an event."""
    event = orjson.loads(body)
    alert = event["data"]
    word = str(event["type"]).rpartition(".")[2].replace("-", " ")
    place = " ".join(part for part in (alert["aircraft"], alert["door"]) if part != "-") or alert["site"]
    stand = f", stand {alert['stand']}" if alert.get("stand") else ""
    title = f"{alert['priority'].capitalize()} {word}: {alert['code']} at {place}{stand}"
    lines = [alert["text"], alert["action"]]
    if alert.get("simulated"):
        title, lines = f"SIMULATED {title}", [*lines, "This aircraft is simulated."]
    return title, "\n".join(line for line in lines if line), _LEVELS.get(alert["priority"], "info")


class AppriseSender:
    """Sends letters to one apprise address, one at a time."""

    def __init__(self, notify: Notify, *, timeout_s: float = SEND_S) -> None:
        self._notify = notify
        self._timeout_s = timeout_s
        self._busy: asyncio.Future[bool | None] | None = None

    async def send(self, letter: Letter) -> Outcome:
        """Try once; what hangs is waited for no longer than ``timeout_s``, and nothing is sent beside it."""
        if self._busy is not None and not self._busy.done():
            return Outcome(Fate.UNREACHABLE, "it still has not ended what was sent before")
        self._busy = _run_aside(lambda: self._notify(*write_message(letter.draft.body)))
        done, _ = await asyncio.wait({self._busy}, timeout=self._timeout_s)
        if not done:
            return Outcome(Fate.UNREACHABLE, f"no answer within {self._timeout_s:g} s")
        went = self._busy.result()
        if went is None:
            return Outcome(Fate.UNREACHABLE, "apprise failed")
        return DELIVERED if went else Outcome(Fate.UNREACHABLE, "apprise could not send it")

    async def close(self) -> None:
        """Nothing to let go of: the thread ends by itself, or with the process."""


def _run_aside(work: Callable[[], bool]) -> asyncio.Future[bool | None]:
    """Run ``work`` on a thread that no end of the process waits for; ``None``: it raised."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[bool | None] = loop.create_future()

    def finish(result: bool | None) -> None:
        if not future.done():
            future.set_result(result)

    def run() -> None:
        result: bool | None
        try:
            result = work()
        except Exception:  # whatever a plug-in does, it has not sent
            result = None
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to hear of it
            loop.call_soon_threadsafe(finish, result)

    threading.Thread(target=run, name="apprise", daemon=True).start()
    return future
