"""What the simulator's tests share: the shipped site, a start, and a way to live through time."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.config import default_config_path, load
from monitor.core.airframe import Site

START_US = 1_772_359_200_000_000


@pytest.fixture(scope="session")
def site() -> Site:
    return load(default_config_path(), environment={}).site


@pytest.fixture(scope="session")
def start_us() -> int:
    return START_US


@pytest.fixture(scope="session")
def after() -> Callable[[float], int]:
    """Turn seconds after the start into µs."""
    return lambda seconds: START_US + round(seconds * 1_000_000)
