"""What is told outside, invented: destinations and dead letters in lists."""

from __future__ import annotations

from monitor.ports import Readout


def destination(name: str) -> Readout:
    """A destination that works."""
    return {
        "name": name, "kind": "webhook", "address": "https://pager.example", "state": "working", "waiting": 0,
        "dead": 0, "oldest_waiting_at": None, "last_delivered_at": None, "failing_since": None,
        "next_attempt_at": None, "last_error": None,
    }  # fmt: skip


def dead_letter(number: int) -> Readout:
    """A letter that was laid aside."""
    return {
        "id": str(number), "destination": "pager", "event_id": f"a{number}-1", "type": "sillwatch.alert.raised",
        "subject": "ZZ-KAT/L1", "queued_at": "2026-03-01T10:15:00.000Z", "died_at": "2026-03-04T10:15:00.000Z",
        "attempts": 90, "last_error": "answered 500",
    }  # fmt: skip


class FakeOutside:
    """:class:`monitor.ports.Outside` that keeps what it was asked to do."""

    def __init__(self) -> None:
        self.dead: list[Readout] = []
        self.done: list[str] = []

    async def describe(self) -> list[Readout]:
        return [destination("pager")]

    async def dead_letters(self, *, limit: int, before: int | None) -> list[Readout]:
        return [each for each in self.dead if before is None or int(each["id"]) < before][:limit]

    async def is_dead(self, letter: int) -> bool:
        return any(each["id"] == str(letter) for each in self.dead)

    def list_unreachable(self) -> list[str]:
        return []

    def is_destination(self, name: str) -> bool:
        return name == "pager"

    async def replay(self, letter: int) -> None:
        self.done.append(f"replay {letter}")
        self.dead = [each for each in self.dead if each["id"] != str(letter)]

    async def resume(self, name: str) -> None:
        self.done.append(f"resume {name}")
