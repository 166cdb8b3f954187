"""From publication to picture: told at the end of the run, and held only to being seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.async_api import Browser

from tests.acceptance.conftest import MakeBroker
from tests.acceptance.pixels import run
from tests.acceptance.programs import running_broker, running_instance

pytestmark = [pytest.mark.browser, pytest.mark.broker, pytest.mark.asyncio(loop_scope="session")]

AIRCRAFT = 200
STREAMS = 19
MOVES = 12


@pytest.fixture
def busy(make_broker: MakeBroker, tmp_path: Path) -> Iterator[tuple[str, str]]:
    """The addresses of a broker and of an instance of the test's own, to be crowded."""
    with running_broker(make_broker("mosquitto")) as broker, running_instance(tmp_path, broker) as instance:
        yield broker.url, str(instance.http.base_url)


async def test_every_move_is_drawn(busy: tuple[str, str], browser: Browser, tell: Callable[[str], None]) -> None:
    measured = await run(browser, *busy, aircraft=AIRCRAFT - 1, per_s=300, boards=1, streams=STREAMS, moves=MOVES)
    tell(f"{AIRCRAFT} aircraft, {1 + STREAMS} boards of which one is drawn: {measured.sentence()}")
    assert len(measured.pixel) == MOVES
