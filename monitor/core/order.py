"""Which readings count, in which order, and how far behind they are.

Owns the order, restart and lateness rules of the wire contract. Sees stamps and receipt
times only, never what a reading means.
"""

from __future__ import annotations

import enum
from typing import Final, NamedTuple

from monitor.core.state import DroppedReading, DroppedRun, Reading, Sender
from monitor.core.times import HOUR, MINUTE, SECOND

AHEAD_LIMIT: Final = 60 * SECOND
"""A stamp further ahead of our clock than this is ordered by its receipt."""
SAMPLE_AHEAD_LIMIT: Final = 30 * SECOND
"""A stamp further ahead than this says nothing about the usual offset."""
LATE_AFTER: Final = 30 * SECOND
CAUGHT_UP_WITHIN: Final = 5 * SECOND
BACKLOG_MAX: Final = 24 * HOUR
"""The longest backlog there can be: the session's expiry at the broker."""
RESTART_AFTER: Final = 10 * SECOND
OFFSET_MINUTES: Final = 10
SKEW_LIMIT: Final = 5 * SECOND


class Verdict(enum.Enum):
    """Whether a reading is taken."""

    TAKEN = "taken"
    REPEAT = "repeat"
    SAME = "same"
    """A repeat to the letter, stamp and number: it shows nothing, not even that its sender began anew."""
    OLDER = "older"
    OVERTAKEN = "overtaken"
    """Older, and delivered again only after the newer one: perhaps the first of it that we see."""

    @property
    def counted_as(self) -> str:
        """The word under which a refusal is counted."""
        return Verdict.REPEAT.value if self is Verdict.SAME else self.value


def decide_order(
    last: Reading | None, *, time: int | None, seq: int | None, bundle: bool, now: int, epoch: int, again: bool = False
) -> Verdict:
    """Compare a reading with the last one taken of its signal.

    ``seq`` decides between two that came on one topic and both carry it, the sender's
    ``time`` otherwise. A smaller ``seq`` with a later ``time`` is a sender that restarted.
    A stamp more than 60 s ahead of ``now`` orders nothing: receipt does. What is delivered
    ``again`` may come after newer ones: neither its receipt nor a restart since lets it in.
    """
    if last is None or last.time is None or time is None or (last.epoch < epoch and not again):
        return Verdict.TAKEN
    if (time, seq, bundle) == (last.time, last.seq, last.bundle):
        return Verdict.SAME
    newer = time > last.time
    if bundle == last.bundle and seq is not None and last.seq is not None:
        if seq == last.seq:
            return Verdict.REPEAT
        newer = newer or seq > last.seq
    elif time == last.time:
        return Verdict.REPEAT
    elif not again:
        newer = newer or last.ahead or time > now + AHEAD_LIMIT
    if newer:
        return Verdict.TAKEN
    return Verdict.OVERTAKEN if again else Verdict.OLDER


def note_taken(sender: Sender, topic: str, time: int | None, now: int, *, again: bool = False) -> None:
    """Remember a reading that was taken; one that is not behind ends a run of dropped ones.

    What is delivered ``again`` says nothing of how its sender goes on.
    """
    if again:
        return
    sender.runs.pop(topic, None)
    if time is None:
        return
    if time > now + AHEAD_LIMIT:
        # Its stamp orders nothing; that it came shows all the same that its sender goes on.
        sender.dropped = None
    elif sender.latest is None or time >= sender.latest:
        sender.latest = time
        sender.dropped = None


class Readmission(NamedTuple):
    """What a restart lets in: the newest dropped readings, of the ``whole`` sender or of one topic's unit."""

    held: list[DroppedReading]
    whole: bool


_NOTHING: Final = Readmission([], False)


def note_dropped(
    sender: Sender, topic: str, readings: dict[str, DroppedReading], now: int, *, again: bool = False
) -> Readmission:
    """Remember what was dropped of a message; return what a restart lets in.

    Dropped readings that themselves advance, by ``seq`` on their topic or by ``time``, for
    10 s with nothing newer taken in between mean that the sender restarted: the newest
    dropped reading of each signal then counts after all. Where the sender goes on as ever
    and only one topic's readings are dropped, the unit behind that topic restarted. Mere
    repeats never advance, and what is delivered ``again`` shows nothing.
    """
    if again:
        return _NOTHING
    if sender.dropped is None:
        sender.dropped = DroppedRun(first_at=now)
    if _goes_on(sender.dropped, topic, readings, now):
        held = list(sender.dropped.held.values())
        sender.epoch += 1
        sender.latest = None
        sender.dropped = None
        sender.runs.clear()
        # Its clock may be another one now: the next stamp says what is usual for it.
        sender.offsets.clear()
        return Readmission(held, True)
    run = sender.runs.get(topic)
    if run is None:
        run = sender.runs[topic] = DroppedRun(first_at=now)
    if _goes_on(run, topic, readings, now):
        del sender.runs[topic]
        return Readmission(list(run.held.values()), False)
    return _NOTHING


