"""Boards say what they show; a warning that no board shows is reported to the core, and so is that it is seen."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from typing import Any

import pytest

from monitor.adapters.web import Boards, BoardWatch, Stream
from monitor.adapters.web.board_watch import AGAIN_AFTER, AT_ONCE
from monitor.adapters.web.boards import BOARDS_MAX, GONE_AFTER, BoardWord, shorten
from monitor.core.effects import Effect, PublishActive, RefuseCommand
from monitor.core.events import AlertDrawn, AlertLeftUndrawn, Command
from monitor.core.times import SECOND, format_time
from monitor.ports import JournalError, Step
from tests.adapters.web.fake_reader import START, FakeReader, alert_document
from tests.adapters.web.http_client import Answer, EventReader, ask, until

WARNING = "ZZ-KAT-L1-armed-handle-moved-1"
BOARD = "6f1c2a90-wall"
WITHIN = 3 * SECOND


def word(*drawn: str, visible: bool = True, name: str = "Gate") -> BoardWord:
    return BoardWord(name, "wall", visible, True, frozenset(drawn))


# The registry


def open_boards(*without_stream: str) -> Boards:
    """A registry of boards whose streams are open, but for these."""
    return Boards(lambda board: board not in without_stream)


def test_a_board_is_there_until_it_is_not_heard() -> None:
    boards = open_boards()
    assert boards.hear("board-one", word(WARNING), START)
    assert boards.hear("board-two", word(visible=False), START + SECOND)
    assert boards.hear("board-one", word(WARNING, name="Tower"), START + 9 * SECOND)
    assert boards.describe(START + 9 * SECOND) == [
        {
            "board": shorten("board-one"), "name": "Tower", "page": "wall", "visible": True, "sound": True, "drawn": 1,
            "since": format_time(START), "heard_at": format_time(START + 9 * SECOND),
        },
        {
            "board": shorten("board-two"), "name": "Gate", "page": "wall", "visible": False, "sound": True, "drawn": 0,
            "since": format_time(START + SECOND), "heard_at": format_time(START + SECOND),
        },
    ]  # fmt: skip
    assert (boards.count(START + 9 * SECOND), boards.count_visible(START + 9 * SECOND)) == (2, 1)
    assert boards.count(START + SECOND + GONE_AFTER) == 1
    assert boards.drawn({WARNING}, START + 9 * SECOND + GONE_AFTER - 1) == {WARNING}
    assert boards.drawn({WARNING}, START + 9 * SECOND + GONE_AFTER) == set()


def test_a_board_that_is_heard_again_is_open_since_then() -> None:
    boards = open_boards()
    boards.hear("board-one", word(), START)
    boards.hear("board-one", word(), START + GONE_AFTER)
    assert boards.describe(START + GONE_AFTER)[0]["since"] == format_time(START + GONE_AFTER)
    boards.let_go(START + 2 * GONE_AFTER)
    assert boards.count(START + GONE_AFTER) == 0


def test_only_what_somebody_can_see_is_drawn() -> None:
    boards = open_boards("board-four")
    boards.hear("board-one", word("a", "b"), START)
    boards.hear("board-two", word("c", visible=False), START)
    boards.hear("board-three", word("d"), START)
    boards.hear("board-four", word("e"), START)
    every = frozenset("abcde")
    assert boards.drawn(every, START) == {"a", "b", "d"}
    assert boards.drawn({"a", "c", "x"}, START) == {"a"}
    boards.hear("board-one", word("b"), START)
    assert boards.drawn(every, START) == {"b", "d"}
    assert [board["drawn"] for board in boards.describe(START) if board["board"] == shorten("board-four")] == [0]
    assert (boards.count(START), boards.count_visible(START)) == (4, 2)


def test_there_is_an_end_to_the_boards_and_a_place_again_when_one_is_gone() -> None:
    boards = open_boards()
    for number in range(BOARDS_MAX):
        assert boards.hear(f"board-{number}", word(), START + (number == 0))
    assert not boards.hear("one-too-many", word(), START + SECOND)
    assert boards.hear("board-7", word("a"), START + SECOND)
    assert boards.hear("one-too-many", word(), START + GONE_AFTER)
    assert boards.count(START + GONE_AFTER) == 3


def test_what_speaks_without_a_stream_takes_no_boards_place() -> None:
    boards = Boards(lambda board: board == "real-wall")
    for number in range(BOARDS_MAX):
        boards.hear(f"claim-{number}", word(WARNING), START)
    assert boards.hear("real-wall", word("a"), START)
    for number in range(BOARDS_MAX):
        boards.hear(f"another-{number}", word(WARNING), START)
    assert boards.drawn({WARNING, "a"}, START) == {"a"}
    assert boards.count(START) == BOARDS_MAX


def test_two_hundred_boards_with_five_hundred_ids_each_are_asked_in_no_time() -> None:
    """What is drawn is asked twice a second and with every word: it may not hold the loop."""
    boards = open_boards()
    for number in range(BOARDS_MAX):
        boards.hear(f"board-{number}", word(*(f"{number}-{each}" for each in range(500))), START)
    best = 1.0
    for _ in range(5):
        began = time.process_time()
        assert boards.drawn({"199-1", "nowhere"}, START) == {"199-1"}
        best = min(best, time.process_time() - began)
    assert best < 0.005


# The watch


class Core:
    """An engine that takes every report as the core does, or as a test says."""

    def __init__(self, *active: dict[str, Any]) -> None:
        self.clock = START
        self.active = list(active)
        self.taken: list[Command] = []
        self.fault: Exception | None = None
        self.refusal = ""
        self.streams: set[str] | None = None
        """The boards whose stream is open; ``None``: every board's."""
        self.watch = BoardWatch(Boards(self._has_stream), self, within=WITHIN)
        self.watch.take_up()

    def _has_stream(self, board: str) -> bool:
        return self.streams is None or board in self.streams

    def now(self) -> int:
        return self.clock

    def alerts(self) -> list[dict[str, Any]]:
        return self.active

    async def submit(self, command: Command) -> Sequence[Effect]:
        self.taken.append(command)
        if self.fault is not None:
            raise self.fault
        if self.refusal:
            return [RefuseCommand("conflict", self.refusal)]
        assert isinstance(command, (AlertDrawn, AlertLeftUndrawn))
        [alert] = [alert for alert in self.active if alert["alert_id"] == command.alert_id]
        self.show({**alert, "on_no_screen": isinstance(command, AlertLeftUndrawn)})
        return []

    def show(self, alert: dict[str, Any], *, gone: bool = False) -> None:
        """Publish an alert as it is now."""
        place = (alert["aircraft"], alert["door"], alert["code"])
        self.active = [other for other in self.active if other["alert_id"] != alert["alert_id"]]
        if not gone:
            self.active.append(alert)
        effect = PublishActive(*place, None if gone else alert)
        self.watch.observe(Step(self.clock, None, [effect], 0.0, 0.0))

    async def look(self, *, after: float = 0.0) -> list[Command]:
        """Look, as it is done every half a second; returns what was reported."""
        taken = len(self.taken)
        end = self.clock + round(after * SECOND)
        while True:
            await self.watch.look()
            if self.clock >= end:
                return self.taken[taken:]
            self.clock = min(end, self.clock + SECOND // 2)

    def hear(self, *drawn: str, visible: bool = True, board: str = BOARD) -> None:
        self.watch.boards.hear(board, word(*drawn, visible=visible), self.clock)


def warning(**changes: Any) -> dict[str, Any]:
    return {**alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning"), "active": True, **changes}


async def test_a_warning_on_no_screen_is_reported_once_it_is_too_long() -> None:
    core = Core()
    core.show(warning())
    assert await core.look(after=2.5) == []
    assert core.watch.unseen() == []
    assert await core.look(after=0.5) == [AlertLeftUndrawn(WARNING)]
    assert core.watch.unseen() == [WARNING]
    assert await core.look(after=60) == []


async def test_a_warning_that_is_drawn_is_not_reported_and_one_drawn_late_is() -> None:
    core = Core()
    core.show(warning())
    core.hear(WARNING)
    assert await core.look(after=5) == []
    core.hear(visible=False)
    assert await core.look(after=4) == [AlertLeftUndrawn(WARNING)]
    core.hear(WARNING)
    assert core.watch.unseen() == []
    assert await core.look(after=AGAIN_AFTER / SECOND - 1.5) == []
    core.hear(WARNING)
    assert await core.look(after=0.5) == [AlertDrawn(WARNING)]
    assert await core.look(after=9) == []


async def test_a_board_that_died_draws_nothing() -> None:
    core = Core()
    core.show(warning())
    core.hear(WARNING)
    assert await core.look(after=9.5) == []
    assert await core.look(after=4) == [AlertLeftUndrawn(WARNING)]
    assert core.clock - START == 13.5 * SECOND


async def test_a_page_exchanged_for_another_is_no_news() -> None:
    core = Core()
    core.show(warning())
    core.hear(WARNING)
    await core.look(after=5)
    core.hear(WARNING, visible=False)
    assert await core.look(after=2) == []
    core.hear(WARNING, board="another-board")
    assert await core.look(after=5) == []


async def test_one_board_of_many_is_enough() -> None:
    core = Core()
    core.show(warning())
    core.hear()
    core.hear("something-else", board="board-two")
    core.hear(WARNING, board="board-three")
    assert await core.look(after=5) == []


@pytest.mark.parametrize(
    "change",
    [
        {"state": "acknowledged"},
        {"state": "rtn_unacknowledged"},
        {"drill": True},
        {"active": False},
        {"priority": "caution"},
    ],
    ids=str,
)
async def test_only_warnings_that_wait_outside_a_drill_have_to_be_seen(change: dict[str, Any]) -> None:
    core = Core(warning(**change))
    assert await core.look(after=10) == []
    core.show(warning())
    assert await core.look(after=2.5) == []
    assert await core.look(after=0.5) == [AlertLeftUndrawn(WARNING)]
    core.show(warning(**change))
    assert core.watch.unseen() == []


async def test_a_warning_that_ended_is_nobodys_and_the_next_has_its_own_time() -> None:
    core = Core()
    core.show(warning())
    await core.look(after=2)
    core.show(warning(), gone=True)
    assert await core.look(after=10) == []
    core.show(warning())
    core.show(warning(alert_id="another"))
    assert await core.look(after=2.5) == []
    assert await core.look(after=0.5) == [AlertLeftUndrawn("another")]


async def test_what_stands_at_the_start_is_waited_for_as_long_as_a_board_may_keep_silent() -> None:
    core = Core(warning(), warning(alert_id="marked", door="R1", on_no_screen=True))
    core.hear("marked")
    assert await core.look(after=9.5) == [AlertDrawn("marked")]
    assert core.watch.unseen() == []
    assert await core.look(after=0.5) == [AlertLeftUndrawn(WARNING)]


@pytest.mark.parametrize("comes_after", [3.5, 5.0, 9.5])
async def test_a_restart_is_no_news_to_whoever_looks_at_a_board(comes_after: float) -> None:
    core = Core(warning())
    assert await core.look(after=comes_after) == []
    core.hear(WARNING)
    assert await core.look(after=1) == []
    core.hear()
    assert await core.look(after=2.5) == []
    assert await core.look(after=0.5) == [AlertLeftUndrawn(WARNING)]


@pytest.mark.parametrize("board_speaks_first", [False, True])
async def test_a_stall_of_the_process_is_nobodys_silence(*, board_speaks_first: bool) -> None:
    core = Core()
    core.show(warning())
    core.show(warning(alert_id="hidden", door="R1"))
    for _ in range(2):
        core.hear(WARNING)
        assert await core.look(after=1) == []
    core.clock += 60 * SECOND
    if board_speaks_first:
        core.hear(board="another-board")
    core.show(warning(alert_id="new", door="R2"))
    assert await core.look() == []
    core.hear(WARNING)
    assert await core.look(after=0.5) == [AlertLeftUndrawn("hidden")]
    assert await core.look(after=2.5) == [AlertLeftUndrawn("new")]
    assert await core.look(after=10) == [AlertLeftUndrawn(WARNING)]


async def test_a_board_that_comes_and_goes_makes_no_more_than_a_report_in_ten_seconds() -> None:
    core = Core()
    core.show(warning())
    for half in range(120):
        shows = half // 8 % 2 == 0
        core.hear(*([WARNING] if shows else []), visible=shows)
        await core.look(after=0.5)
    assert 2 <= len(core.taken) <= 6


async def test_a_word_without_a_stream_counts_for_nothing() -> None:
    """Anyone may send one; only a page that is told what happens can show it."""
    core = Core()
    core.streams = set()
    core.show(warning())
    for _ in range(2):
        core.hear(WARNING)
        await core.look(after=2)
    assert core.taken == [AlertLeftUndrawn(WARNING)]
    core.streams = {BOARD}
    await core.look(after=10)
    core.hear(WARNING)
    await core.look()
    assert core.taken == [AlertLeftUndrawn(WARNING), AlertDrawn(WARNING)]


async def test_a_stream_that_is_opened_again_is_no_news() -> None:
    core = Core()
    core.streams = {BOARD}
    core.show(warning())
    core.hear(WARNING)
    await core.look(after=5)
    core.streams = set()
    core.hear(WARNING)
    await core.look(after=2)
    core.streams = {BOARD}
    assert await core.look(after=5) == []
    assert core.taken == []


async def test_what_changes_while_others_are_reported_is_asked_again() -> None:
    core = Core()
    for number in range(AT_ONCE + 3):
        core.show(warning(alert_id=f"w{number}", door=f"D{number}"))
    take = core.submit
    seen, gone = f"w{AT_ONCE}", f"w{AT_ONCE + 1}"

    async def take_slowly(command: Command) -> Sequence[Effect]:
        effects = await take(command)
        if len(core.taken) == AT_ONCE:
            core.clock += SECOND
            core.hear(seen)
            core.show(warning(alert_id=gone, door=f"D{AT_ONCE + 1}", state="acknowledged"))
        return effects

    core.submit = take_slowly  # type: ignore[method-assign]
    reported = await core.look(after=3)
    assert len(reported) == AT_ONCE + 1
    assert not {AlertLeftUndrawn(seen), AlertLeftUndrawn(gone)} & set(reported)


async def test_switched_off_nothing_is_reported_but_that_it_is_drawn() -> None:
    core = Core(warning(), warning(alert_id="marked", door="R1", on_no_screen=True))
    core.watch = BoardWatch(open_boards(), core, within=0)
    core.watch.take_up()
    assert await core.look(after=30) == []
    assert core.watch.unseen() == []
    core.hear("marked", WARNING)
    assert await core.look() == [AlertDrawn("marked")]


@pytest.mark.parametrize("how", ["fault", "refusal"])
async def test_a_report_that_is_not_taken_is_made_again_in_time(how: str, caplog: pytest.LogCaptureFixture) -> None:
    core = Core()
    core.show(warning())
    core.fault = JournalError("the disk is full") if how == "fault" else None
    core.refusal = "not now"
    assert await core.look(after=3) == [AlertLeftUndrawn(WARNING)]
    assert await core.look(after=AGAIN_AFTER / SECOND - 0.5) == []
    assert f"not taken: AlertLeftUndrawn of {WARNING}: " in caplog.text
    core.fault, core.refusal = None, ""
    assert await core.look(after=0.5) == [AlertLeftUndrawn(WARNING)]
    assert await core.look(after=30) == []


async def test_a_disk_that_hangs_keeps_no_other_warning_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.adapters.web.board_watch.REPORT_S", 0.001)
    core = Core()
    core.show(warning())
    take = core.submit

    async def take_and_hang(command: Command) -> Sequence[Effect]:
        await take(command)
        await asyncio.Event().wait()
        return []

    core.submit = take_and_hang  # type: ignore[method-assign]
    assert await core.look(after=3) == [AlertLeftUndrawn(WARNING)]
    core.show({**warning(), "alert_id": "another", "door": "R1"})
    assert await core.look(after=3) == [AlertLeftUndrawn("another")]
    assert await core.look(after=30) == []


async def test_many_are_all_reported() -> None:
    core = Core()
    for number in range(2 * AT_ONCE + 1):
        core.show(warning(alert_id=f"w{number}", door=f"D{number}"))
    reported = await core.look(after=3)
    assert {command.alert_id for command in reported if isinstance(command, AlertLeftUndrawn)} == {
        f"w{number}" for number in range(2 * AT_ONCE + 1)
    }
    assert len(reported) == 2 * AT_ONCE + 1
    assert core.watch.unseen() == sorted(core.watch.unseen())


async def test_it_looks_every_half_a_second_and_lives_through_a_fault(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    waited: list[float] = []
    core = Core()
    core.show(warning())

    async def pass_time(seconds: float) -> None:
        waited.append(seconds)
        core.clock += round(seconds * SECOND)
        if len(waited) > 10:
            raise asyncio.CancelledError

    drawn = core.watch.boards.drawn

    def fail_once(among: set[str], now: int) -> set[str]:
        if len(waited) == 2:
            raise RuntimeError("once")
        return drawn(among, now)

    monkeypatch.setattr("monitor.adapters.web.board_watch.asyncio.sleep", pass_time)
    monkeypatch.setattr(core.watch.boards, "drawn", fail_once)
    with pytest.raises(asyncio.CancelledError):
        await core.watch.serve_looks()
    assert waited == [0.5] * 11
    assert "the screens were not looked at" in caplog.text
    assert core.taken == [AlertLeftUndrawn(WARNING)]


# Over HTTP


def state(*drawn: str, **changes: Any) -> dict[str, Any]:
    return {"name": "Gate 4", "page": "wall", "visible": True, "sound": False, "drawn": list(drawn), **changes}


async def put(url: str, body: Any, board: str = BOARD, **headers: str) -> Answer:
    return await ask(url, f"/api/v1/boards/{board}", method="PUT", body=body, headers=headers)


async def test_a_board_is_told_how_many_watch_and_what_nobody_sees(url: str, reader: FakeReader) -> None:
    me, other = shorten(BOARD), shorten("another-board")
    async with EventReader(url, board=BOARD), EventReader(url, board="another-board"):
        assert (await put(url, state())).json() == {"board": me, "watching": 1, "unseen": []}
        reader.clock += GONE_AFTER
        assert (await put(url, state(visible=False))).json() == {"board": me, "watching": 0, "unseen": [WARNING]}
        answer = await put(url, state(WARNING, "never-heard-of"), "another-board")
        assert (answer.status, answer.json()) == (200, {"board": other, "watching": 1, "unseen": []})
        listed = (await ask(url, "/api/v1/boards")).json()["items"]
        assert [(board["board"], board["drawn"], board["visible"]) for board in listed] == [
            (me, 0, False),
            (other, 2, True),
        ]
        assert {board["name"] for board in listed} == {"Gate 4"}
        reader.clock += GONE_AFTER
        assert (await ask(url, "/api/v1/boards")).json() == {"items": []}


async def test_a_board_counts_while_its_stream_is_open(url: str, reader: FakeReader, stream: Stream) -> None:
    """The word may come first; the same id may have two streams for a moment."""
    reader.clock += GONE_AFTER
    told = state(WARNING)
    assert (await put(url, told)).json()["unseen"] == [WARNING]
    async with EventReader(url, board=BOARD):
        assert (await put(url, told)).json()["unseen"] == []
        async with EventReader(url, board=BOARD):
            await until(lambda: stream.clients == 2)
        await until(lambda: stream.clients == 1)
        assert (await put(url, told)).json()["watching"] == 1
        async with EventReader(url, board="another-board") as other, EventReader(url):
            assert other.status == 200
    await until(lambda: stream.clients == 0)
    assert (await put(url, told)).json()["unseen"] == [WARNING]
    [listed] = (await ask(url, "/api/v1/boards")).json()["items"]
    assert (listed["visible"], listed["drawn"]) == (False, 0)


async def test_nobody_learns_a_boards_id(url: str) -> None:
    await put(url, state(WARNING))
    for path in ("/api/v1/boards", "/api/v1/health"):
        answer = await ask(url, path)
        assert BOARD.encode() not in answer.body
        assert shorten(BOARD).encode() in answer.body


async def test_a_stream_of_no_proper_board_is_refused(url: str) -> None:
    answer = await ask(url, "/api/v1/stream?board=a%20b")
    assert (answer.status, answer.json()["type"]) == (422, "/api/v1/problems/invalid")


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"name": "x" * 61}, "/name"),
        ({"name": "two\nlines"}, "/name"),
        ({"name": "turned \u202e round"}, "/name"),
        ({"name": "a\u0085b"}, "/name"),
        ({"name": None}, "/name"),
        ({"page": "home"}, "/page"),
        ({"visible": "yes"}, "/visible"),
        ({"visible": 1}, "/visible"),
        ({"sound": None}, "/sound"),
        ({"drawn": WARNING}, "/drawn"),
        ({"drawn": ["x"] * 501}, "/drawn"),
        ({"drawn": ["a b"]}, "/drawn/0"),
        ({"drawn": ["x" * 65]}, "/drawn/0"),
        ({"colour": "red"}, "/colour"),
    ],
)
async def test_a_board_that_does_not_fit_is_pointed_at(url: str, change: dict[str, Any], pointer: str) -> None:
    answer = await put(url, state(**change))
    assert (answer.status, answer.json()["type"]) == (422, "/api/v1/problems/invalid")
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
    assert (await ask(url, "/api/v1/boards")).json() == {"items": []}


