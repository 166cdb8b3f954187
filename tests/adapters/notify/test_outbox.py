"""The outbox's rows: bounds, order, and what a crash or a full disk leaves."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from monitor.adapters.notify import outbox_file
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.notify.outbox_file import OUTBOX_FILE, OutboxError
from monitor.adapters.notify.outbox_rows import Draft, Entered, Failure, Settled
from monitor.core.times import HOUR, SECOND
from tests.adapters.notify.bench import T0, Bench, alert
from tests.adapters.notify.receiver import receiving


def draft(number: int, of: int | None = None) -> Draft:
    return Draft(f"e{number}", f"a{number if of is None else of}", "sillwatch.alert.raised", "XA-ABC/L1", b"{}")


def letters(*numbers: int) -> list[Entered]:
    return [Entered(draft(number), letter=True) for number in numbers]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / OUTBOX_FILE


def opened(path: Path, **words: Any) -> Outbox:
    outbox = Outbox(path, **words)
    outbox.configure({"pager": "webhook"}, 0)
    return outbox


def due_ids(outbox: Outbox, limit: int = 10) -> list[str]:
    return [letter.draft.event_id for letter in outbox.due("pager", T0, limit).letters]


def test_queues_are_bounded_and_what_falls_out_is_counted(path: Path) -> None:
    outbox = opened(path, waiting_max=3, dead_max=2)
    outbox.enter("pager", letters(*range(8)), 8, T0)
    assert due_ids(outbox) == ["e5", "e6", "e7"], "the newest stay"
    assert (outbox.waiting["pager"], outbox.dead["pager"]) == (3, 2)
    assert (outbox.died["pager"], outbox.dropped["pager"]) == (5, 3)
    dead = outbox.dead_letters(10, None)
    assert [(each.event_id, each.last_error) for each in dead] == [
        ("e4", "too many waited; this was the oldest"),
        ("e3", "too many waited; this was the oldest"),
    ]
    outbox.close()
    again = Outbox(path)
    assert (again.waiting["pager"], again.dead["pager"]) == (3, 2), "counted anew from what is there"
    again.close()


def test_cursor_and_letters_are_one(path: Path) -> None:
    """A transaction that fails in the middle leaves neither."""
    outbox = opened(path)
    spoilt = Entered(Draft("e2", "a2", "t", "s", None), letter=True)  # type: ignore[arg-type]
    with pytest.raises(sqlite3.IntegrityError):
        outbox.enter("pager", [*letters(1), spoilt], 2, T0)
    assert outbox.cursors() == {"pager": 0}
    assert (due_ids(outbox), outbox.waiting["pager"]) == ([], 0)
    outbox.enter("pager", letters(1, 2), 2, T0)
    outbox.enter("pager", letters(2, 3), 3, T0)
    assert outbox.cursors() == {"pager": 3}
    assert (due_ids(outbox), outbox.waiting["pager"]) == (["e1", "e2", "e3"], 3), "an event taken twice is one letter"
    outbox.close()


def test_no_two_of_one_alert_and_one_at_a_time_while_it_fails(path: Path) -> None:
    outbox = opened(path)
    outbox.enter("pager", [Entered(draft(n, of=n % 2), letter=True) for n in range(4)], 4, T0)
    assert due_ids(outbox) == ["e0", "e1"]
    outbox.settle("pager", [Settled(1, "answered 500")], Failure("answered 500", T0), T0)
    assert due_ids(outbox) == ["e1"], "the least tried first, one alone"
    outbox.settle("pager", [Settled(2, None)], None, T0)
    assert due_ids(outbox) == ["e3", "e0"]
    assert due_ids(outbox, 1) == ["e3"]
    outbox.close()


def test_what_is_new_is_tried_within_a_minute_however_long_the_destination_was_to_be_left_alone(path: Path) -> None:
    outbox = opened(path)
    outbox.enter("pager", letters(0), 1, T0)
    outbox.settle("pager", [Settled(1, "answered 503")], Failure("answered 503", T0 + HOUR), T0)
    assert outbox.due("pager", T0, 10).look_at == T0 + HOUR
    outbox.enter("pager", letters(1), 2, T0 + SECOND)
    assert outbox.due("pager", T0 + SECOND, 10).look_at == T0 + 61 * SECOND
    outbox.settle("pager", [Settled(2, "answered 503")], Failure("answered 503", T0 + 2 * SECOND), T0 + SECOND)
    outbox.enter("pager", letters(2), 3, T0 + SECOND)
    assert outbox.due("pager", T0 + SECOND, 10).look_at == T0 + 2 * SECOND, "a shorter wait stays as it is"
    outbox.close()


def test_a_destination_that_was_off_or_became_another_begins_with_now(path: Path) -> None:
    outbox = opened(path)
    outbox.enter("pager", [], 5, T0)
    outbox.configure({"pager": "webhook"}, 9)
    assert outbox.cursors() == {"pager": 5}
    outbox.configure({}, 9)
    assert outbox.cursors() == {}
    outbox.configure({"pager": "webhook"}, 12)
    assert outbox.cursors() == {"pager": 12}
    outbox.configure({"pager": "apprise"}, 15)
    assert outbox.cursors() == {"pager": 15}
    outbox.configure({"pager": "apprise"}, 3)
    assert outbox.cursors() == {"pager": 3}, "a journal from a backup"
    outbox.close()


@pytest.mark.parametrize("kinds", [{}, {"pager": "alertmanager"}])
def test_what_was_kept_back_for_one_that_is_no_more_is_forgotten(path: Path, kinds: dict[str, str]) -> None:
    """Else its release would be due for ever, and the intake would never rest."""
    outbox = opened(path)
    outbox.enter("pager", [Entered(draft(1), hold=T0)], 1, T0)
    assert outbox.next_release() == T0
    outbox.configure(kinds, 1)
    assert outbox.next_release() is None
    outbox.close()


def test_the_file_is_the_owner_s_alone_and_of_a_version(path: Path) -> None:
    opened(path).close()
    assert path.stat().st_mode & 0o777 == 0o600
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(OutboxError, match="newer version"):
        Outbox(path)
    path.unlink()
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE theirs (x)")
    connection.close()
    with pytest.raises(OutboxError, match="not an outbox"):
        Outbox(path)
    assert outbox_file.APPLICATION_ID != 0


async def test_a_disk_that_fails_for_a_while_loses_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    real, failing = Outbox.enter, [True, True]

    def enter(self: Outbox, *rest: Any) -> None:
        if failing:
            failing.pop()
            raise sqlite3.OperationalError("disk I/O error")
        real(self, *rest)

    monkeypatch.setattr(Outbox, "enter", enter)
    with capture_logs() as logs:
        await _tell_two(bench, failing)
    assert [line["action"] for line in logs if line["log_level"] == "error"] == ["delivery-intake"] * 2


async def _tell_two(bench: Bench, failing: list[bool]) -> None:
    async with receiving() as receiver:
        await bench.start(pager=bench.webhook(receiver.url))
        ids = bench.tell(alert(1), alert(2))
        while failing:
            bench.deliveries.look()
            await bench.shown("pager")
        bench.deliveries.look()
        await bench.until_shown("pager", waiting=0, state="working")
        while len(receiver.taken) < 2:
            await bench.shown("pager")
    assert sorted(receiver.ids) == sorted(ids)
