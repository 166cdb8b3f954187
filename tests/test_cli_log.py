"""What is logged comes out as one line an event, whoever tells it."""

from __future__ import annotations

import io
import logging
import sys
from collections.abc import Iterator

import pytest
import structlog

from monitor.cli import set_up_log


@pytest.fixture
def log(monkeypatch: pytest.MonkeyPatch) -> Iterator[io.StringIO]:
    """The log as the program sets it up; afterwards all is as it was."""
    written = io.StringIO()
    monkeypatch.setattr(sys, "stderr", written)
    monkeypatch.setattr(logging, "lastResort", logging.lastResort)
    set_up_log()
    yield written
    structlog.reset_defaults()


def tell(level: int, message: str, *values: object, action: str = "", error: Exception | None = None) -> None:
    """As the standard library tells it where nothing else listens."""
    exc_info = None if error is None else (type(error), error, error.__traceback__)
    record = logging.LogRecord("a.library", level, __file__, 1, message, values, exc_info)
    record.action = action
    assert logging.lastResort is not None
    if record.levelno >= logging.lastResort.level:
        logging.lastResort.handle(record)


def test_both_kinds_of_loggers_write_the_same_lines(log: io.StringIO) -> None:
    structlog.get_logger().warning("one thing", action="sign-in-failed")
    tell(logging.WARNING, "one %s", "thing", action="sign-in-failed")
    ours, theirs = (line.partition(" ") for line in log.getvalue().splitlines())
    assert ours[2] == theirs[2] == 'level=warning event="one thing" action=sign-in-failed'
    assert theirs[0].startswith("timestamp=2")


def test_neither_a_line_end_nor_a_traceback_begins_a_line(log: io.StringIO) -> None:
    tell(logging.ERROR, "a\nlevel=info event=forged", error=ValueError("no"))
    tell(logging.INFO, "the server is up")
    [line] = log.getvalue().splitlines()
    assert " level=error " in line
    assert "ValueError: no" in line
