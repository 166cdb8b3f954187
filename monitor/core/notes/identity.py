"""Memory of who speaks as an aircraft: beats of two senders, a second type, a stand that two claim.

Owns the signs of a conflict and when they are forgotten. It is asked where a beat, a type or
a stand comes in, before any state is moved: while a sign stands, the aircraft's readings do
not count (:func:`monitor.core.view.is_judged`).

Two series of beats are told from one sender that restarted, once or often, by their taking
turns: the count falls and later goes on from where it was. A beat counts fully where its
order is plain: it was taken and its stamp is newer than any before. Redelivered, late or
reordered beats are never plain; neither are those of a second sender whose clock is behind,
whose beats are all dropped. These must keep taking turns with the others for a while, and lie
off what the other series itself said at that time. Beats delivered with the retain flag
say nothing here, and two senders whose counts are equal cannot be told apart by them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.memos import Beat, IdentityMemo
from monitor.core.state import AircraftRecord, Reading, SiteRecord
from monitor.core.times import SECOND
from monitor.core.view import is_present

SILENT_AFTER: Final = 30 * SECOND
"""A series that did not go on for so long has ended: the sender restarted, or left."""
FASTEST_HZ: Final = 10
"""No sender is taken to beat faster: a larger leap of the count is another sender's."""
LEAP_MIN: Final = 10
TURNS_FOR: Final = 10 * SECOND
TURNS_MIN: Final = 3
PLAIN_TURNS: Final = 2
OFF_LINE: Final = 0.1
"""How far, as a share of the way back, a series' past may lie off its present pace."""


def note_beat(aircraft: AircraftRecord, count: int, time: int, last: Reading | None, now: int, *, taken: bool) -> bool:
    """Follow a live, good heartbeat, ``taken`` or dropped; tell whether it is now known that two send.

    ``last`` is the reading taken before it.
    """
    memo = aircraft.identity
    if last is None or last.time is None or not isinstance(last.value, int) or (memo is not None and memo.two_senders):
        return False
    plain = taken and time > last.time
    beat = Beat(count, time, now, plain)
    if memo is not None and memo.old is not None and memo.new is not None:
        if not _has_ended(memo.old, memo.new, beat):
            return _follow(memo, memo.old, memo.new, beat, taken=taken)
        _forget_beats(memo)
        _drop_empty(aircraft)
    if count == last.value or (taken and count > last.value):
        return False
    memo = _memo(aircraft)
    memo.old = memo.began = Beat(last.value, last.time, last.received, True)
    memo.new, memo.odd_since, memo.new_is_last = beat, now, True
    memo.crossings = memo.plain_crossings = 0
    return False


def _has_ended(old: Beat, new: Beat, beat: Beat) -> bool:
    """Tell whether one of the series has not gone on for long; in a backlog the stamps tell."""
    if beat.at - min(old.at, new.at) > SILENT_AFTER:
        return True
    return old.plain and new.plain and beat.plain and beat.time - min(old.time, new.time) > SILENT_AFTER


def _follow(memo: IdentityMemo, old: Beat, new: Beat, beat: Beat, *, taken: bool) -> bool:
    """Add a beat to the series that it goes on from: the nearer one below it."""
    beat.plain = beat.plain and beat.time > max(old.time, new.time)
    if beat.count == new.count or (beat.count == old.count and not (taken and memo.new_is_last)):
        return False
    if beat.count < min(old.count, new.count):
        if taken:
            memo.new, memo.new_is_last = beat, True
        return False
    to_new = beat.count > new.count and (beat.count <= old.count or new.count >= old.count)
    before = new if memo.new_is_last else old
    turns = to_new is not memo.new_is_last
    if turns and not taken and _lies_on(memo.began, old, beat):
        return False
    if to_new:
        memo.new = beat
    else:
        memo.old = beat
    if not turns:
        return False
    memo.new_is_last = to_new
    memo.crossings += 1
    leap = False
    if beat.plain and before.plain:
        memo.plain_crossings += 1
        gap = max(beat.at - before.at, beat.time - before.time)
        leap = beat.count - before.count > LEAP_MIN + FASTEST_HZ * gap / SECOND
    memo.two_senders = (
        leap
        or memo.plain_crossings >= PLAIN_TURNS
        or (memo.crossings >= TURNS_MIN and beat.at - memo.odd_since >= TURNS_FOR)
    )
    return memo.two_senders


