"""Which boards are open, and which warnings each has really painted.

Owns the word of every open page, for as long as it goes on giving it. Pure: it is told
the time, and decides nothing about a warning. A page's word is only that: what it says to
have drawn counts for nothing but this, and for that only while the page is open.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from collections.abc import Set as AbstractSet
from typing import Final, NamedTuple

from monitor.core.times import SECOND, format_time
from monitor.ports import Readout

BOARDS_MAX: Final = 200
BY_ADDRESS_MAX: Final = 100
"""Boards of one address: nobody can take every place."""
GONE_AFTER: Final = 10 * SECOND
"""A board that is not heard for so long is gone."""
BOARD_ID: Final = r"^[A-Za-z0-9-]{8,40}$"


class BoardWord(NamedTuple):
    """What a board says of itself: ``drawn`` holds the ids of the warnings it shows now."""

    name: str
    page: str
    visible: bool
    sound: bool
    drawn: frozenset[str]


class _Board(NamedTuple):
    word: BoardWord
    since: int
    heard_at: int
    address: str


def shorten(board: str) -> str:
    """Name a board to others: who knows its id can speak for it."""
    return hashlib.sha256(board.encode()).hexdigest()[:12]


class Boards:
    """The boards that are open; moments in µs.

    ``has_stream`` tells whether a stream that named a board is open now. Without one nothing can be seen
    there: whatever speaks for it is no page, or a page that is told nothing. A word may come before its stream.
    """

    def __init__(self, has_stream: Callable[[str], bool]) -> None:
        self._has_stream = has_stream
        self._boards: dict[str, _Board] = {}

    def hear(self, board: str, word: BoardWord, now: int, address: str = "") -> bool:
        """Take a board's word, which came from ``address``; tell whether there was a place for it."""
        before = self._boards.get(board)
        if before is None:
            theirs = [name for name, each in self._boards.items() if each.address == address]
            if address and len(theirs) >= BY_ADDRESS_MAX and not self._make_place(theirs, now):
                return False
            if len(self._boards) >= BOARDS_MAX and not self._make_place(list(self._boards), now):
                return False
        since = now if before is None or _is_gone(before, now) else before.since
        self._boards[board] = _Board(word, since, now, address)
        return True

    def count(self, now: int) -> int:
        """How many boards are heard."""
        return sum(1 for _ in self._heard(now))

    def count_visible(self, now: int) -> int:
        """How many boards a person can see."""
        return sum(1 for _ in self._visible(now))

    def drawn(self, among: AbstractSet[str], now: int) -> set[str]:
        """Which alerts ``among`` these are drawn on any board that a person can see."""
        left = set(among)
        for board in self._visible(now):
            if not left:
                break
            left -= board.word.drawn & left
        return set(among) - left

    def describe(self, now: int) -> list[Readout]:
        """Write every board that is heard, the longest open first."""
        ordered = sorted(self._heard(now), key=lambda entry: (entry[1].since, entry[0]))
        return [_describe(name, board, open_=self._has_stream(name)) for name, board in ordered]

    def let_go(self, now: int) -> None:
        """Forget the boards that are gone."""
        self._boards = dict(self._heard(now))

    def excuse(self, silence: int, until: int) -> None:
        """Forgive boards last heard by ``until`` a silence (µs) in which nobody listened."""
        for name, board in self._boards.items():
            if board.heard_at <= until:
                self._boards[name] = board._replace(heard_at=board.heard_at + silence)

    def _heard(self, now: int) -> Iterator[tuple[str, _Board]]:
        return ((name, board) for name, board in self._boards.items() if not _is_gone(board, now))

    def _visible(self, now: int) -> Iterator[_Board]:
        return (board for name, board in self._heard(now) if board.word.visible and self._has_stream(name))

    def _make_place(self, among: Iterable[str], now: int) -> bool:
        """Let go of one board that counts for nothing, if there is one among these."""
        for name in among:
            if _is_gone(self._boards[name], now) or not self._has_stream(name):
                del self._boards[name]
                return True
        return False


def _is_gone(board: _Board, now: int) -> bool:
    return now - board.heard_at >= GONE_AFTER


def _describe(name: str, board: _Board, *, open_: bool) -> Readout:
    return {
        "board": shorten(name),
        "name": board.word.name,
        "page": board.word.page,
        "visible": board.word.visible and open_,
        "sound": board.word.sound,
        "drawn": len(board.word.drawn) if open_ else 0,
        "since": format_time(board.since),
        "heard_at": format_time(board.heard_at),
    }
