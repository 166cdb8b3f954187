"""One run of a trial: the recorded inputs under one configuration, with what people did where it still fits.

Owns how a person's action finds its alert: where it was recorded, and whatever that alert
is called in this run. It counts what did not fit, and never makes anything up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from monitor.adapters.journal_rows import storable
from monitor.config import Config
from monitor.core.alarm_health import read_annunciation
from monitor.core.effects import Effect, PublishEvent, RefuseCommand
from monitor.core.events import PersonsCommand
from monitor.core.system import System
from monitor.engine import CLOCK, MESSAGE, read_event
from monitor.ports import Entry
from monitor.rerun import Action, Beginning, Rerun
from monitor.trial.spool import Spool, make_raised


class Judge:
    """Judges one configuration; what asked for attention from ``since`` up to ``until`` (µs) is in ``spool``."""

    def __init__(self, config: Config, beginning: Beginning, *, since: int, until: int) -> None:
        self.config = config
        self.spool = Spool()
        self.applied: Counter[str] = Counter()
        """What people did and what took effect, by action."""
        self.unfit: Counter[str] = Counter()
        """What people did and what no longer fits, by action."""
        self._since, self._until = since, until
        self._run = Rerun(config, beginning, since=since, until=until, observe=self._observe)

    def take(self, entry: Entry, action: Action | None) -> None:
        """Take an entry; ``action`` is what a person did by it, where it took effect when it was recorded."""
        event = None
        if entry.kind not in (MESSAGE, CLOCK):
            event = read_event(self._run.codec, entry)
        if not isinstance(event, PersonsCommand):
            self._run.take(entry)
        elif action is not None and action.person == storable(event.by):
            fits = self._do(entry.at, event, action)
            if self._since <= entry.at < self._until:
                (self.applied if fits else self.unfit)[action.action] += 1

    def finish(self, following: Entry | None) -> None:
        """Judge what falls due up to the end of the period."""
        self._run.finish(following)

    def list_unjudged(self) -> list[str]:
        """The aircraft that were never judged: of a type that this configuration lacks, or that nothing said."""
        system = self._run.system
        return sorted(reg for reg, each in system.record.aircraft.items() if system.airframe(each) is None)

    def close(self) -> None:
        """Let go of what was kept."""
        self.spool.close()

    def _do(self, at: int, event: PersonsCommand, action: Action) -> bool:
        if hasattr(event, "alert_id"):
            standing = self._find_alert(action.subject)
            if standing is None:
                return False
            # The alert of this run at the same place; when it last changed is this run's own affair.
            event = event._replace(alert_id=standing, seen=None)  # type: ignore[call-arg]
        return not any(isinstance(effect, RefuseCommand) for effect in self._run.act(at, event))

    def _find_alert(self, subject: str) -> str | None:
        place = subject.split("/")[:3]
        tracker = self._run.system.find_tracker(*place) if len(place) == 3 else None
        return tracker.alert.alert_id if tracker is not None and tracker.alert is not None else None

    def _observe(self, _now: int, _system: System, effects: Sequence[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, PublishEvent) and self._since <= effect.time < self._until:
                told = read_annunciation(effect)
                if told is not None:
                    self.spool.add(make_raised(told, effect))
