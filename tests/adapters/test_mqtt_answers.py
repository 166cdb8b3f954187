"""An answer that comes behind everything retained is waited for, for as long as that comes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import aiomqtt
import pytest

from monitor.adapters import mqtt_link
from monitor.adapters.mqtt_link import Link
from tests.adapters.test_mqtt_feed import make_feed


async def wait_for_answer(monkeypatch: pytest.MonkeyPatch, look: Callable[[Link, int], bool], looks: int) -> str:
    """Ask, and have the answer come after so many times of waiting in vain; ``look`` tells whether we are full."""
    full = False
    answered = asyncio.Event()
    link = Link(
        make_feed("mqtt://127.0.0.1:9").settings, "3.1.1",
        on_up=lambda _: None, on_message=lambda *_: None, is_full=lambda: full,
    )  # fmt: skip
    waited = 0

    async def wait(tasks: set[Any], **_: float) -> None:
        nonlocal waited, full
        waited += 1
        full = look(link, waited)
        if waited > looks:
            answered.set()
            await asyncio.gather(*tasks)

    async def ask() -> str:
        await answered.wait()
        return "answer"

    monkeypatch.setattr(mqtt_link.asyncio, "wait", wait)
    try:
        return await link._await_answer(ask())
    finally:
        monkeypatch.undo()
        await link.close()


async def test_while_messages_come_an_answer_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def hear(link: Link, waited: int) -> bool:
        link._heard += 1
        return False

    assert await wait_for_answer(monkeypatch, hear, 5) == "answer"


async def test_while_we_do_not_listen_an_answer_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    assert await wait_for_answer(monkeypatch, lambda link, waited: True, 5) == "answer"


async def test_while_the_broker_may_wait_for_us_an_answer_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def owe(link: Link, waited: int) -> bool:
        link._unsettled[1] = 1
        return False

    assert await wait_for_answer(monkeypatch, owe, 5) == "answer"


async def test_a_broker_that_says_nothing_more_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    def hear(link: Link, waited: int) -> bool:
        link._heard += waited < 3
        return False

    with pytest.raises(aiomqtt.MqttError, match="no answer"):
        await wait_for_answer(monkeypatch, hear, 5)