async def test_a_board_may_have_no_name_and_as_many_warnings_as_are_taken(url: str) -> None:
    async with EventReader(url, board=BOARD):
        assert (await put(url, state(*(f"{number:024x}" for number in range(500)), name="  "))).status == 200
        [board] = (await ask(url, "/api/v1/boards")).json()["items"]
    assert (board["name"], board["drawn"]) == ("", 500)


@pytest.mark.parametrize("board", ["short", "x" * 41, "not_a_word", "gr%C3%BC%C3%9Fe-aus"])
async def test_a_board_has_a_proper_id(url: str, board: str) -> None:
    assert (await put(url, state(), board)).status == 404


async def test_a_board_too_many_is_a_problem(
    url: str, reader: FakeReader, watch: BoardWatch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "boards", open_boards())
    for number in range(BOARDS_MAX):
        watch.boards.hear(f"board-{number}", word(), reader.clock)
    answer = await put(url, state())
    assert (answer.status, answer.json()["type"]) == (503, "/api/v1/problems/too-many-boards")
    assert answer.headers["retry-after"] == "5"


async def test_another_sites_page_cannot_say_that_it_is_a_board(url: str) -> None:
    assert (await put(url, state(WARNING), **{"Sec-Fetch-Site": "cross-site"})).status == 403
