"""The live stream: order, catching up, and what a slow client costs the others (nothing)."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from monitor.adapters.web.client import Client
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.stream import Stream, encode_frame
from monitor.core.effects import PublishActive, PublishDoor, PublishEvent
from monitor.core.events import MonitorStarted
from monitor.core.times import SECOND
from tests.adapters.web.fake_reader import START, FakeReader, alert_document, door_document
from tests.adapters.web.http_client import DEADLINE_S, EventReader, ask, until


def tell_door(reader: FakeReader, state: str) -> None:
    reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", state)))


def names(chunk: bytes) -> list[str]:
    return [line[7:] for line in chunk.decode().split("\n") if line.startswith("event: ")]


def ids(chunk: bytes) -> list[str]:
    return [line[4:] for line in chunk.decode().split("\n") if line.startswith("id: ")]


def data(chunk: bytes) -> list[Any]:
    return [json.loads(line[6:]) for line in chunk.decode().split("\n") if line.startswith("data: ")]


def states(chunk: bytes) -> list[str]:
    return [entry["document"]["state"] for entry in data(chunk) if "door" in entry and entry.get("document")]


async def take(client: Client) -> bytes:
    async with asyncio.timeout(DEADLINE_S):
        return await anext(client)


def test_a_frame_is_what_the_standard_asks_for() -> None:
    """WHATWG HTML, "Parsing an event stream": fields by line, an event ends with an empty one."""
    assert encode_frame("door", {"a": "x\ny"}, "run-1") == b'id: run-1\nevent: door\ndata: {"a":"x\\ny"}\n\n'
    assert encode_frame("beat", 1) == b"event: beat\ndata: 1\n\n"


async def test_a_new_client_gets_the_picture_then_changes_in_order(reader: FakeReader, stream: Stream) -> None:
    client = stream.join(None)
    first = await take(client)
    assert first.startswith(b"retry: ")
    assert names(first) == ["snapshot", "beat"]
    alert = alert_document("ZZ-KAT", "L1", "wind-limit", "caution")
    reader.tell(
        PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", "open")),
        PublishActive("ZZ-KAT", "L1", "wind-limit", alert),
        PublishEvent("ZZ-KAT", "L1", "wind-limit", "raised", "e1", START, alert),
    )
    chunk = await take(client)
    assert names(chunk) == ["door", "active", "event"]
    numbers = [int(one.removeprefix("run-")) for one in ids(first) + ids(chunk)]
    assert numbers == list(range(numbers[0], numbers[0] + 4))
    assert '"time":"2026-03-01T10:15:00.000Z"' in chunk.decode()


async def test_a_known_id_gets_changes_only(reader: FakeReader, stream: Stream) -> None:
    first = ids(await take(stream.join(None)))[0]
    tell_door(reader, "open")
    tell_door(reader, "ajar")
    chunk = await take(stream.join(first))
    assert "snapshot" not in names(chunk)
    assert states(chunk) == ["open", "ajar"]
    assert names(chunk)[-1] == "beat"
    again = await take(stream.join(ids(chunk)[-1]))
    assert names(again) == ["beat"]


@pytest.mark.parametrize("given", ["", "run", "run-", "run-x", "other-3", "run-999", "run--3", "run-" + "9" * 40])
async def test_an_unknown_id_gets_a_new_picture(reader: FakeReader, stream: Stream, given: str) -> None:
    await take(stream.join(None))
    assert names(await take(stream.join(given)))[0] == "snapshot"


async def test_an_id_that_left_the_buffer_gets_a_new_picture(reader: FakeReader, stream: Stream) -> None:
    last = ids(await take(stream.join(None)))[0]
    for _ in range(3):
        tell_door(reader, "open")
        tell_door(reader, "ajar")
    assert names(await take(stream.join(last))) == ["door"] * 6 + ["beat"]
    tell_door(reader, "ajar")
    assert names(await take(stream.join(last)))[0] == "snapshot"


async def test_a_slow_client_starts_again_and_the_others_lose_nothing(reader: FakeReader, stream: Stream) -> None:
    slow, quick = stream.join(None), stream.join(None)
    await take(slow)
    await take(quick)
    seen = []
    for state in ["open", "ajar"] * 20:
        tell_door(reader, state)
        seen += states(await take(quick))
    assert seen == ["open", "ajar"] * 20
    assert stream.resyncs == 1
    chunk = await take(slow)
    assert names(chunk) == ["snapshot", "beat"]
    assert shown(chunk)["ZZ-KAT"]["doors"]["L1"]["state"] == "ajar"
    tell_door(reader, "open")
    assert states(await take(slow)) == ["open"]


def shown(chunk: bytes) -> dict[str, Any]:
    """The aircraft of a snapshot."""
    return {row["aircraft"]: row for row in data(chunk)[0]["aircraft"]}


async def test_what_comes_while_a_client_catches_up_is_told_once(reader: FakeReader, stream: Stream) -> None:
    for number in range(20):
        reader.add_aircraft(f"ZZ-{number:02}", {})
    client = stream.join(None)
    first = asyncio.create_task(take(client))
    await asyncio.sleep(0)
    tell_door(reader, "open")
    assert not first.done()
    chunk = await first
    assert shown(chunk)["ZZ-KAT"]["doors"]["L1"]["state"] == "open"
    assert len(shown(chunk)) == 22
    tell_door(reader, "ajar")
    assert states(await take(client)) == ["ajar"]


async def test_there_is_an_end_to_the_places(stream: Stream) -> None:
    clients = [stream.join(None) for _ in range(3)]
    with pytest.raises(ProblemError) as caught:
        stream.join(None)
    assert caught.value.kind == "too-many-streams"
    clients[0].leave()
    clients[0].leave()
    assert stream.clients == 2
    stream.join(None)


async def test_closing_ends_every_client_after_what_it_is_owed(reader: FakeReader, stream: Stream) -> None:
    client = stream.join(None)
    await take(client)
    tell_door(reader, "open")
    stream.close()
    assert names(await take(client)) == ["door"]
    with pytest.raises(StopAsyncIteration):
        await take(client)
    with pytest.raises(ProblemError):
        stream.join(None)


async def test_over_http_a_beat_comes_with_the_time_and_each_aircrafts_last_word(url: str, reader: FakeReader) -> None:
    async with EventReader(url) as events:
        assert events.status == 200
        assert events.headers["content-type"].startswith("text/event-stream")
        assert events.headers["cache-control"] == "no-store"
        assert (await events.next_event()).name == "snapshot"
        await events.wait_for("beat")
        reader.clock += 5 * SECOND
        reader.rows["ZZ-KAT"]["last_message_at"] = "2026-03-01T10:15:04.000Z"
        while True:
            beat = await events.wait_for("beat")
            assert beat.data["now"] <= "2026-03-01T10:15:05.000Z"
            if beat.data["heard"]["ZZ-KAT"] == "2026-03-01T10:15:04.000Z":
                break
        assert beat.id is None
        assert beat.data["health"]["ready"] is True
        assert beat.data["heard"]["ZZ-OLM"] == "2026-03-01T10:15:00.000Z"


async def test_over_http_a_row_that_changed_is_told_once(url: str, reader: FakeReader) -> None:
    async with EventReader(url) as events:
        await events.next_event()
        reader.rows["ZZ-KAT"]["presence"] = "powered_down"
        reader.rows["ZZ-KAT"]["age_s"] = 3.5
        del reader.rows["ZZ-OLM"]
        reader.tell(event=MonitorStarted())
        told = [(await events.wait_for("aircraft")).data for _ in range(2)]
        assert told[0]["document"]["presence"] == "powered_down"
        assert "age_s" not in told[0]["document"]
        assert told[1] == {"aircraft": "ZZ-OLM", "document": None}
        reader.rows["ZZ-KAT"]["age_s"] = 9.0
        reader.tell(event=MonitorStarted())
        for _ in range(3):
            assert (await events.next_event()).name == "beat"


async def test_a_new_aircraft_is_introduced_before_its_doors(url: str, reader: FakeReader) -> None:
    async with EventReader(url) as events:
        await events.next_event()
        reader.add_aircraft("ZZ-NEW", {})
        reader.tell(PublishDoor("ZZ-NEW", "L1", door_document("ZZ-NEW", "L1", "open")))
        heard = [await events.wait_for(name) for name in ("aircraft", "door")]
        assert [event.data["aircraft"] for event in heard] == ["ZZ-NEW", "ZZ-NEW"]


async def test_over_http_a_new_stream_goes_on_after_what_the_page_knows(url: str, reader: FakeReader) -> None:
    async with EventReader(url) as events:
        known = (await events.next_event()).id
        tell_door(reader, "open")
        async with EventReader(url, board=f"0123456789&after={known}") as again:
            assert (await again.next_event()).name == "door"


async def test_over_http_the_limit_is_a_problem(url: str) -> None:
    async with EventReader(url), EventReader(url), EventReader(url):
        answer = await ask(url, "/api/v1/stream")
        assert (answer.status, answer.json()["type"]) == (503, "/api/v1/problems/too-many-streams")
        assert answer.headers["retry-after"] == "5"


async def test_a_client_that_leaves_gives_its_place_up(url: str, stream: Stream) -> None:
    async with EventReader(url) as events:
        await events.next_event()
        assert stream.clients == 1
    await until(lambda: stream.clients == 0)


def test_a_board_has_a_stream_until_the_last_of_its_streams_ends(stream: Stream) -> None:
    first, second, nameless = stream.join(None, "one-board"), stream.join(None, "one-board"), stream.join(None)
    first.leave()
    first.leave()
    assert stream.carries("one-board")
    second.leave()
    assert not stream.carries("one-board")
    nameless.leave()
    assert not stream.carries("")


async def test_a_reader_that_fails_stops_the_beats_and_not_the_server(
    url: str, reader: FakeReader, caplog: pytest.LogCaptureFixture
) -> None:
    healthy = reader.healthy
    async with EventReader(url) as events:
        await events.wait_for("beat")
        reader.healthy = {"odd": object()}
        await until(lambda: "the live stream could not send" in caplog.text)
        assert (await ask(url, "/api/v1/aircraft")).status == 200
        reader.healthy = {**healthy, "instance": "again"}
        while (await events.wait_for("beat")).data["health"]["instance"] != "again":
            pass


async def test_nobody_is_told_anew_how_all_stands_once_their_stream_has_ended(
    reader: FakeReader, stream: Stream
) -> None:
    client = stream.join(None)
    await take(client)
    for _ in range(stream.queue_max + 1):
        tell_door(reader, "open")
    client.end()
    with pytest.raises(StopAsyncIteration):
        await take(client)
    client.leave()
