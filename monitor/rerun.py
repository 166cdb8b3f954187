"""What the journal recorded, judged once more: the same inputs at their own times, through the same core.

Owns where a re-run begins, what it is fed and what is missing of its period. It reads the
journal beside a running monitor, never writes to it and never holds it up: no read
transaction outlives one page. What comes of the effects is the observer's affair.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

from monitor.adapters.journal_reader import REPLAY_ROWS, JournalReader
from monitor.adapters.journal_rows import START, storable
from monitor.adapters.journal_settings import CHANGED
from monitor.adapters.journal_store import APPLICATION_ID, JOURNAL_FILE, shipped_migrations
from monitor.adapters.wire import Wire
from monitor.config import Config, flatten
from monitor.core import snapshot
from monitor.core.effects import Effect, PublishEvent
from monitor.core.events import Event
from monitor.core.state import SiteRecord
from monitor.core.system import System
from monitor.core.times import MINUTE, format_time
from monitor.engine import let_time_pass, take_entry, take_event
from monitor.ports import Entry, JournalError

Observe = Callable[[int, System, Sequence[Effect]], None]
"""Hears of each step of the period: its moment (µs), the state after it, and what followed."""

PROGRESS_EVERY: Final = 500
"""Inputs between two words of how far it is."""
SILENT_AFTER: Final = MINUTE
"""A period that goes on for longer than this behind the last input has an end of which nothing is on record."""

NOT_ON_RECORD: Final = "nothing is on record"
NOT_RUNNING: Final = "the monitor was not running"
LOST: Final = "inputs were pruned away while they were read"

_NOT_JUDGED_BY: Final = ("broker.", "data.", "http.", "notify.", "proof.")
"""What a configuration says of the surroundings: no alert depends on it."""

_FIRST: Final = "SELECT position, at FROM inputs ORDER BY position LIMIT 1"
_LAST: Final = "SELECT at FROM inputs ORDER BY position DESC LIMIT 1"
_SNAPSHOTS: Final = "SELECT position FROM snapshots WHERE at < ? ORDER BY position DESC"
_CHANGES: Final = f"SELECT subject FROM audit WHERE action = '{CHANGED}' AND position > ?"  # noqa: S608 - a constant
_TAKEN: Final = (
    f"SELECT seq, position, person, action, subject FROM audit WHERE seq > ? AND position > ? AND action <> '{CHANGED}'"  # noqa: S608
    " ORDER BY seq LIMIT ?"
)
_SETTINGS: Final = "SELECT key, value FROM settings"
_OFF: Final = (
    "SELECT silent_since, at FROM starts WHERE silent_since < at AND at > ? AND silent_since < ? ORDER BY position"
)


class NothingOnRecordError(ValueError):
    """Nothing can be re-run; the message says what was asked, and what there is."""


class Gap(NamedTuple):
    """A part of the period, from ``begun`` up to ``over`` (µs), of which nothing is known, and why."""

    begun: int
    over: int
    why: str


class Extent(NamedTuple):
    """The inputs that are kept: the first one's position and time, and the last one's time (µs)."""

    position: int
    first_at: int
    last_at: int

    def describe(self) -> str:
        """Say what there is."""
        return f"the record holds inputs from {format_time(self.first_at)} to {format_time(self.last_at)}"


class Action(NamedTuple):
    """What ``person`` did by the input at ``position``, and to what; it took effect."""

    position: int
    person: str
    action: str
    subject: str


class Beginning(NamedTuple):
    """Where a re-run sets out: behind ``position`` at ``at`` (µs), with the state of a snapshot or with none.

    ``whole``: nothing that came before it is missing from that state.
    """

    position: int
    at: int
    state: SiteRecord | None
    whole: bool


@dataclass(frozen=True, slots=True)
class Reran:
    """What was re-run: from behind ``position``, at ``began_at``, to the last input at ``ended_at`` (µs).

    What lies between ``began_at`` and the period only builds up the state. ``inputs`` counts
    those of the period. Not ``whole``: it began with an empty state although earlier inputs had
    been pruned away, so that an aircraft is judged only from when it next says its type.
    ``gaps`` are those of the period, in order.
    """

    position: int
    began_at: int
    ended_at: int
    inputs: int
    whole: bool
    gaps: tuple[Gap, ...]


class Record(JournalReader):
    """A journal as something to judge again; ``path`` is its file or its folder. Raises :class:`JournalError`."""

    def __init__(self, path: Path) -> None:
        file = path / JOURNAL_FILE if path.is_dir() else path
        if not file.is_file():
            raise JournalError(f"there is no journal {file}; name the folder that a monitor keeps its data in")
        super().__init__(file)
        try:
            self._check_schema()
        except JournalError:
            self.close()
            raise

    def _check_schema(self) -> None:
        [(owner,)], [(version,)] = self._select("PRAGMA application_id"), self._select("PRAGMA user_version")
        if owner != APPLICATION_ID:
            raise JournalError(f"{self._path} is not a Sillwatch journal: it belongs to another program, or to none")
        newest = shipped_migrations()[-1].number
        if version > newest:
            raise JournalError(
                f"the journal {self._path} was written by a newer Sillwatch (schema {version}, this one knows up to"
                f" {newest}); use that version"
            )

    def extent(self) -> Extent:
        """Which inputs are kept; raises :class:`NothingOnRecordError` where there is none."""
        first, last = self._select(_FIRST), self._select(_LAST)
        if not first or not last:
            raise NothingOnRecordError(f"the journal {self._path} holds no inputs")
        return Extent(first[0][0], first[0][1], last[0][0])

    def find_beginning(self, config: Config, since: int, *, fresh: bool = False) -> Beginning:
        """Where to set out from for what follows ``since`` (µs): the newest snapshot before it that fits, or the first input.

        A snapshot fits that was made under the same ``config``; ``fresh`` takes none. Raises
        :class:`NothingOnRecordError`.
        """
        extent = self.extent()
        if not fresh and not self.list_differences(config):
            for (position,) in self._select(_SNAPSHOTS, since):
                if any(is_judged_by(key) for (key,) in self._select(_CHANGES, position)):
                    break
                saved = self._whole_snapshot(position)
                if saved is None:
                    continue
                with contextlib.suppress(snapshot.SnapshotUnreadableError):
                    return Beginning(position, saved.at, snapshot.restore(saved.body), True)
        return Beginning(extent.position - 1, extent.first_at, None, extent.position == 1)

    def list_differences(self, config: Config) -> list[str]:
        """The keys that alerts depend on and that ``config`` has otherwise than the last start; all where none is kept."""
        kept: dict[str, str] = {}
        if self._select("SELECT 1 FROM sqlite_master WHERE name = 'settings'"):
            kept = dict(self._select(_SETTINGS))
        now = {storable(key): storable(value) for key, value in flatten(config).items()}
        keys = filter(is_judged_by, sorted(kept.keys() | now.keys()))
        return [key for key in keys if kept.get(key, "") != now.get(key, "")]

    def site_name(self) -> str | None:
        """The site that the last start watched, as far as it is kept."""
        if not self._select("SELECT 1 FROM sqlite_master WHERE name = 'settings'"):
            return None
        rows = self._select(f"{_SETTINGS} WHERE key = 'site.name'")
        return rows[0][1] if rows else None

    def actions_after(self, position: int) -> Iterator[Action]:
        """What people (and the clock, in the service's name) did behind a position and what took effect, in order."""
        seq = 0
        while rows := self._select(_TAKEN, seq, position, REPLAY_ROWS):
            yield from (Action(*row[1:]) for row in rows)
            seq = rows[-1][0]

    def gaps(self, since: int, until: int) -> list[Gap]:
        """When nobody was looking in a period (µs), in order; raises :class:`NothingOnRecordError`."""
        extent = self.extent()
        gaps = []
        if since < extent.first_at:
            gaps.append(Gap(since, min(extent.first_at, until), NOT_ON_RECORD))
        for begun, over in self._select(_OFF, max(since, extent.first_at), until):
            gaps.append(Gap(max(begun, since, extent.first_at), min(over, until), NOT_RUNNING))
        if until - extent.last_at > SILENT_AFTER:
            gaps.append(Gap(max(extent.last_at, since), until, NOT_ON_RECORD))
        return [gap for gap in gaps if gap.begun < gap.over]


def is_judged_by(key: str) -> bool:
    """Tell whether alerts depend on a key of the configuration."""
    return not key.startswith(_NOT_JUDGED_BY)


def make_codec(config: Config) -> Wire:
    """Read and write the messages of a configuration's site."""
    return Wire(config.site.name, config.broker.instance, frozenset(config.site.types))


class Rerun:
    """One system that is fed recorded entries; tells ``observe`` of what happens from ``since`` up to ``until`` (µs)."""

    def __init__(
        self,
        config: Config,
        beginning: Beginning,
        *,
        since: int,
        until: int,
        observe: Observe,
        looked: bool = True,
        answering: bool = False,
        answers_of: str | None = None,
    ) -> None:
        """Take up a beginning; ``looked``: at ``since`` the monitor was running."""
        self.system = System(config.site, beginning.state, answering=answering, answers_of=answers_of)
        self.codec = make_codec(config)
        self._since, self._until = since, until
        self._observe = observe
        self._answering = answering
        self._observing = False
        self._known_before = looked and beginning.at < since

    def take(self, entry: Entry) -> None:
        """Take an entry from before ``until``."""
        if not self._observing and entry.at >= self._since:
            self._open()
        if self._answering and entry.kind != START:
            self._look_at_answers(entry.at)
        self._tell(entry.at, take_entry(self.system, self.codec, entry))

    def act(self, at: int, event: Event) -> list[Effect]:
        """Take an event of one's own at ``at`` (µs), as :meth:`take` does; returns also what followed."""
        if not self._observing and at >= self._since:
            self._open()
        effects = take_event(self.system, event, at)
        self._tell(at, effects)
        return effects

    def finish(self, following: Entry | None) -> None:
        """Judge what falls due up to the end: ``following`` is the first entry behind it, ``None`` where there is none.

        What fell due while nobody was looking was judged at the next start, under its own time.
        """
        if following is None:
            return
        started = following.kind == START
        if not self._observing:
            self._open()
        last = self._until - 1
        if started:
            effects = take_entry(self.system, self.codec, following)
            effects = [each for each in effects if isinstance(each, PublishEvent) and each.time <= last]
        else:
            if self._answering:
                self._look_at_answers(last)
            effects = let_time_pass(self.system, last, 0)
        if effects:
            self._tell(last, effects)

    def _tell(self, now: int, effects: Sequence[Effect]) -> None:
        if self._observing:
            since, until = self._since, self._until
            within = [each for each in effects if not isinstance(each, PublishEvent) or since <= each.time < until]
            self._observe(now, self.system, within)

    def _open(self) -> None:
        """The period begins: where somebody was looking, with how everything stands then."""
        self._observing = True
        if self._known_before:
            let_time_pass(self.system, self._since - 1, 0)
            self._observe(self._since, self.system, ())

    def _look_at_answers(self, now: int) -> None:
        """Let time pass deadline by deadline, so that each answer is told at its own moment."""
        system = self.system
        while (due := system.next_deadline()) is not None and due <= now:
            effects = let_time_pass(system, due, sys.maxsize)
            if effects:
                self._tell(max(due, self._since), effects)


def rerun(
    journal: Path,
    config: Config,
    *,
    since: int,
    until: int,
    observe: Observe,
    progress: Callable[[float], None],
    answering: bool = False,
    answers_of: str | None = None,
) -> Reran:
    """Judge again under ``config`` what the ``journal`` recorded from ``since`` up to ``until`` (µs).

    ``observe`` hears first, with no effects, how everything stood at ``since`` (where somebody was
    looking then), and from there of every step. ``answering``: it also hears of the retained answers
    (``PublishReadiness``), each when it was due, which takes most of the time; ``answers_of``: of this
    aircraft's alone. ``progress`` hears of the share that is done, 0 to 1. ``journal`` is the file or its folder.

    Raises :class:`NothingOnRecordError` for a period of which nothing is kept, and :class:`JournalError`.
    """
    with contextlib.closing(Record(journal)) as record:
        extent = record.extent()
        if since >= until or until <= extent.first_at or since > extent.last_at:
            raise NothingOnRecordError(
                f"nothing is on record from {format_time(since)} to {format_time(until)}: {extent.describe()}"
            )
        beginning = record.find_beginning(config, since)
        gaps = record.gaps(since, until)
        looked = not any(gap.begun <= since < gap.over for gap in gaps)
        run = Rerun(
            config,
            beginning,
            since=since,
            until=until,
            observe=observe,
            looked=looked,
            answering=answering,
            answers_of=answers_of,
        )
        walk = Walk(record, beginning, until)
        length = max(until - beginning.at, 1)
        inputs = 0
        for number, entry in enumerate(walk):
            run.take(entry)
            inputs += entry.at >= since
            if number % PROGRESS_EVERY == 0:
                progress(min(max(entry.at - beginning.at, 0) / length, 1.0))
        run.finish(walk.following)
        progress(1.0)
    gaps = sorted([*gaps, *(gap for gap in walk.lost if gap.over > since)])
    return Reran(beginning.position, beginning.at, walk.ended_at, inputs, beginning.whole, tuple(gaps))


class Walk:
    """The entries behind a beginning, up to ``until`` (µs); then ``following`` is the first one behind them.

    ``lost``: what was pruned away before it could be read, while the monitor ran on.
    """

    def __init__(self, record: Record, beginning: Beginning, until: int) -> None:
        self._record, self._beginning, self._until = record, beginning, until
        self.following: Entry | None = None
        self.ended_at = beginning.at
        self.lost: list[Gap] = []

    def __iter__(self) -> Iterator[Entry]:
        position = self._beginning.position
        for entry in self._record.entries_after(position):
            if entry.position != position + 1:
                self.lost.append(Gap(self.ended_at, entry.at, LOST))
            position = entry.position
            if entry.at >= self._until:
                self.following = entry
                return
            self.ended_at = entry.at
            yield entry
