"""What the fault tests share: brokers of their own, since they are broken here, and a proxy in between."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.acceptance.conftest import MakeBroker, _clients, make_broker
from tests.acceptance.programs import SITE, Instance
from tests.faults.proxy import Proxy, running_proxy

__all__ = ["MakeBroker", "_clients", "make_broker"]

KEEPALIVE_S = 4


@pytest.fixture
def instance_on(tmp_path: Path) -> Iterator[Callable[..., Instance]]:
    """Make instances; each is killed at the end of the test at the latest.

    They watch the same site; a broker that falls silent is noticed in seconds.
    """
    with ExitStack() as stack:

        def make(url: str, name: str = "monitor", *, protocol: str = "auto") -> Instance:
            config = tmp_path / f"{name}.yaml"
            config.write_text(
                f"site: {{name: {SITE}, elevation_m: 210, stands: [S11]}}\n"
                f"broker: {{keepalive_s: {KEEPALIVE_S}, protocol: '{protocol}'}}\n",
                encoding="utf-8",
            )
            instance = Instance(tmp_path / name, url, config=config)
            stack.callback(instance.close)
            return instance

        yield make


@pytest.fixture
def proxy_to() -> Iterator[Callable[[str], Proxy]]:
    """Put a proxy before a broker."""
    with ExitStack() as stack:
        yield lambda url: stack.enter_context(running_proxy(url))
