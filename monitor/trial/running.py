"""A trial from beginning to end: the record or a capture, past both configurations at once.

Owns where a trial begins and what it is fed. Both runs set out from the same place with nothing known, so that
no difference is left over from a state that only one of them built up.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

from monitor.adapters.capture import CaptureLine
from monitor.config import Config
from monitor.core.times import MILLISECOND, format_time
from monitor.engine import CLOCK, MESSAGE
from monitor.ports import Entry, Readout
from monitor.recording.gaps import Gaps
from monitor.rerun import Action, Beginning, Gap, NothingOnRecordError, Record, Walk
from monitor.trial.comparing import Period, compare
from monitor.trial.judging import Judge

TELL_EVERY: Final = 500
FOREVER: Final = 2**62

Tell = Callable[[float | None, str], None]


def try_record(data: Path, old: Config, new: Config, *, since: int, until: int, tell: Tell) -> Readout:
    """Judge what the journal in ``data`` holds from ``since`` up to ``until`` (µs) under both.

    Raises :class:`NothingOnRecordError` and :class:`monitor.ports.JournalError`.
    """
    with contextlib.closing(Record(data)) as record:
        extent, site = record.extent(), record.site_name()
        if site is not None and site != old.site.name:
            raise NothingOnRecordError(f"the record in {data} is of the site {site}, and not of {old.site.name}")
        asked_since, asked_until = since, until
        asked = f"{format_time(since)} to {format_time(until)}"
        since, until = max(since, extent.first_at), min(until, extent.last_at + MILLISECOND)
        if since >= until:
            raise NothingOnRecordError(f"nothing is on record from {asked}: {extent.describe()}")
        beginning = record.find_beginning(old, since, fresh=True)
        walk = Walk(record, beginning, until)
        with _judges(old, new, beginning, since, until) as judges:
            actions = record.actions_after(beginning.position)
            length = until - beginning.at
            inputs = 0
            for number, (entry, action) in enumerate(_join(walk, actions)):
                for judge in judges:
                    judge.take(entry, action)
                inputs += entry.at >= since
                if number % TELL_EVERY == 0:
                    tell(max(entry.at - beginning.at, 0) / length, f"{number} inputs")
            if not inputs:
                raise NothingOnRecordError(f"nothing came from {asked}: {extent.describe()}")
            for judge in judges:
                judge.finish(walk.following)
            gaps = sorted([*record.gaps(since, until), *(gap for gap in walk.lost if gap.over > since)])
            document = compare(*judges, Period(since, until, beginning.at, inputs, beginning.whole, gaps))
            differences = record.list_differences(old) if site is not None else []
    return {
        "of": str(data),
        "asked_since": format_time(asked_since),
        "asked_until": format_time(asked_until),
        "recorded_otherwise": differences,
        **document,
    }


def try_capture(
    lines: Iterable[CaptureLine],
    old: Config,
    new: Config,
    *,
    name: str,
    since: int | None,
    until: int | None,
    tell: Callable[[str], None],
) -> Readout:
    """Judge a capture under both, from ``since`` up to ``until`` (µs) or the whole of it.

    Raises :class:`NothingOnRecordError` and :class:`monitor.adapters.capture.CaptureError`.
    """
    missing = Gaps()
    source = missing.watch(lines)
    first = next(source, None)
    if first is None:
        raise NothingOnRecordError(f"{name}: there is no line in it")
    begin, end = max(since or first.at, first.at), FOREVER if until is None else until
    beginning = Beginning(0, first.at, None, True)
    last = first.at
    with _judges(old, new, beginning, begin, end) as judges:
        inputs = 0
        following = None
        for number, entry in enumerate(_entries(first, source)):
            if entry.at >= end:
                following = entry
                break
            last = entry.at
            for judge in judges:
                judge.take(entry, None)
            inputs += entry.at >= begin and entry.kind == MESSAGE
            if number % TELL_EVERY == 0:
                tell(f"{number} messages")
        if not inputs:
            asked = f"{format_time(begin)} to {'its end' if until is None else format_time(until)}"
            raise NothingOnRecordError(
                f"{name}: nothing came from {asked}; it holds {format_time(first.at)} to {format_time(last)}"
            )
        for judge in judges:
            judge.finish(following)
        upto = last + MILLISECOND if following is None else end
        gaps = [Gap(max(gap.begun, begin), min(gap.over, upto), gap.why) for gap in missing.list_gaps(upto)]
        period = Period(begin, upto, first.at, inputs, True, [gap for gap in gaps if gap.begun <= gap.over])
        return {
            "of": name,
            "asked_since": format_time(begin),
            "asked_until": format_time(period.until if until is None else until),
            "recorded_otherwise": [],
            **compare(*judges, period),
        }


@contextlib.contextmanager
def _judges(old: Config, new: Config, beginning: Beginning, since: int, until: int) -> Iterator[tuple[Judge, Judge]]:
    judges = tuple(Judge(config, beginning, since=since, until=until) for config in (old, new))
    try:
        yield judges[0], judges[1]
    finally:
        for judge in judges:
            judge.close()


def _join(entries: Iterable[Entry], actions: Iterator[Action]) -> Iterator[tuple[Entry, Action | None]]:
    """Give each entry what a person did by it, where it took effect."""
    action = next(actions, None)
    for entry in entries:
        done = None
        while action is not None and action.position <= entry.position:
            # A person's own row stands behind those of what fell due before it.
            done, action = action, next(actions, None)
        yield entry, done if done is not None and done.position == entry.position else None


def _entries(first: CaptureLine, rest: Iterator[CaptureLine]) -> Iterator[Entry]:
    position = 0
    line: CaptureLine | None = first
    while line is not None:
        position += 1
        at, message, _ = line
        if message is None:
            yield Entry(position, at, CLOCK, "", b"", False)
        else:
            yield Entry(position, at, MESSAGE, message.topic, message.payload, message.retained, again=message.again)
        line = next(rest, None)
