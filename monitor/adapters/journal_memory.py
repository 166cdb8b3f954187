"""A journal in memory, for tests and simulations: the real one's answers, no disk.

Owns lists that play the disk, and the moment at which queued entries reach them. It
keeps nothing across processes; :meth:`MemoryJournal.reopened` plays a crash, which loses
what was not committed.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import replace
from functools import partial
from itertools import takewhile
from typing import Any, Final, TypeVar

from monitor.adapters.chain import EMPTY, Head, Verdict, check_rows
from monitor.adapters.journal_audit import COLUMNS, ChainedRow, chain_rows, chained_readout, row_values
from monitor.adapters.journal_procedures import ProceduresInMemory
from monitor.adapters.journal_prune import Pruned
from monitor.adapters.journal_rows import (
    CHANGES_MAX,
    START,
    STOOD_MAX,
    DeafnessRow,
    EventRow,
    Page,
    QuarantineRow,
    StateRow,
    choose_earlier,
    deafness_note,
    decode_cursor,
    earlier_rows,
    encode_cursor,
    event_annunciation,
    event_change,
    event_readout,
    fitting_from,
    kept_event,
    kept_rows,
    page_size,
    quarantine_readout,
    standing_since,
)
from monitor.adapters.journal_settings import list_changes, settings_rows
from monitor.core.alarm_health import Annunciation
from monitor.core.door import State
from monitor.core.timeline import Change, Recorded, Stood
from monitor.core.watched import Note, Span
from monitor.ports import Entry, KeptEvent, Readout, Settings, Snapshot

Callback = Callable[[], None]
P = TypeVar("P", DeafnessRow, StateRow)
R = TypeVar("R", bound=Sequence[Any])
T = TypeVar("T")

_ON_DISK: Final = (
    *("_inputs", "_snapshots", "_events", "_event_ids", "_events_ever", "_quarantine", "_totals"),
    *("_audit", "_audit_anchor", "_deafness", "_states", "_starts", "_kept_settings", "_pruned_before"),
    *("_runs", "_drills"),
)


class MemoryJournal(ProceduresInMemory):
    """:class:`monitor.ports.Journal` without a file.

    ``defer`` runs a function later, on the thread that appends: ``call_soon`` of the running
    event loop where none is given, or a virtual clock's queue. Everything appended until
    then is one commit.
    """

    def __init__(
        self,
        *,
        queue_rows: int = 200_000,
        quarantine_rows: int = 1_000,
        snapshots: int = 3,
        on_batch: Callable[[int, float], None] | None = None,
        defer: Callable[[Callback], object] | None = None,
    ) -> None:
        super().__init__()
        self._make_another = partial(
            MemoryJournal, queue_rows=queue_rows, quarantine_rows=quarantine_rows, snapshots=snapshots,
            on_batch=on_batch, defer=defer,
        )  # fmt: skip
        self._queue_rows, self._quarantine_rows = queue_rows, quarantine_rows
        self._snapshots_kept = snapshots
        self._on_batch = on_batch
        self._defer = defer
        self._queue: list[tuple[Entry | Snapshot | Settings, Callback | None]] = []
        self._scheduled = False
        self._refusing: str | None = None
        self._inputs: list[Entry] = []
        self._snapshots: dict[int, Snapshot] = {}
        self._events: list[tuple[int, EventRow]] = []
        self._event_ids: set[str] = set()
        self._quarantine: list[tuple[int, QuarantineRow]] = []
        self._totals: Counter[str] = Counter()
        self._audit: list[ChainedRow] = []
        self._audit_anchor = EMPTY
        self._deafness: list[DeafnessRow] = []
        self._states: list[StateRow] = []
        self._starts: list[tuple[int, int | None]] = []
        self._kept_settings: Mapping[str, str] = {}
        self._pruned_before: int | None = None
        self._next = 1
        self.failures = self.over_bound = self._events_ever = 0
        self.last_error: str | None = None
        self.last_batch = (0, 0.0)

    def open(self) -> None:
        """Nothing to open; there for the real one's sake."""

    def start(self) -> None:
        """Take the running event loop for callbacks, where no ``defer`` was given."""
        if self._defer is None:
            self._defer = asyncio.get_running_loop().call_soon

    async def close(self, timeout_s: float = 2.0) -> None:
        """Commit what is queued and call its callbacks."""
        self._commit()

    def fail(self, reason: str) -> None:
        """Play a disk that refuses every commit, until :meth:`recover`."""
        self._refusing = reason
        self._commit()

    def recover(self) -> None:
        """Let commits through again; what waited goes first."""
        self._refusing = None
        self._schedule()

    def reopened(self) -> MemoryJournal:
        """What a new process would find: everything committed, and nothing else."""
        other = self._make_another()
        for kept in _ON_DISK:
            setattr(other, kept, copy(getattr(self, kept)))
        other._next = self.last_position() + 1
        return other

    def append(self, entry: Entry, committed: Callback | None = None) -> None:
        """Queue an entry; ``committed`` is deferred. Raises ``ValueError`` for a position out of turn."""
        if entry.position != self._next:
            raise ValueError(f"position {entry.position} does not follow {self._next - 1}")
        self._next += 1
        self._queue.append((entry, committed))
        if len(self._queue) > self._queue_rows:
            self.over_bound += 1
        self._schedule()

    def save_snapshot(self, snapshot: Snapshot) -> None:
        """Queue a snapshot behind the entries already appended."""
        self._queue.append((snapshot, None))
        self._schedule()

    def keep_settings(self, settings: Settings) -> None:
        """Queue what this start runs by; what differs from the last start's goes into the audit with it."""
        self._queue.append((settings, None))
        self._schedule()

    def latest_snapshot(self) -> Snapshot | None:
        """The newest committed snapshot."""
        return self._snapshots[max(self._snapshots)] if self._snapshots else None

    def entries_after(self, position: int) -> Iterator[Entry]:
        """Every committed entry with a greater position, in order, with empty ``effects``."""
        return (replace(entry, effects=()) for entry in list(self._inputs) if entry.position > position)

    def last_position(self) -> int:
        """The greatest committed position, 0 where there is none."""
        return max(self._inputs[-1].position if self._inputs else 0, *self._snapshots, 0)

    @property
    def healthy(self) -> bool:
        """False while commits are refused, or more waits than the queue may hold."""
        return self._refusing is None and len(self._queue) <= self._queue_rows

    @property
    def depth(self) -> int:
        """Rows that are not committed yet."""
        return len(self._queue)

    async def prune(self, now: int, *, keep_inputs_us: int, keep_events_us: int) -> Pruned:
        """Delete as the real one does; returns how many rows went."""
        needed = min(self._snapshots, default=0)
        limit = now - keep_inputs_us
        old = sum(1 for _ in takewhile(lambda entry: entry.at < limit and entry.position < needed, self._inputs))
        del self._inputs[:old]
        kept = [(seq, row) for seq, row in self._events if row.time >= now - keep_events_us]
        gone, self._events = len(self._events) - len(kept), kept
        self._event_ids = {row.id for _, row in kept}
        limit = now - keep_events_us
        self._pruned_before = max(limit, limit if self._pruned_before is None else self._pruned_before)
        self._starts = [start for start in self._starts if start[0] >= limit]
        notes = _still_told(self._deafness, limit, lambda row: row.gone)
        states = _still_told(self._states, limit, lambda row: row.state == State.UNKNOWN)
        forgotten = len(self._deafness) - len(notes), len(self._states) - len(states)
        self._deafness, self._states = notes, states
        stays = next((n for n, each in enumerate(self._audit) if each.row.time >= limit), len(self._audit))
        for each in self._audit[:stays]:
            self._audit_anchor = Head(each.number, each.hash)
        del self._audit[:stays]
        return Pruned(old, gone, *forgotten, stays, self._prune_procedures(limit))

    async def history(
        self,
        *,
        aircraft: str | None = None,
        door: str | None = None,
        code: str | None = None,
        since: int | None = None,
        until: int | None = None,
        limit: int = 100,
        before_cursor: str | None = None,
    ) -> Page:
        """Lifecycle events, newest first. Raises :class:`monitor.adapters.journal_rows.CursorError`."""
        rows = [
            ((row.time, seq), row)
            for seq, row in self._events
            if aircraft in (None, row.aircraft)
            and door in (None, row.door)
            and code in (None, row.code)
            and (since is None or row.time >= since)
            and (until is None or row.time < until)
        ]
        return _page(rows, event_readout, limit, before_cursor)

    async def events_after(self, seq: int, limit: int) -> list[KeptEvent]:
        """Lifecycle events in the order in which they became durable, ``limit`` at most."""
        return [kept_event((*row[:7], number)) for number, row in self._events if number > seq][:limit]

    async def last_event(self) -> int:
        """The newest durable lifecycle event's ``seq``, 0 where there is none."""
        return self._events[-1][0] if self._events else 0

    async def quarantine(self, *, limit: int = 100, before: str | None = None) -> Page:
        """Rejected inputs, newest first; raises as :meth:`history`."""
        return _page([((0, seq), row) for seq, row in self._quarantine], quarantine_readout, limit, before)

    async def quarantine_totals(self) -> dict[str, int]:
        """How many inputs were ever rejected, by reason."""
        return dict(sorted(self._totals.items()))

    async def audit(self, *, limit: int = 100, before: str | None = None) -> Page:
        """What people did, newest first; raises as :meth:`history`."""
        rows = [((0, each.number), row_values(each)) for each in self._audit]
        return _page(rows, chained_readout, limit, before)

    async def verify_audit(self) -> Verdict:
        """Check the audit's chain from its anchor to its end."""
        return check_rows([row_values(each)[:-1] for each in self._audit], COLUMNS, self._audit_anchor)

    @property
    def audit_head(self) -> Readout:
        """The number and hash of the newest committed audit row."""
        return self._head().describe()

    def _head(self) -> Head:
        return Head(self._audit[-1].number, self._audit[-1].hash) if self._audit else self._audit_anchor

    async def study_annunciations(
        self, study: Callable[[int | None, Iterable[Annunciation]], T], *, since: int, until: int
    ) -> T:
        """Run ``study`` on the first moment on record and a period's annunciations, oldest first."""
        moments = [row.time for _, row in self._events] + [at for at, _ in self._starts]
        moments += [entry.at for entry in self._inputs[:1]]
        rows = sorted((row.time, seq, row) for seq, row in self._events if since <= row.time < until)
        told = (event_annunciation(row) for _, _, row in rows)
        return study(min(moments, default=None), (each for each in told if each is not None))

    async def study_deafness(
        self,
        study: Callable[[Iterable[Note], Sequence[Span]], T],
        *,
        aircraft: str,
        since: int,
        until: int,
        door: str | None = None,
    ) -> T:
        """Run ``study`` on an aircraft's notes, place by place, and on when nobody looked."""
        rows = [row for row in self._deafness if row.aircraft == aircraft and door in (None, row.door)]
        notes: list[Note] = []
        for place in dict.fromkeys(row.door for row in rows):
            own = [deafness_note(row.at, row.door, row.deaf_to) for row in rows if row.door == place]
            notes += [note for note in own if note.at < since][-1:]
            notes += [note for note in own if since <= note.at < until]
        spans = [(silent, at) for at, silent in self._starts if silent is not None and silent < at]
        return study(notes, [(begun, over) for begun, over in spans if over > since and begun < until])

    async def study_timeline(self, study: Callable[[Recorded], T], *, aircraft: str, since: int, until: int) -> T:
        """Run ``study`` on what became of an aircraft's doors and alerts."""
        states = sorted((row for row in self._states if row.aircraft == aircraft), key=lambda row: row.at)
        ordered = sorted(self._events, key=lambda item: (item[1].time, item[0]))
        events = [row for _, row in ordered if row.aircraft == aircraft]
        if self._pruned_before is not None:
            since = min(max(since, self._pruned_before), until)
        begin = max(
            fitting_from([row.at for row in states if since <= row.at < until], STOOD_MAX, since),
            fitting_from([row.time for row in events if since <= row.time < until], CHANGES_MAX, since),
        )
        held = {row.door: row for row in states if row.at <= begin}
        stood = [*(held[door] for door in sorted(held)), *(row for row in states if begin < row.at < until)]
        changes: list[Change] = []
        before = [event_change(row) for row in events if row.time < begin]
        lasts = {(change.door, change.code): change for change in before}.values()
        standing = [(last, raised) for last in lasts if (raised := standing_since(last)) is not None]
        for last, raised in standing:
            own = [c for c in before if (c.door, c.code) == (last.door, last.code) and c.at >= raised]
            changes += choose_earlier(own, earlier_rows(len(standing)))
        changes.sort(key=lambda change: (change.at, change.door, change.code))
        changes += [event_change(row) for row in events if begin <= row.time < until]
        spans = [(silent, at) for at, silent in self._starts if silent is not None and silent < at]
        off = [(begun, over) for begun, over in spans if over > since and begun < until]
        first = min([*(row.at for row in states), *(row.time for row in events)], default=None)
        if first is not None and self._pruned_before is not None:
            first = max(first, self._pruned_before)
        return study(Recorded(first, begin, [Stood(r.at, r.door, r.state, r.slide) for r in stood], changes, off))

    def _schedule(self) -> None:
        if self._defer is None:
            raise RuntimeError("the journal is not started")
        if not self._scheduled:
            self._scheduled = True
            self._defer(self._commit)

    def _commit(self) -> None:
        self._scheduled = False
        if self._refusing is not None:
            self.failures += 1
            self.last_error = self._refusing
            return
        batch, self._queue = self._queue, []
        entries = [item for item, _ in batch if isinstance(item, Entry)]
        for entry in entries:
            if entry.kind == START:
                moments = [shot.at for shot in self._snapshots.values()] + [last.at for last in self._inputs[-1:]]
                self._starts.append((entry.at, max(moments, default=None)))
            self._inputs.append(entry)
        for item, _ in batch:
            if isinstance(item, Settings):
                self._audit.extend(chain_rows(self._head(), list_changes(self._kept_settings, item)))
                self._kept_settings = settings_rows(item)
        self._keep(entries)
        for item, _ in batch:
            if isinstance(item, Snapshot):
                self._snapshots[item.position] = item
        for position in sorted(self._snapshots)[: -self._snapshots_kept]:
            del self._snapshots[position]
        self.last_batch = (len(batch), 0.0)
        faults = []
        for _, committed in batch:
            try:
                if committed is not None:
                    committed()
            except Exception as error:  # one listener's fault must not keep the others waiting
                faults.append(error)
        if batch and self._on_batch is not None:
            self._on_batch(len(batch), 0.0)
        if faults:
            raise faults[0]

    def _keep(self, entries: list[Entry]) -> None:
        kept = kept_rows(entries)
        for event in kept.events:
            if event.id not in self._event_ids:
                self._event_ids.add(event.id)
                self._events_ever += 1
                self._events.append((self._events_ever, event))
        for rejected in kept.quarantine:
            self._totals[rejected.reason] += 1
            self._quarantine.append((self._totals.total(), rejected))
        del self._quarantine[: -self._quarantine_rows]
        self._audit.extend(chain_rows(self._head(), kept.audit))
        self._deafness.extend(kept.deafness)
        self._states.extend(kept.states)
        self._keep_procedures(kept)


def _still_told(rows: list[P], limit: int, is_gone: Callable[[P], bool]) -> list[P]:
    """Leave out what is older than ``limit``, but not each place's last row before it, unless that says nothing."""
    last = {(row.aircraft, row.door): number for number, row in enumerate(rows) if row.at < limit}
    return [
        row
        for number, row in enumerate(rows)
        if row.at >= limit or (last[row.aircraft, row.door] == number and not is_gone(row))
    ]


def _page(rows: list[tuple[tuple[int, int], R]], read: Callable[[R], Readout], limit: int, cursor: str | None) -> Page:
    if cursor is not None:
        end = decode_cursor(cursor)
        rows = [(place, row) for place, row in rows if place < end]
    rows.sort(key=lambda item: item[0], reverse=True)
    wanted = page_size(limit)
    page = rows[:wanted]
    following = encode_cursor(*page[-1][0]) if len(rows) > wanted else None
    return Page([read(row) for _, row in page], following)
