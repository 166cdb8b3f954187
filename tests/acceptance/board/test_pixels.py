"""From publication to picture: told at the end of the run, and held only to being seen."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.async_api import Browser

from tests.acceptance.pixels import own_instance, run

pytestmark = [pytest.mark.browser, pytest.mark.broker, pytest.mark.asyncio(loop_scope="session")]

AIRCRAFT = 200
STREAMS = 19
MOVES = 20


async def test_every_move_is_drawn(browser: Browser, tell: Callable[[str], None]) -> None:
    with own_instance() as (url, instance):
        measured = await run(
            browser,
            url,
            str(instance.http.base_url),
            aircraft=AIRCRAFT - 1,
            per_s=300,
            boards=1,
            streams=STREAMS,
            moves=MOVES,
        )
    tell(f"{AIRCRAFT} aircraft, {1 + STREAMS} boards of which one is drawn: {measured.sentence()}")
    assert len(measured.pixel) == MOVES
