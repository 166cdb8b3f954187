"""A silent connection: asked after half a keep-alive, given up after one and a half, never for our own absence."""

from __future__ import annotations

import asyncio
import time

import pytest

from monitor.adapters.mqtt_silence import SilenceWatch

KEEPALIVE_S = 10


class Wire:
    """What a watch does to its connection, and when (s)."""

    def __init__(self, *, answers: bool) -> None:
        self.heard = asyncio.get_running_loop().time()
        self.asked: list[float] = []
        self.given_up: list[float] = []
        self._answers = answers
        self.watch = SilenceWatch(
            KEEPALIVE_S, heard_at=lambda: self.heard, ask=self._ask, give_up=lambda _why: self.given_up.append(_now())
        )

    def _ask(self) -> None:
        self.asked.append(_now())
        if self._answers:
            self.heard = _now()


def _now() -> float:
    return asyncio.get_running_loop().time()


@pytest.mark.looptime
async def test_a_silent_connection_is_given_up_within_one_and_a_half_keep_alives() -> None:
    wire = Wire(answers=False)
    wire.watch.start()
    await asyncio.sleep(3 * KEEPALIVE_S)
    assert len(wire.asked) == 1
    assert 0.5 * KEEPALIVE_S <= wire.asked[0] <= 0.7 * KEEPALIVE_S
    [given_up] = wire.given_up
    assert given_up <= 1.5 * KEEPALIVE_S
    assert given_up - wire.asked[0] >= 0.7 * KEEPALIVE_S, "an answer has time"


@pytest.mark.looptime
async def test_one_that_answers_is_kept() -> None:
    wire = Wire(answers=True)
    wire.watch.start()
    await asyncio.sleep(5 * KEEPALIVE_S)
    wire.watch.stop()
    assert wire.given_up == []
    assert 7 <= len(wire.asked) <= 10


@pytest.mark.looptime
async def test_it_stops_when_it_is_told_to() -> None:
    wire = Wire(answers=False)
    wire.watch.start()
    wire.watch.stop()
    await asyncio.sleep(3 * KEEPALIVE_S)
    assert (wire.asked, wire.given_up) == ([], [])


async def test_our_own_absence_gives_nothing_up() -> None:
    """A process that was stopped looks before it has read what came meanwhile."""
    loop = asyncio.get_running_loop()
    given_up: list[str] = []
    asked = asyncio.Event()
    watch = SilenceWatch(0.2, heard_at=lambda: began, ask=asked.set, give_up=given_up.append)
    began = loop.time()
    watch.start()
    while loop.time() < began + 0.4:  # nobody else runs
        time.perf_counter()
    await asyncio.wait_for(asked.wait(), 5)
    watch.stop()
    assert given_up == []