def _lies_on(began: Beat | None, old: Beat, beat: Beat) -> bool:
    """Tell whether a dropped beat may be one that the older series sent before."""
    if beat.count >= old.count or beat.time > old.time:
        return False
    if began is None or old.time <= began.time:
        return True
    pace = (old.count - began.count) / (old.time - began.time)
    expected = old.count - pace * (old.time - beat.time)
    return abs(expected - beat.count) <= 2 + OFF_LINE * (old.count - beat.count)


def note_other_type(aircraft: AircraftRecord, kind: str) -> bool:
    """Remember that somebody calls a present aircraft another type; tell whether that is new."""
    memo = _memo(aircraft)
    new, memo.other_type = memo.other_type != kind, kind
    return new


def follow_claim(site: SiteRecord, aircraft: AircraftRecord) -> list[str]:
    """Follow which stand an aircraft claims; return the registrations whose stand is shared otherwise than before."""
    before, claim = aircraft.claim, _claim(aircraft)
    if before == claim:
        return []
    aircraft.claim = claim
    if before and aircraft.stand != before:
        _end_acceptance(site, aircraft.reg)
    changed: set[str] = set()
    for stand in {before, claim} - {""}:
        changed.update(_share(stand, [other for other in site.aircraft.values() if other.claim == stand]))
    if aircraft.identity is not None and aircraft.identity.shared_with and not claim:
        aircraft.identity.shared_with = []
        changed.add(aircraft.reg)
    _drop_empty(aircraft)
    return sorted(changed)


def _claim(aircraft: AircraftRecord) -> str:
    """Return the stand that an aircraft claims by its own word: it is here, and is being heard."""
    if not aircraft.stand or aircraft.live_at is None or not is_present(aircraft):
        return ""
    lost = aircraft.trackers.get("feed-lost")
    return "" if lost is not None and any(level.held for level in lost.levels) else aircraft.stand


def _share(stand: str, claimants: list[AircraftRecord]) -> Iterable[str]:
    for one in claimants:
        others = sorted(
            other.reg
            for other in claimants
            if other is not one and not _accepts(one, other, stand) and not _accepts(other, one, stand)
        )
        if others != (one.identity.shared_with if one.identity is not None else []):
            _memo(one).shared_with = others
            _drop_empty(one)
            yield one.reg


def _accepts(one: AircraftRecord, other: AircraftRecord, stand: str) -> bool:
    memo = one.identity
    return memo is not None and memo.accepted_at == stand and other.reg in memo.accepted


def _end_acceptance(site: SiteRecord, reg: str) -> None:
    """It left its stand: what a person let stand there together is over."""
    for record in site.aircraft.values():
        memo = record.identity
        if memo is not None and memo.accepted and (record.reg == reg or reg in memo.accepted):
            memo.accepted = [] if record.reg == reg else [other for other in memo.accepted if other != reg]
            _drop_empty(record)


def settle_identity(aircraft: AircraftRecord, now: int) -> None:
    """Take a person's decision: forget the signs so far, and accept who else stands there until either's stand changes.

    Two senders that both go on are noticed anew. What follows shows once the aircraft is
    settled with everything (``*``) looked at again.
    """
    memo = aircraft.identity
    if memo is None:
        return
    _forget_beats(memo)
    memo.two_senders, memo.other_type = False, ""
    if memo.shared_with:
        kept = memo.accepted if memo.accepted_at == aircraft.stand else []
        memo.accepted, memo.accepted_at = sorted({*kept, *memo.shared_with}), aircraft.stand
        # Whoever else claims the stand is to be looked at again too.
        aircraft.claim = ""
    _drop_empty(aircraft)


def forget_identity(aircraft: AircraftRecord) -> None:
    """Forget the signs of an aircraft that went away: who speaks as it when it is back is open anew."""
    memo = aircraft.identity
    if memo is not None:
        _forget_beats(memo)
        memo.two_senders, memo.other_type = False, ""
        _drop_empty(aircraft)


def _memo(aircraft: AircraftRecord) -> IdentityMemo:
    if aircraft.identity is None:
        aircraft.identity = IdentityMemo()
    return aircraft.identity


def _forget_beats(memo: IdentityMemo) -> None:
    memo.old = memo.new = memo.began = None


def _drop_empty(aircraft: AircraftRecord) -> None:
    memo = aircraft.identity
    if memo is not None and not (memo.old or memo.two_senders or memo.other_type or memo.shared_with or memo.accepted):
        aircraft.identity = None
