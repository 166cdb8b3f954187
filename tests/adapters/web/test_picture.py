"""What pages show and how they learn of changes that nobody announced: whoever misses what, all end with one picture."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

import pytest

from monitor.adapters.web.client import Client
from monitor.adapters.web.stream import Stream
from monitor.core.effects import NoteDeafness, PublishActive, PublishDoor, PublishReadiness
from monitor.core.events import BrokerDisconnected, ReadingsArrived, StandReadingArrived
from monitor.core.signals import Quality
from monitor.core.times import SECOND, format_time
from tests.adapters.web.fake_reader import START, FakeReader, alert_document, door_document, stand_document
from tests.adapters.web.http_client import DEADLINE_S, until

HEARD = ReadingsArrived("ZZ-KAT", "topic", True, START, 1, False, False, ())
WIND = StandReadingArrived("S12", "topic", START, 1, False, False, "wind_kt", 9.0, Quality.GOOD)
PERMIT = {"permit_id": "ab12", "kind": "drill", "until": format_time(START), "seconds_left": 60.0}


class Page:
    """What a page shows after everything that it was told."""

    def __init__(self, stream: Stream, after: str | None = None) -> None:
        self.client: Client = stream.join(after)
        self.told: list[tuple[str, Any]] = []
        self.last_id = after
        self.rows: dict[str, Any] = {}

    async def read(self) -> list[str]:
        """Read the next chunk; returns the names of its frames."""
        async with asyncio.timeout(DEADLINE_S):
            chunk = await anext(self.client)
        frames = []
        for block in chunk.decode().removeprefix("retry: 1000\n\n").split("\n\n")[:-1]:
            fields = dict(line.split(": ", 1) for line in block.split("\n"))
            data = json.loads(fields["data"])
            self.last_id = fields.get("id", self.last_id)
            frames.append((fields["event"], data))
            if fields["event"] == "snapshot":
                self.rows = {row["aircraft"]: row for row in data["aircraft"]}
            elif fields["event"] == "aircraft":
                self.rows[data["aircraft"]] = data["document"]
        self.told += frames
        return [name for name, _ in frames]

    async def wait_for(self, name: str) -> Any:
        """Read on to a frame of that name."""
        while not any(told == name for told, _ in self.told):
            await self.read()
        place = next(place for place, (told, _) in enumerate(self.told) if told == name)
        data = self.told[place][1]
        del self.told[: place + 1]
        return data


@pytest.fixture
async def beating(stream: Stream) -> AsyncIterator[Stream]:
    """The stream with its beats and sweeps running."""
    beats = asyncio.create_task(stream.serve_beats())
    yield stream
    beats.cancel()
    await asyncio.gather(beats, return_exceptions=True)


async def test_a_snapshot_holds_everything_that_a_board_draws(reader: FakeReader, stream: Stream) -> None:
    reader.running = [PERMIT]
    reader.answers["ZZ-KAT"] = {"aircraft": "ZZ-KAT", "ready": "cannot tell"}
    reader.rows["ZZ-KAT"]["age_s"] = 1.5
    snapshot = await Page(stream).wait_for("snapshot")
    assert set(snapshot) == {
        "site", "timezone", "now", "health", "types", "stands", "permits", "aircraft", "alerts",
    }  # fmt: skip
    assert snapshot["types"] == reader.kinds
    assert snapshot["stands"] == reader.weather
    assert snapshot["permits"] == [PERMIT]
    rows = {row["aircraft"]: row for row in snapshot["aircraft"]}
    assert rows["ZZ-KAT"]["readiness"] == {"aircraft": "ZZ-KAT", "ready": "cannot tell"}
    assert rows["ZZ-OLM"]["readiness"] is None
    assert rows["ZZ-KAT"]["age_s"] == 1.5
    assert rows["ZZ-KAT"]["doors"] == reader.doors["ZZ-KAT"]
    assert [alert["code"] for alert in snapshot["alerts"]] == ["armed-handle-moved", "unsecured-leaf"]
    assert (snapshot["site"], snapshot["now"]) == ("tarnwick", "2026-03-01T10:15:00.000Z")


async def test_alerts_stand_as_the_list_has_them(reader: FakeReader, stream: Stream) -> None:
    reader.active = [
        alert_document("ZZ-KAT", "L1", "a", "warning", state="acknowledged"),
        alert_document("ZZ-KAT", "L1", "b", "caution", raised_at=format_time(START)),
        alert_document("ZZ-KAT", "L1", "c", "warning", raised_at=format_time(START)),
        alert_document("ZZ-KAT", "L1", "d", "warning", raised_at=format_time(START + SECOND)),
    ]
    snapshot = await Page(stream).wait_for("snapshot")
    assert [alert["code"] for alert in snapshot["alerts"]] == ["d", "c", "b", "a"]


async def test_an_aircraft_that_is_away_has_no_doors(reader: FakeReader, stream: Stream) -> None:
    """Its retained documents are emptied when it leaves: a page that starts later shows the same."""
    reader.rows["ZZ-OLM"]["presence"] = "away"
    page = Page(stream)
    await page.read()
    assert page.rows["ZZ-OLM"]["doors"] == {}


async def test_answers_are_told_and_kept(reader: FakeReader, stream: Stream) -> None:
    page = Page(stream)
    await page.read()
    reader.tell(PublishReadiness("ZZ-KAT", {"departure": "no"}))
    assert await page.wait_for("readiness") == {"aircraft": "ZZ-KAT", "document": {"departure": "no"}}
    reader.clock += SECOND
    later = Page(stream)
    await later.read()
    assert later.rows["ZZ-KAT"]["readiness"] == {"departure": "no"}
    reader.tell(PublishReadiness("ZZ-KAT", None))
    assert (await page.wait_for("readiness"))["document"] is None


async def test_a_second_page_gets_the_same_snapshot_and_what_came_after_it(reader: FakeReader, stream: Stream) -> None:
    first, second = Page(stream), Page(stream)
    assert await first.read() == ["snapshot", "beat"]
    reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", "open")))
    assert await second.read() == ["snapshot", "door", "beat"]
    assert second.told[0] == first.told[0]
    reader.clock += SECOND
    second.client.leave()
    third = Page(stream)
    assert await third.read() == ["snapshot", "beat"]
    assert third.rows["ZZ-KAT"]["doors"]["L1"]["state"] == "open"


async def test_a_row_that_changed_back_after_a_snapshot_is_told(reader: FakeReader, beating: Stream) -> None:
    """A page that joined between two sweeps must not keep what only its snapshot said."""
    early = Page(beating)
    await early.read()
    reader.rows["ZZ-KAT"]["stand"] = "S13"
    reader.clock += SECOND
    reader.tell(event=HEARD)
    late = Page(beating)
    await late.read()
    assert late.rows["ZZ-KAT"]["stand"] == "S13"
    reader.rows["ZZ-KAT"]["stand"] = "S12"
    reader.tell(event=HEARD)
    while {page.rows["ZZ-KAT"]["stand"] for page in (early, late)} != {"S12"}:
        await early.read()
        await late.read()


async def test_a_page_that_comes_back_learns_what_nobody_watched(reader: FakeReader, beating: Stream) -> None:
    page = Page(beating)
    await page.read()
    page.client.leave()
    reader.rows["ZZ-KAT"]["presence"] = "powered_down"
    reader.weather["S12"] = stand_document("S12", None)
    reader.running = [PERMIT]
    del reader.rows["ZZ-OLM"]
    reader.add_aircraft("ZZ-NEW", {})
    reader.tell(event=HEARD)
    again = Page(beating, page.last_id)
    names = await again.read()
    assert "snapshot" not in names
    assert sorted(names) == ["aircraft", "aircraft", "aircraft", "beat", "permits", "stand"]
    assert again.rows["ZZ-KAT"]["presence"] == "powered_down"
    assert again.rows["ZZ-OLM"] is None
    assert again.rows["ZZ-NEW"]["stand"] == "S12"


async def test_whoever_was_away_for_too_long_gets_a_snapshot(reader: FakeReader, stream: Stream) -> None:
    page = Page(stream)
    await page.read()
    page.client.leave()
    for state in ["open", "ajar"] * 4:
        reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", state)))
    assert (await Page(stream, page.last_id).read())[0] == "snapshot"


async def test_an_id_from_before_the_picture_was_let_go_is_not_known(reader: FakeReader, stream: Stream) -> None:
    """Whatever its number: rows may have changed without a frame while nobody watched."""
    page = Page(stream)
    await page.read()
    page.client.leave()
    for _ in range(7):
        reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", "open")))
    assert page.last_id is not None
    run, _, number = page.last_id.rpartition("-")
    for later in range(int(number), int(number) + 8):
        other = Page(stream, f"{run}-{later}")
        assert (await other.read())[0] == "snapshot"
        other.client.leave()


@pytest.mark.parametrize(
    "event", [HEARD, BrokerDisconnected("gone"), None], ids=["a message", "the broker", "nothing at all"]
)
async def test_a_changed_row_is_found_whatever_changed_it(reader: FakeReader, beating: Stream, event: Any) -> None:
    """Without a word of it, its turn comes: within a beat everyone is looked at."""
    page = Page(beating)
    await page.read()
    reader.rows["ZZ-KAT"]["feed"] = "lost"
    if event is not None:
        reader.tell(event=event)
    assert (await page.wait_for("aircraft"))["document"]["feed"] == "lost"


async def test_what_can_no_longer_be_seen_has_the_row_looked_at(reader: FakeReader, stream: Stream) -> None:
    page = Page(stream)
    await page.read()
    reader.rows["ZZ-KAT"]["deaf_to"] = [{"code": "pressurised"}]
    reader.tell(NoteDeafness("ZZ-KAT", "-", START, ()))
    reader.clock += SECOND
    later = Page(stream)
    await later.read()
    assert later.rows["ZZ-KAT"]["deaf_to"] == [{"code": "pressurised"}]
    assert (await page.wait_for("aircraft"))["document"]["deaf_to"] == [{"code": "pressurised"}]


async def test_a_stand_is_told_when_more_than_its_age_changed(reader: FakeReader, beating: Stream) -> None:
    page = Page(beating)
    await page.read()
    reader.weather["S12"] = stand_document("S12", 10.0, received_at=format_time(START + SECOND))
    reader.tell(event=WIND)
    for _ in range(3):
        assert await page.read() == ["beat"]
    reader.weather["S12"] = stand_document("S12", 31.0)
    reader.tell(event=WIND)
    assert await page.wait_for("stand") == {"stand": "S12", "document": reader.weather["S12"]}
    reader.weather["S12"] = stand_document("S12", None)
    assert (await page.wait_for("stand"))["document"]["wind_kt"] is None
    del reader.weather["S12"]
    assert await page.wait_for("stand") == {"stand": "S12", "document": None}


async def test_permits_are_told_as_they_come_and_go(reader: FakeReader, beating: Stream) -> None:
    page = Page(beating)
    await page.read()
    reader.running = [PERMIT]
    assert await page.wait_for("permits") == {"permits": [PERMIT]}
    reader.running = [{**PERMIT, "seconds_left": 59.0}]
    for _ in range(3):
        assert await page.read() == ["beat"]
    reader.running = []
    assert await page.wait_for("permits") == {"permits": []}


async def test_permits_are_asked_for_once_a_sweep(reader: FakeReader, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many aircraft were heard of since the last."""
    for number in range(40):
        reader.add_aircraft(f"ZZ-{number:02}", {})
    stream = Stream(reader)
    await Page(stream).read()
    asked = 0
    permits = reader.permits

    def count() -> list[dict[str, Any]]:
        nonlocal asked
        asked += 1
        return permits()

    monkeypatch.setattr(reader, "permits", count)
    stream._touched.update(reader.registrations())
    await stream._sweep(beats=False)
    assert asked == 1


