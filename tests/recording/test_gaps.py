"""What a recorder noted as missing, told once and in order."""

from __future__ import annotations

import pytest

from monitor.adapters.capture import CaptureLine, Note
from monitor.core.times import SECOND
from monitor.ports import Message
from monitor.recording.gaps import NOT_CONNECTED, Gaps, Missed, describe_gaps

MESSAGE = Message("t", b"{}", False)
LOST, BACK = Note(connection="lost"), Note(connection="back")


def find(*lines: tuple[int, Message | Note | None], until: int | None = None) -> list[Missed]:
    gaps = Gaps()
    told = [
        CaptureLine(at * SECOND, what if isinstance(what, Message) else None, what if isinstance(what, Note) else None)
        for at, what in lines
    ]
    assert list(gaps.watch(told)) == told
    return gaps.list_gaps(until)


@pytest.mark.parametrize("end", [BACK, MESSAGE])
def test_a_gap_is_over_once_the_connection_stands(end: Message | Note) -> None:
    found = find((1, MESSAGE), (2, LOST), (3, None), (4, LOST), (9, end), (10, MESSAGE))
    assert found == [Missed(2 * SECOND, 9 * SECOND, NOT_CONNECTED)]


def test_a_gap_that_is_not_over_goes_on_to_the_end() -> None:
    assert find((2, LOST), (5, None)) == [Missed(2 * SECOND, 5 * SECOND, NOT_CONNECTED)]
    assert find((2, LOST), until=7 * SECOND) == [Missed(2 * SECOND, 7 * SECOND, NOT_CONNECTED)]


def test_what_the_recorder_left_out_is_missing_since_the_line_before() -> None:
    found = find((1, MESSAGE), (4, Note(left_out=3)), (4, MESSAGE))
    assert found == [Missed(SECOND, 4 * SECOND, "the recorder left out 3 messages")]


def test_all_is_said_in_a_line() -> None:
    assert describe_gaps([]) == "" == describe_gaps(find((1, MESSAGE), (2, BACK)))
    said = describe_gaps(find((2, LOST), (3, BACK), (5, LOST), (9, BACK)))
    assert said == f"2 gaps, the longest from 1970-01-01T00:00:05.000Z to 1970-01-01T00:00:09.000Z: {NOT_CONNECTED}"
    assert describe_gaps(find((2, LOST), (3, BACK))).startswith("1 gap from 1970-01-01T00:00:02.000Z to ")
