"""What was watched live and what its inputs lead to offline are the same, to the byte.

The simulated apron, and some accidents beside it, are played to a real broker at many
times their pace; the capture is made of the inputs that the instance itself put on record.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from monitor.adapters.capture import write_clock, write_line
from monitor.adapters.journal_reader import JournalReader
from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.core.times import format_time
from monitor.engine import MESSAGE
from monitor.ports import Message
from simulators.scenario import find_scenario
from tests.acceptance.clients import Watcher
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import SITE, Program, running_broker, running_instance, sillwatch, until

pytestmark = pytest.mark.broker

SIMULATED_S = 150
SPEED = 10
PLAYED = {"apron": "ZZ-", "pressure": "ZA-", "evacuation": "ZB-", "bad-sensor": "ZC-", "slide-deployed": "ZD-"}
"""Scenario → what its registrations and stands begin with here, so that none meets another's."""

NOTHING_SHED = 65_535
"""Deliveries in flight: however slow the machine, none is left out, which a capture could not tell."""

EVENTS = f"sillwatch/v1/event/{SITE}/"
STATUS = "sillwatch/v1/status/"


class Recorded(NamedTuple):
    """One live run: its capture, what a subscriber saw, and what the history holds; ordered as told."""

    capture: Path
    published: list[dict[str, Any]]
    history: list[dict[str, Any]]


@pytest.fixture(scope="module")
def recorded(make_broker: MakeBroker, tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Play the apron to a live instance and keep what went in and what came out."""
    folder = tmp_path_factory.mktemp("recorded")
    config = folder / "patient.yaml"
    config.write_text(
        f"site: {{name: {SITE}, elevation_m: 210, stands: [S11]}}\nbroker: {{in_flight_max: {NOTHING_SHED}}}\n"
    )
    with (
        running_broker(make_broker("mosquitto")) as broker,
        running_instance(folder, broker, config=config) as instance,
    ):
        with Watcher(broker.url, folder, EVENTS + "#", STATUS + "+") as watcher:
            sent = sum(_play(broker.url, folder))
            until(
                lambda: instance.counter("sillwatch_messages_received_total") >= sent,
                "everything is taken",
                deadline_s=60,
            )
            # Once it has ended, everything that it took is judged and on record.
            assert instance.end()[0] == 0
            until(lambda: watcher.on(STATUS)[-1].json["state"] == "offline", "its last word")
            published = [seen.json for seen in watcher.on(EVENTS)]
        capture = folder / "recorded.jsonl"
        lines = list(_inputs(instance.data / JOURNAL_FILE))
        assert len(lines) == sent
        capture.write_bytes(b"".join(write_line(at, message) for at, message in lines) + write_clock(lines[-1][0]))
        instance.start()
        history = list(reversed(instance.list_all("/api/v1/history", limit=1000)))
    last = format_time(lines[-1][0])
    return Recorded(
        capture,
        [event for event in published if event["time"] <= last],
        [row for row in history if row["time"] <= last],
    )


def _play(broker: str, folder: Path) -> Iterator[int]:
    """Play every scenario at once to its end; yields how many messages each sent."""
    players = []
    wide = folder / "wide.yaml"
    stands = ", ".join(f"{prefix[:2]}1{n}" for prefix in PLAYED.values() for n in range(1, 7))
    wide.write_text(f"site: {{name: {SITE}, elevation_m: 210, stands: [{stands}]}}\n", encoding="utf-8")
    try:
        for name, prefix in PLAYED.items():
            scenario = folder / f"{name}.yaml"
            text = find_scenario(name).read_text(encoding="utf-8")
            text = text.replace("ZZ-", prefix).replace("stand: S1", f"stand: {prefix[:2]}1")
            scenario.write_text(text, encoding="utf-8")
            flags = (
                "--config",
                str(wide),
                "--broker",
                broker,
                "--speed",
                str(SPEED),
                "--seed",
                "3",
                "--duration",
                f"{SIMULATED_S}s",
            )
            players.append(sillwatch(folder, "simulate", str(scenario), *flags))
        for player in players:
            assert player.wait(90) == 0, player.err
            yield int(player.err.splitlines()[-1].split()[0])
    finally:
        for player in players:
            player.close()


def _inputs(journal: Path) -> Iterator[tuple[int, Message]]:
    with closing(JournalReader(journal)) as reader:
        for entry in reader.entries_after(0):
            # What the service proves itself with is no part of a capture.
            if entry.kind == MESSAGE and entry.topic.startswith("apron/"):
                yield entry.at, Message(entry.topic, entry.payload, entry.retained)


@pytest.fixture(scope="module")
def replays(recorded: Recorded) -> Iterator[list[Program]]:
    """The same capture, replayed twice side by side."""
    programs = [sillwatch(recorded.capture.parent, "replay", str(recorded.capture)) for _ in range(2)]
    yield programs
    for program in programs:
        program.close()


def test_the_run_was_worth_comparing(recorded: Recorded) -> None:
    codes = {event["data"]["code"] for event in recorded.published}
    types = {event["type"].removeprefix("sillwatch.alert.") for event in recorded.published}
    assert len(codes) >= 4, codes
    assert types >= {"raised", "cleared"}
    assert len(recorded.published) >= 20


def test_replay_gives_the_events_of_the_live_run(recorded: Recorded, replays: list[Program]) -> None:
    program = replays[0]
    assert program.wait(60) == 0
    assert program.err == ""
    replayed = [json.loads(line) for line in program.out.splitlines()]
    assert [_brief(event) for event in replayed] == [_brief(event) for event in recorded.published]
    assert replayed == recorded.published


def test_the_history_holds_the_same(recorded: Recorded) -> None:
    keys = ("id", "type", "time", "data")
    held = {row["id"]: {key: row[key] for key in keys} for row in recorded.history}
    assert held == {event["id"]: {key: event[key] for key in keys} for event in recorded.published}
    assert len(recorded.history) == len(held)


def test_two_replays_are_the_same_to_the_byte(replays: list[Program]) -> None:
    first, second = replays
    assert (first.wait(60), second.wait(60)) == (0, 0)
    assert first.out
    assert first.out == second.out
    times = [json.loads(line)["time"] for line in first.out.splitlines()]
    assert times == sorted(times), "ordered by their time"


def _brief(event: dict[str, Any]) -> tuple[str, str, str, str]:
    return (event["time"], event["type"], event["subject"], event["data"]["code"])
