"""The bench at work: the session's clock, its link to the broker, and what its pages are shown.

Owns the loop that lets time pass for the session, the outbox between it and the broker, and
the joining of the picture with what a monitor answers. Decides nothing about doors.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from monitor.adapters.mqtt_settings import BrokerAddress
from simulators.publication import Publication
from simulators.rig import run_rig, wall_clock
from simulators.workbench.picture import Picture
from simulators.workbench.session import Session
from simulators.workbench.telling import FAULTS
from simulators.workbench.watching import Watch

_LOOK_S: Final = 0.05
OUTBOX_MAX: Final = 5_000


class Outbox:
    """What the rig plays: whatever the session sent since it last asked."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._waiting: deque[Publication] = deque(maxlen=OUTBOX_MAX)
        self._gone: dict[str, Publication] = {}
        self.withdraws = False
        """Whether what is retained is withdrawn as the link ends."""

    def add(self, publications: list[Publication]) -> None:
        """Have publications sent at the next chance."""
        self._waiting.extend(publications)

    def withdraw(self, publications: list[Publication]) -> None:
        """Have readings withdrawn at the next chance, and again after each lost connection.

        What is handed over while there is no connection reaches nobody; an aircraft that was
        taken away meanwhile would stand on the apron for ever.
        """
        self._gone.update((publication.topic, publication) for publication in publications)
        self.add(publications)

    def advance(self, until_us: int) -> list[Publication]:
        """Hand over what waits; the session's own time is not the rig's to move."""
        waiting = list(self._waiting)
        self._waiting.clear()
        return waiting

    def owe_picture(self) -> None:
        """The link is there: everything is sent again."""
        there = {publication.topic for publication in self._session.withdrawals()}
        self.add([publication for topic, publication in self._gone.items() if topic not in there])
        self._session.owe_picture()

    def withdrawals(self) -> list[Publication]:
        """What withdraws every reading sent so far, and whatever still waits to be withdrawn."""
        waiting = [publication for publication in self.advance(0) if not publication.payload]
        return [*waiting, *self._session.withdrawals()] if self.withdraws else waiting


class Bench:
    """One session with its link and its pages."""

    def __init__(
        self,
        session: Session,
        address: BrokerAddress,
        *,
        ca_file: Path | None = None,
        clear: bool = False,
        clock: Callable[[], int] = wall_clock,
    ) -> None:
        """``clear`` withdraws every reading at the end."""
        self.session = session
        self.picture = Picture()
        self._address = address
        self._ca_file = ca_file
        self._clock = clock
        self._outbox = Outbox(session)
        self._outbox.withdraws = clear
        self._connected = False
        self._watch = Watch(session.site.name, session.reg, self.look)
        self._due = asyncio.Event()
        self.look()

    def now(self) -> int:
        """Return the time of the wire (µs)."""
        return self._clock()

    def end_session(self) -> None:
        """Take the aircraft away and withdraw its readings."""
        self._outbox.withdraw(self.session.end())

    def look(self) -> None:
        """Have the picture looked at before long: something may be another."""
        self._due.set()

    async def run(self, stop: asyncio.Event) -> None:
        """Let time pass and publish until ``stop`` is set."""
        link = asyncio.create_task(
            run_rig(
                self._outbox,
                self._address,
                stop=stop,
                ca_file=self._ca_file,
                clear=self._outbox.withdraws,
                clock=self._clock,
                on_link=self._note_link,
            )
        )
        watch = asyncio.create_task(self._watch.run(self._address, self._ca_file, stop))
        try:
            while not stop.is_set():
                self._pass_time()
                for task in (link, watch):
                    if task.done():
                        task.result()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), _LOOK_S)
        finally:
            stop.set()
            self.picture.end()
            await asyncio.gather(link, watch, return_exceptions=True)

    def _note_link(self, connected: bool) -> None:
        self._connected = connected
        self.look()

    def _pass_time(self) -> None:
        sent = self.session.advance(self._clock())
        self._outbox.add(sent)
        if sent or self._due.is_set() or self.session.moves:
            self._due.clear()
            self.show()

    def show(self) -> None:
        """Show the pages what is so now."""
        self.picture.show(self._describe())

    def _describe(self) -> dict[str, Any]:
        session, airframe = self.session, self.session.airframe
        host = f"[{self._address.host}]" if ":" in self._address.host else self._address.host
        whole = {
            "site": session.site.name,
            "aircraft": session.reg,
            "type": airframe.name,
            "description": airframe.description,
            "stand": session.stand,
            "seats": airframe.seats,
            "begun": session.begun,
            "broker": f"{host}:{self._address.port}",
            "connected": self._connected,
            "faults": FAULTS,
            "simulated": True,
        }
        return {"bench": whole, **session.picture(), "monitor": self._watch.describe()}
