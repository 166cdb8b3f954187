"""A story under another configuration: exactly the alerts that are known to be gained, lost, earlier and later."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from typer.testing import CliRunner

from monitor.adapters.capture import CaptureLine, Note, read_capture, write_clock, write_line
from monitor.cli import app
from monitor.config import Config, default_config_path, load
from monitor.core.alarm_health import measure
from monitor.core.events import AlertAcknowledged, DoorReported
from monitor.core.times import MINUTE, SECOND, format_time
from monitor.engine import MESSAGE
from monitor.ports import Message
from monitor.recording.gaps import NOT_CONNECTED
from monitor.rerun import NothingOnRecordError
from monitor.trial.comparing import KINDS
from monitor.trial.running import try_capture, try_record
from monitor.trial.showing import show
from tests.engine_bench import arrival, reading
from tests.recorded import Past, demo_config
from tests.stories import REG, START

END = 80.0


def other_config() -> Config:
    """Locks are waited for longer, girt bars less long."""
    config = demo_config()
    thresholds = {"lock-disagree": {"on_delay_s": 4.0}, "girt-disagree": {"on_delay_s": 1.0}}
    return replace(config, site=replace(config.site, thresholds=thresholds))


STORY: list[tuple[float, str, Any]] = sorted(
    [
        (1, "door/CA/latched", False),
        (3, "door/CA/latched", True),
        (10, "door/CA/latched", False),
        (20, "door/CA/latched", True),
        (30, "door/R1/girt_left", True),
        (31.5, "door/R1/girt_left", False),
        (40, "door/R1/girt_left", True),
        (50, "door/R1/girt_left", False),
        *((beat + 0.5, "airframe/heartbeat", beat) for beat in range(4, 80, 5)),
        (2.5, "acknowledge", "lock-disagree"),
        (43, "acknowledge", "girt-disagree"),
        (44, "report", "L2"),
    ],
    key=lambda item: item[0],
)
"""A lock disagrees for 2 s and for 10 s, a girt bar for 1.5 s and for 10 s; people answer for what was raised."""


async def tell_story(past: Past) -> None:
    past.deliver(arrival())
    for at, what, value in STORY:
        await past.until(at)
        if what == "acknowledge":
            [*_, alert_id] = [e.data["alert_id"] for e in past.events() if e.code == value and e.type == "raised"]
            # Refused, since by what they saw it is another by now: it did nothing then, and does nothing again.
            await past.do(AlertAcknowledged(alert_id, "Ann", "seen", past.clock.now() - 1, "board"))
            await past.do(AlertAcknowledged(alert_id, "Ann", "seen", None, "board"))
        elif what == "report":
            await past.do(DoorReported(REG, value, (("barrier", True),), "Ann", "looked", "board"))
        else:
            past.deliver(reading(what, value, at))
    await past.until(END)
    past.engine.stop()


@pytest.fixture
def told() -> list[tuple[float | None, str]]:
    return []


def listed(document: dict[str, Any], kind: str) -> list[tuple[str, str, float | None]]:
    return [(row["code"], row["door"], row.get("moved_s")) for row in document["listed"][kind]]


def check_differences(document: dict[str, Any]) -> None:
    """What the two thresholds do to the story, and nothing else."""
    assert listed(document, "gained") == [("girt-disagree", "R1", None)]
    assert listed(document, "lost") == [("lock-disagree", "CA", None)]
    assert listed(document, "earlier") == [("girt-disagree", "R1", -1.0)]
    assert listed(document, "later") == [("lock-disagree", "CA", 3.0)]
    alerts = document["alerts"]
    assert [alerts[kind] for kind in KINDS[:4]] == [1, 1, 1, 1]
    assert alerts["earlier_s"] == {"mean": 1.0, "most": 1.0}
    assert alerts["later_s"] == {"mean": 3.0, "most": 3.0}
    assert alerts["old"] == alerts["lost"] + alerts["earlier"] + alerts["later"] + alerts["same"]
    assert alerts["new"] == alerts["gained"] + alerts["earlier"] + alerts["later"] + alerts["same"]
    codes = {row["code"]: row for row in document["by_code"]}
    assert {code for code, row in codes.items() if row["old"] != row["same"] or row["new"] != row["same"]} == {
        "girt-disagree",
        "lock-disagree",
    }


@pytest.mark.looptime
async def test_the_record_under_another_configuration(tmp_path: Path, told: list[tuple[float | None, str]]) -> None:
    past = Past()
    await tell_story(past)
    folder = past.write(tmp_path / "data")
    period = {"since": START, "until": START + 10 * MINUTE}
    document = try_record(folder, demo_config(), other_config(), **period, tell=lambda *share: told.append(share))
    check_differences(document)
    assert document["recorded_otherwise"] == []
    assert document["whole"]
    assert told[0][0] == 0.0
    # What was acknowledged and is not raised any more fits nothing; all else does, the alert that came earlier too.
    assert document["old"]["actions"] == {"applied": {"acknowledge": 2, "report": 1}, "no_longer_fit": {}}
    assert document["new"]["actions"] == {
        "applied": {"acknowledge": 1, "report": 1},
        "no_longer_fit": {"acknowledge": 1},
    }
    # Under the configuration that recorded it, the figures are the record's own.
    raised = [event for event in past.events() if event.type in ("raised", "reraised")]
    assert document["old"]["alarm_health"]["overall"]["raised"] == len(raised) == document["alerts"]["old"]
    again = try_record(folder, demo_config(), other_config(), **period, tell=lambda *_: None)
    assert again == document
    turned = try_record(folder, other_config(), demo_config(), **period, tell=lambda *_: None)
    assert turned["alerts"]["gained"] == turned["alerts"]["lost"] == 1
    assert turned["alerts"]["earlier_s"] == document["alerts"]["later_s"]
    assert turned["recorded_otherwise"] == [
        "thresholds.girt-disagree.on_delay_s",
        "thresholds.lock-disagree.on_delay_s",
    ]

    part = try_record(
        folder,
        demo_config(),
        other_config(),
        since=START + 25 * SECOND,
        until=START + 35 * SECOND,
        tell=lambda *_: None,
    )
    assert [part["alerts"][kind] for kind in KINDS[:4]] == [1, 0, 0, 0]
    assert part["length_s"] == 10.0
    with pytest.raises(NothingOnRecordError, match=r"the record holds inputs from 2026-03-01T10:00:00\.000Z to"):
        try_record(folder, demo_config(), other_config(), since=0, until=START, tell=lambda *_: None)
    elsewhere = replace(demo_config(), site=replace(demo_config().site, name="elsewhere"))
    with pytest.raises(NothingOnRecordError, match="is of the site tarnwick, and not of elsewhere"):
        try_record(folder, elsewhere, elsewhere, **period, tell=lambda *_: None)


async def write_capture(tmp_path: Path) -> Path:
    """The messages of the story."""
    past = Past()
    await tell_story(past)
    path = tmp_path / "story.jsonl"
    entries = [entry for entry in past.journal.entries if entry.kind == MESSAGE]
    path.write_bytes(
        b"".join(write_line(e.at, Message(e.topic, e.payload, e.retained)) for e in entries)
        + write_clock(START + round(END * SECOND))
    )
    return path


@pytest.mark.looptime
async def test_a_capture_under_another_configuration(tmp_path: Path) -> None:
    capture = await write_capture(tmp_path)
    words: list[str] = []
    document = try_capture(
        read_capture(capture), demo_config(), other_config(), name="story", since=None, until=None, tell=words.append
    )
    check_differences(document)
    assert words[0] == "0 messages"
    assert document["length_s"] == pytest.approx(END, abs=0.002)
    part = try_capture(
        read_capture(capture),
        demo_config(),
        other_config(),
        name="story",
        since=START + 25 * SECOND,
        until=START + 35 * SECOND,
        tell=words.append,
    )
    assert [part["alerts"][kind] for kind in KINDS[:4]] == [1, 0, 0, 0]
    with pytest.raises(NothingOnRecordError, match="nothing came from"):
        try_capture(
            read_capture(capture),
            demo_config(),
            demo_config(),
            name="s",
            since=START + MINUTE * 9,
            until=None,
            tell=words.append,
        )
    with pytest.raises(NothingOnRecordError, match="there is no line in it"):
        try_capture([], demo_config(), demo_config(), name="s", since=None, until=None, tell=words.append)


@pytest.mark.looptime
async def test_what_the_recorder_missed_is_a_gap_of_the_trial(tmp_path: Path) -> None:
    lines = list(read_capture(await write_capture(tmp_path)))
    missed = [CaptureLine(START + 5 * SECOND, None, Note("lost")), CaptureLine(START + 8 * SECOND, None, Note("back"))]
    document = try_capture(
        sorted([*lines, *missed], key=lambda line: line.at),
        demo_config(),
        other_config(),
        name="story",
        since=START + 6 * SECOND,
        until=None,
        tell=lambda _: None,
    )
    [gap] = document["gaps"]
    assert gap["why"] == NOT_CONNECTED
    assert (gap["from"], gap["to"]) == (format_time(START + 6 * SECOND), format_time(START + 8 * SECOND))
    out = io.StringIO()
    show(document, Console(file=out, width=160))
    assert f"Not on record: {gap['from']} to {gap['to']}, {NOT_CONNECTED}." in out.getvalue()


@pytest.mark.looptime
async def test_as_a_person_reads_it(tmp_path: Path) -> None:
    capture = await write_capture(tmp_path)
    document = try_capture(
        read_capture(capture), demo_config(), other_config(), name="story", since=None, until=None, tell=lambda _: None
    )
    out = io.StringIO()
    show({**document, "simulated": True, "whole": False}, Console(file=out, width=160))
    text = out.getvalue()
    assert "\x1b" not in text
    lines = {tuple(line.split()) for line in text.splitlines()}
    assert any(line[:3] == ("girt-disagree", "1", "2") for line in lines)
    assert "later" in text
    assert "+3 s" in text
    assert "-1 s" in text
    assert "up to 1 is acceptable, up to 2 manageable (IEC 62682, EEMUA 191)" in text
    assert "of simulated aircraft" in text
    assert "Earlier inputs are gone" in text
    assert "Advisory only" in text
    assert "Asked for up to" not in text
    out = io.StringIO()
    show({**document, "asked_until": "2026-03-02T00:00:00.000Z"}, Console(file=out, width=160))
    assert "Asked for up to 2026-03-02T00:00:00.000Z; the last input on record is of 2026-03-01T" in out.getvalue()
    bands = measure([], since=0, until=1, roles=())["bands"]
    assert bands["per_10_minutes"] == {"acceptable": 1, "manageable": 2}


# The command


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    monkeypatch.delenv("SILLWATCH_CONFIG", raising=False)
    runner = CliRunner()
    return lambda *arguments: runner.invoke(app, ["trial", *map(str, arguments)])


def write_config(path: Path, thresholds: str = "{}") -> Path:
    text = default_config_path().read_text(encoding="utf-8")
    assert "thresholds: {}" in text
    path.write_text(text.replace("thresholds: {}", f"thresholds: {thresholds}"), encoding="utf-8")
    load(path, environment={})
    return path


@pytest.mark.looptime
async def test_the_command_says_it_as_text_and_as_json(tmp_path: Path, cli: Callable[..., Any]) -> None:
    capture = await write_capture(tmp_path)
    new = write_config(tmp_path / "new.yaml", "{lock-disagree: {on_delay_s: 4}, girt-disagree: {on_delay_s: 1}}")
    said = cli("--config", new, "--capture", capture, "--json")
    assert said.exit_code == 0, said.output
    document = json.loads(said.stdout)
    check_differences(document)
    assert document["new"]["config"] == str(new)
    said = cli("--config", new, "--capture", capture)
    assert said.exit_code == 0
    assert f"Trial of {new} against {default_config_path()}" in said.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("--config", "{new}", "--data", "{none}"), 1, "there is no journal"),
        (("--config", "{bad}", "--data", "{none}"), 2, "no rule has this code"),
        (("--config", "{new}", "--data", "x", "--capture", "y"), 2, "give one"),
        (("--config", "{new}", "--capture", "{empty}"), 2, "there is no line in it"),
        (("--config", "{new}", "--capture", "{none}/x.jsonl"), 2, "cannot be read"),
        (("--config", "{new}", "--capture", "{empty}", "--since", "soon"), 2, "is no moment"),
        (("--config", "{new}", "--capture", "{empty}", "--zone", "Nowhere"), 2, "is no IANA time zone"),
        (("--config", "{site}", "--capture", "{empty}"), 2, "give two configs of one site"),
    ],
)
def test_what_is_wrong_is_said_in_a_line(
    arguments: tuple[str, ...], code: int, words: str, tmp_path: Path, cli: Callable[..., Any]
) -> None:
    site = tmp_path / "site.yaml"
    site.write_text("site: {name: elsewhere, elevation_m: 0, stands: [S1]}\n")
    bad = tmp_path / "bad.yaml"
    bad.write_text("site: {name: tarnwick, elevation_m: 0, stands: [S1]}\nthresholds: {no-such: {x: 1}}\n")
    (tmp_path / "empty.jsonl").touch()
    (tmp_path / "none").mkdir()
    places = {"new": write_config(tmp_path / "new.yaml"), "site": site, "bad": bad}
    places |= {"none": tmp_path / "none", "empty": tmp_path / "empty.jsonl"}
    said = cli(*(argument.format(**places) for argument in arguments))
    assert (said.exit_code, said.stdout) == (code, "")
    assert words in said.stderr
    assert len(said.stderr.strip().splitlines()) == 1
