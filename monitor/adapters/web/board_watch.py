"""Whether every warning is on a screen that somebody can see.

Owns the watch over warnings that wait for a person: one that no visible board draws is
reported to the core, and so is that it is drawn after all. What follows from that is the
core's to say.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from monitor.adapters.web.boards import GONE_AFTER, Boards
from monitor.core.alert import AlertState, Priority
from monitor.core.effects import Effect, PublishActive, RefuseCommand
from monitor.core.events import AlertDrawn, AlertLeftUndrawn, Command
from monitor.core.procedures.drills import DRILL
from monitor.core.times import SECOND
from monitor.ports import Readout, Step

LOG: Final = logging.getLogger(__name__)

LOOK_S: Final = 0.5
STALL_AFTER: Final = 2 * SECOND
"""From one look to the next: longer, and the process stood still, or its machine slept."""
REPORT_S: Final = 1.0
"""How long one report may keep the others waiting."""
AGAIN_AFTER: Final = 10 * SECOND
"""When something may be reported of an alert again, taken or not: reports must not fill the journal."""
AT_ONCE: Final = 20
"""Reports made in one turn of the loop."""


class Present(Protocol):
    """What is asked of the engine."""

    def now(self) -> int: ...
    def alerts(self) -> list[Readout]: ...
    async def submit(self, command: Command) -> Sequence[Effect]: ...


@dataclass(slots=True)
class _Waiting:
    """A warning that waits for a person: since when no board draws it, and whether the core knows (µs)."""

    alert_id: str
    undrawn_since: int
    told: bool
    quiet_until: int = 0


class BoardWatch:
    """Watches as an ``Observer``, and every half a second; ``within`` (µs) of 0 leaves nothing to report as undrawn.

    A warning has to be off every screen for ``within`` on end: a page that is being exchanged for another is
    no news.
    """

    def __init__(self, boards: Boards, present: Present, *, within: int) -> None:
        self.boards = boards
        self._present = present
        self._within = within
        self._waiting: dict[tuple[str, str, str], _Waiting] = {}
        self._looked_at: int | None = None

    def observe(self, step: Step) -> None:
        """Follow the warnings that one step changed."""
        for effect in step.effects:
            if isinstance(effect, PublishActive):
                self._follow((effect.aircraft, effect.door, effect.code), effect.document, step.now)

    def take_up(self) -> None:
        """Follow the warnings that stand as the service begins to listen.

        The boards that show them are not known yet: each has as long to be heard as one may keep silent.
        """
        late = max(0, GONE_AFTER - self._within)
        for alert in self._present.alerts():
            self._follow((alert["aircraft"], alert["door"], alert["code"]), alert, self._present.now() + late)

    def unseen(self) -> list[str]:
        """The warnings that have been on no screen for too long, the longest first."""
        now = self._present.now()
        late = [one for one in self._waiting.values() if self._is_late(one, now)]
        drawn = self.boards.drawn({one.alert_id for one in late}, now)
        late.sort(key=lambda one: (one.undrawn_since, one.alert_id))
        return [one.alert_id for one in late if one.alert_id not in drawn]

    async def serve_looks(self) -> None:
        """Look for ever, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            try:
                await self.look()
            except Exception:
                LOG.exception("the screens were not looked at", extra={"action": "watch-boards"})

    async def look(self) -> None:
        """Report what is on no screen, and what is drawn after all."""
        # Reports may take a second: what is due is asked anew for those that come after them.
        while due := self._find_due():
            await asyncio.gather(*(self._report(one, command) for one, command in due[:AT_ONCE]))

    def _find_due(self) -> list[tuple[_Waiting, Command]]:
        """Look at all that wait; return what is to be reported now, that of which was longest not told first."""
        now = self._pass_time()
        drawn = self.boards.drawn({one.alert_id for one in self._waiting.values()}, now)
        due: list[tuple[_Waiting, Command]] = []
        for one in self._waiting.values():
            seen = one.alert_id in drawn
            if seen:
                one.undrawn_since = now
            if now < one.quiet_until:
                continue
            if seen and one.told:
                due.append((one, AlertDrawn(one.alert_id)))
            elif not seen and not one.told and self._is_late(one, now):
                due.append((one, AlertLeftUndrawn(one.alert_id)))
        return sorted(due, key=lambda entry: entry[0].quiet_until)

    def _pass_time(self) -> int:
        """Return the time; let go of boards that are gone.

        Where nothing ran for a while, that while is nobody's silence: what boards said in it lies unread.
        """
        before, now = self._looked_at, self._present.now()
        self._looked_at = now
        if before is not None and now - before > STALL_AFTER:
            stall = now - before - round(LOOK_S * SECOND)
            self.boards.excuse(stall, before)
            for one in self._waiting.values():
                if one.undrawn_since <= before:
                    one.undrawn_since += stall
        self.boards.let_go(now)
        return now

    async def _report(self, one: _Waiting, command: Command) -> None:
        why = ""
        one.quiet_until = self._present.now() + AGAIN_AFTER
        try:
            # It takes effect at once; only its being on disk is waited for, and a disk may hang.
            async with asyncio.timeout(REPORT_S):
                effects = await self._present.submit(command)
        except Exception as error:
            why = repr(error)
        else:
            why = next((effect.detail for effect in effects if isinstance(effect, RefuseCommand)), "")
        if why:
            word = type(command).__name__
            LOG.warning("not taken: %s of %s: %s", word, one.alert_id, why, extra={"action": "watch-boards"})

    def _is_late(self, one: _Waiting, now: int) -> bool:
        return 0 < self._within <= now - one.undrawn_since

    def _follow(self, place: tuple[str, str, str], alert: Readout | None, now: int) -> None:
        if (
            alert is None
            or alert["priority"] != Priority.WARNING
            or alert["state"] != AlertState.UNACKNOWLEDGED
            or alert.get("active") is False
            or alert.get(DRILL)
        ):
            self._waiting.pop(place, None)
            return
        told = alert.get("on_no_screen") is True
        before = self._waiting.get(place)
        if before is None or before.alert_id != alert["alert_id"]:
            self._waiting[place] = _Waiting(alert["alert_id"], now, told)
        else:
            before.told = told