async def test_an_alert_that_ended_is_in_no_snapshot(reader: FakeReader, stream: Stream) -> None:
    await Page(stream).read()
    reader.tell(PublishActive("ZZ-KAT", "L1", "armed-handle-moved", None))
    reader.clock += SECOND
    snapshot = await Page(stream).wait_for("snapshot")
    assert [alert["code"] for alert in snapshot["alerts"]] == ["unsecured-leaf"]


async def test_a_page_that_goes_while_it_waits_leaves_nothing_behind(reader: FakeReader, stream: Stream) -> None:
    for number in range(20):
        reader.add_aircraft(f"ZZ-{number:02}", {})
    page = Page(stream)
    reading = asyncio.create_task(page.read())
    await asyncio.sleep(0)
    reading.cancel()
    await asyncio.gather(reading, return_exceptions=True)
    page.client.leave()
    assert stream.clients == 0
    whole = Page(stream)
    await whole.read()
    assert len(whole.rows) == 22


async def test_a_reader_that_failed_once_is_asked_again(
    reader: FakeReader, beating: Stream, caplog: pytest.LogCaptureFixture
) -> None:
    page = Page(beating)
    await page.read()
    row = reader.rows["ZZ-KAT"]
    reader.rows["ZZ-KAT"] = {"aircraft": "ZZ-KAT", "odd": object()}
    await until(lambda: "the live stream could not send" in caplog.text)
    reader.rows["ZZ-KAT"] = {**row, "feed": "silent"}
    assert (await page.wait_for("aircraft"))["document"]["feed"] == "silent"
