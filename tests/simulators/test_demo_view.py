"""What the demo draws on a terminal, over what it printed before."""

from __future__ import annotations

import asyncio
import io
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from simulators import demo
from tests.stories import START


async def test_both_addresses_are_drawn_since_what_was_printed_lies_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = io.StringIO()
    monkeypatch.setattr(demo, "Console", lambda **_: Console(file=screen, force_terminal=True, width=120, height=30))
    drawn = asyncio.Event()

    def health() -> dict[str, Any]:
        drawn.set()
        return {"ready": True}

    desk = SimpleNamespace(now=lambda: START, list_aircraft=list, alerts=list, health=health)
    instance: Any = SimpleNamespace(desk=desk)
    view = asyncio.create_task(demo._show(instance, "http://127.0.0.1:1", "http://127.0.0.1:2"))
    async with asyncio.timeout(30):
        await drawn.wait()
    view.cancel()
    await asyncio.gather(view, return_exceptions=True)
    assert "http://127.0.0.1:1/" in screen.getvalue()
    assert "work a door by hand: http://127.0.0.1:2/" in screen.getvalue()
