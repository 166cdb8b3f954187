"""Procedures and drills for the fake reader: what a test sets, and a note of what was kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.ports import JournalError, Readout


class FakeDrilling:
    """:class:`monitor.adapters.web.ports.Drilling` in plain lists."""

    def __init__(self) -> None:
        self.keep_labels_days: float = 0
        self.configured: list[Readout] = []
        self.going: dict[str, list[Readout]] = {}
        self.ended: list[Readout] = []
        self.held: list[Readout] = []
        self.asked: list[Mapping[str, Any]] = []
        self.broken = False
        self.labels: dict[str, tuple[str, int]] = {}

    def procedures(self) -> list[Readout]:
        return self.configured

    def runs_at(self, reg: str) -> list[Readout]:
        return self.going.get(reg, [])

    async def runs(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Readout:
        self.asked.append(question)
        return {"items": self.ended[:limit], "next": None}

    async def drills(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Readout:
        self.asked.append(question)
        return {"items": self.held[:limit], "next": None, "keep_labels_days": self.keep_labels_days}

    async def keep_label(self, permit_id: str, label: str, until: int) -> None:
        if self.broken:
            raise JournalError("the disk is full")
        self.labels[permit_id] = label, until
