"""One story on disk, told once for every test of the reports."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.debrief.records import tell_story


@pytest.fixture(scope="session")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder that holds the story."""
    return tell_story().write(tmp_path_factory.mktemp("record"))
