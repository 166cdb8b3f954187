"""Which boards are open, and which warnings each has really painted.

Owns the word of every open page, for as long as it goes on giving it. Pure: it is told
the time, and decides nothing about a warning. A page's word is only that: what it says to
have drawn counts for nothing but this.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from monitor.core.times import SECOND, format_time
from monitor.ports import Readout

BOARDS_MAX: Final = 200
GONE_AFTER: Final = 10 * SECOND
"""A board that is not heard for so long is gone."""


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


class Boards:
    """The boards that are open; moments in µs."""

    def __init__(self) -> None:
        self._boards: dict[str, _Board] = {}

    def hear(self, board: str, word: BoardWord, now: int) -> bool:
        """Take a board's word; tell whether there was a place for it."""
        self._let_go(now)
        before = self._boards.get(board)
        if before is None and len(self._boards) >= BOARDS_MAX:
            return False
        self._boards[board] = _Board(word, now if before is None else before.since, now)
        return True

    def count(self, now: int) -> int:
        """How many boards are open."""
        self._let_go(now)
        return len(self._boards)

    def count_visible(self, now: int) -> int:
        """How many boards a person can see."""
        self._let_go(now)
        return sum(board.word.visible for board in self._boards.values())

    def drawn(self, now: int) -> frozenset[str]:
        """What is drawn on any board that a person can see."""
        self._let_go(now)
        return frozenset().union(*(board.word.drawn for board in self._boards.values() if board.word.visible))

    def describe(self, now: int) -> list[Readout]:
        """Write every open board, the longest open first."""
        self._let_go(now)
        ordered = sorted(self._boards.items(), key=lambda entry: (entry[1].since, entry[0]))
        return [
            {
                "board": name,
                "name": board.word.name,
                "page": board.word.page,
                "visible": board.word.visible,
                "sound": board.word.sound,
                "drawn": len(board.word.drawn),
                "since": format_time(board.since),
                "heard_at": format_time(board.heard_at),
            }
            for name, board in ordered
        ]

    def _let_go(self, now: int) -> None:
        gone = [name for name, board in self._boards.items() if now - board.heard_at >= GONE_AFTER]
        for name in gone:
            del self._boards[name]
