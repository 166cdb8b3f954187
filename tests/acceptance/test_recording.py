"""``sillwatch capture`` and ``replay`` on real brokers: killed, read, and played to a monitor again."""

from __future__ import annotations

import contextlib
import itertools
import json
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.core.times import HOUR, SECOND, format_time, parse_time
from monitor.recording.reading import Captures
from tests.acceptance.clients import publish
from tests.acceptance.conftest import Live
from tests.acceptance.programs import SITE, Program, sillwatch, until

pytestmark = pytest.mark.broker

_NUMBER = itertools.count()


@contextlib.contextmanager
def recording(live: Live, folder: Path, file: str, *flags: str) -> Iterator[Program]:
    """A recorder that listens already."""
    program = sillwatch(folder, "capture", str(folder / file), "--broker", live.url, *flags)
    try:
        until(lambda: "recording " in program.err or not program.running, lambda: f"it records; {program.err}")
        yield program
    finally:
        program.close()


def payloads(folder: Path, topic: str) -> list[bytes]:
    """What is on file of a topic; a part of a line that may be there is passed over."""
    lines = Captures([folder], told=lambda _: None).lines()
    return [line.message.payload for line in lines if line.message is not None and line.message.topic == topic]


@pytest.mark.parametrize("flags", [(), ("--compress", "gzip", "--rotate-mb", "1")])
def test_a_recorder_that_is_killed_loses_nothing_that_it_had_acknowledged(
    live: Live, flags: tuple[str, ...], tmp_path: Path
) -> None:
    topic = f"apron/v1/{SITE}/note/{next(_NUMBER)}"
    folder = tmp_path / "captures"
    folder.mkdir()
    sent = [b'{"n": %d, "text": "Gr\xc3\xbc\xc3\x9fe"}' % n for n in range(3)] + [b"", b"\xff{", b'{"n":3.10}']
    # Retained before it listens, and known by that.
    publish(live.url, topic + "/kept", b'{"n": 0}', retain=True)
    with recording(live, folder, "apron.jsonl", *flags) as program:
        for payload in sent:
            publish(live.url, topic, payload)
        until(lambda: len(payloads(folder, topic)) == len(sent), "all is on file")
        program.end(signal.SIGKILL)
    assert payloads(folder, topic) == sent
    lines = list(Captures([folder], told=lambda _: None).lines())
    kept = [line.message for line in lines if line.message is not None and line.message.topic == topic + "/kept"]
    assert [(message.payload, message.retained) for message in kept] == [(b'{"n": 0}', True)]
    publish(live.url, topic + "/kept", b"", retain=True)


def test_a_recorder_ends_by_itself_and_says_how_many(live_mosquitto: Live, tmp_path: Path) -> None:
    live = live_mosquitto
    topic = f"bench/{next(_NUMBER)}"
    with recording(live, tmp_path, "bench.jsonl", "--topics", "bench/#", "--topics", "other/+") as program:
        publish(live.url, topic, b"1")
        publish(live.url, "other/x", b"2")
        until(lambda: len((tmp_path / "bench.jsonl").read_bytes().splitlines()) == 2, "both are on file")
        code, _ = program.end(signal.SIGINT)
    assert code == 0
    assert program.out == ""
    assert program.err.splitlines()[-1] == "2 messages in 1 file"
    again = sillwatch(tmp_path, "capture", str(tmp_path / "bench.jsonl"), "--broker", live.url)
    assert again.wait() == 2
    assert "is there already and is not written over" in again.err
    again.close()


def test_what_was_recorded_is_played_to_a_monitor(live_mosquitto: Live, tmp_path: Path) -> None:
    """Recorded on one broker at one time, judged now: neither late nor skewed, and marked as simulated."""
    live = live_mosquitto
    with recording(live, tmp_path, "story.jsonl") as program:
        sender = live.arrived()
        sender.at_door("L1", lever_armed=True, girt_left=True, girt_right=True, pin_fitted=False)
        sender.send("door/L1/handle_lifted", True, retain=True)
        live.instance.wait_alert(sender.reg, "armed-handle-moved", "L1")
        until(lambda: payloads(tmp_path, f"{sender.root}/door/L1/handle_lifted"), "it is on file")
        assert program.end(signal.SIGINT)[0] == 0
    # Another aircraft does the same, on another day by its stamps.
    other = live.sender()
    story = tmp_path / "other.jsonl"
    heard = (tmp_path / "story.jsonl").read_text().splitlines()
    lines = [line.replace(sender.reg, other.reg) for line in heard if sender.reg in line]
    story.write_text("".join(line + "\n" for line in map(long_ago, lines)))
    played = sillwatch(tmp_path, "replay", str(story), "--broker", live.url, "--speed", "5")
    assert played.wait() == 0
    assert played.err.strip() == f"{len(story.read_text().splitlines())} messages sent"
    alert = live.instance.wait_alert(other.reg, "armed-handle-moved", "L1")
    played.close()
    assert alert["simulated"] is True
    assert "late" not in alert
    assert live.instance.alert(other.reg, "clock-skew") is None


AGO = 300 * 24 * HOUR


def long_ago(line: str) -> str:
    """The same line of another day; a sensor's own stamp stays as far from its receipt as it was.

    Receipts are whole milliseconds: as stamps, they would make one moment of what was heard together.
    """
    row: dict[str, Any] = json.loads(line)
    row["at"] = format_time(parse_time(row["at"]) - AGO)
    if "time" in (row.get("payload") or {}):
        row["payload"]["time"] -= AGO / SECOND
    return json.dumps(row)