def release_runs(sender: Sender, door: str) -> list[DroppedReading]:
    """Take out what was dropped of one door on other topics: its unit is known to have restarted."""
    released: list[DroppedReading] = []
    for topic, run in list(sender.runs.items()):
        mine = [held for held in run.held.values() if held.door == door]
        if mine:
            released.extend(mine)
            del sender.runs[topic]
    return released


def _goes_on(run: DroppedRun, topic: str, readings: dict[str, DroppedReading], now: int) -> bool:
    """Add to a run of dropped readings; tell whether it has advanced for long enough."""
    first = next(iter(readings.values()))
    time, seq = first.time or 0, first.seq
    last_seq = run.seqs.get(topic)
    advances = run.newest is not None and (
        time > run.newest or (seq is not None and last_seq is not None and seq > last_seq)
    )
    if not advances and topic in run.seqs:
        return False
    run.newest = time if run.newest is None else max(run.newest, time)
    run.seqs[topic] = -1 if seq is None else seq
    run.held.update(readings)
    return advances and now - run.first_at >= RESTART_AFTER


def note_offset(sender: Sender, time: int, now: int, *, again: bool = False) -> bool:
    """Take a live message's stamp as a sample of its sender's clock; tell whether it is late.

    The usual offset is the least of the last ten minutes *of listening*: silence does not
    age it, so that a backlog after a long outage is still seen as one. Late is more than
    30 s behind that; the backlog ends within 5 s of it. No broker keeps a message longer
    than a day for us, so more than that is a clock that was set back: it mutes nothing. The lag of what
    is delivered ``again`` is the broker's: no sample, but late all the same.
    """
    if again:
        late = sender.usual is not None and LATE_AFTER < now - time - sender.usual <= BACKLOG_MAX
        sender.backlog = sender.backlog or late
        return late
    if sender.last_at is not None:
        sender.listened += min(now - sender.last_at, MINUTE)
    sender.last_at = now
    offset = now - time
    minute = sender.listened // MINUTE
    offsets = sender.offsets
    sender.ahead = -offset > AHEAD_LIMIT
    if -offset > SAMPLE_AHEAD_LIMIT:
        offsets[:] = [bucket for bucket in offsets if minute - bucket[0] <= OFFSET_MINUTES]
        sender.usual = min((least for _, least in offsets), default=None)
        # One such stamp says nothing of the clock; ten minutes without another kind do.
        sender.ahead = sender.ahead or sender.usual is None
        return False
    if sender.usual is not None and offset - sender.usual > BACKLOG_MAX:
        offsets[:] = [(minute, offset)]
        sender.usual, sender.backlog = offset, False
    elif offsets and offsets[-1][0] == minute:
        if offset < offsets[-1][1]:
            offsets[-1] = (minute, offset)
            sender.usual = min(least for _, least in offsets)
    else:
        offsets.append((minute, offset))
        if minute - offsets[0][0] > OFFSET_MINUTES:
            offsets[:] = [bucket for bucket in offsets if minute - bucket[0] <= OFFSET_MINUTES]
        sender.usual = min(least for _, least in offsets)
    lag = offset - (sender.usual if sender.usual is not None else offset)
    if lag > LATE_AFTER:
        sender.backlog = True
        return True
    return False


def has_caught_up(sender: Sender, time: int, now: int) -> bool:
    """Tell whether a backlog ends with this stamp, and end it."""
    if sender.backlog and sender.usual is not None and now - time - sender.usual <= CAUGHT_UP_WITHIN:
        sender.backlog = False
        return True
    return False


def is_skewed(sender: Sender) -> bool:
    """Tell whether the sender's clock is off: usually by more than 5 s, or far ahead just now."""
    return sender.ahead or (sender.usual is not None and abs(sender.usual) > SKEW_LIMIT)
