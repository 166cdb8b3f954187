"""The command line: what is said where, and with which exit code.

Every command runs as a process of its own. Exit codes: 0 done, 1 failed, 2 wrong use or
wrong config; an error is one readable line on stderr, never a traceback.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor import __version__
from monitor.adapters.capture import write_clock, write_line
from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.config import default_config_path, load
from monitor.core.times import SECOND
from monitor.ports import Message
from tests.acceptance.programs import Program, free_port, plain_environment, sillwatch
from tests.debrief.records import tell_story
from tests.stories import ARMED, REG, START, demo_site, healthy_door

COMMANDS = ("run", "demo", "simulate", "capture", "replay", "trial", "check", "audit")
ROOT = f"apron/v1/{demo_site().name}/aircraft/{REG}"

Cli = Callable[..., Program]


@pytest.fixture
def cli(tmp_path: Path) -> Iterator[Cli]:
    """Run a command to its end in a folder of its own."""
    programs: list[Program] = []

    def run(*arguments: str, stdin: Path | None = None, **environment: str) -> Program:
        program = sillwatch(tmp_path, *arguments, stdin=stdin, environment=plain_environment(**environment))
        programs.append(program)
        program.wait(60)
        return program

    yield run
    for program in programs:
        program.close()


@pytest.fixture(scope="module", autouse=True)
def hopeless(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Program, str]]:
    """A player whose broker is not there; it is patient, so it starts before the first test."""
    address = f"127.0.0.1:{free_port()}"
    folder = tmp_path_factory.mktemp("hopeless")
    program = sillwatch(folder, "simulate", "quiet", "--broker", f"mqtt://{address}")
    yield program, address
    program.close()


def complaint(program: Program, code: int) -> list[str]:
    """The lines on stderr of a command that failed as it should."""
    assert program.code == code, f"{program.code}: {program.err}"
    assert "Traceback" not in program.err
    assert program.out == ""
    lines = program.err.strip().splitlines()
    assert lines
    return lines


def said_in_one_line(program: Program, code: int) -> str:
    [line] = complaint(program, code)
    return line


# Use


def test_the_command_line_loads_what_a_command_does_only_with_that_command() -> None:
    heavy = ("debrief.reports", "recording.reading", "rerun", "trial.running", "wiring")
    look = f"import sys, monitor.cli; print([n for n in {heavy} if f'monitor.{{n}}' in sys.modules])"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_help_names_every_command(cli: Cli) -> None:
    program = cli("--help")
    assert (program.code, program.err) == (0, "")
    assert "Advisory only" in " ".join(program.out.split())
    for command in COMMANDS:
        assert f"\n  {command}" in program.out
    assert max(map(len, program.out.splitlines())) <= 100


@pytest.mark.parametrize(
    ("command", "flags"),
    [
        ("run", ("--config", "--broker", "--http", "--data")),
        ("demo", ("--speed", "--seed", "--http", "--data")),
        ("simulate", ("--broker", "--speed", "--seed")),
        ("replay", ("--config",)),
        ("check", ("--config",)),
    ],
)
def test_help_names_every_flag(cli: Cli, command: str, flags: tuple[str, ...]) -> None:
    program = cli(command, "--help")
    assert (program.code, program.err) == (0, "")
    assert program.out.startswith(f"Usage: sillwatch {command}")
    for flag in flags:
        assert f"  {flag}" in program.out
    assert "Traceback" not in program.out


def test_no_command_shows_the_help(cli: Cli) -> None:
    program = cli()
    assert program.code == 2
    assert "Usage: sillwatch" in program.out + program.err


def test_version(cli: Cli) -> None:
    program = cli("--version")
    assert (program.code, program.out, program.err) == (0, f"sillwatch {__version__}\n", "")


@pytest.mark.parametrize(
    "arguments",
    [
        ("fly",),
        ("--fly",),
        *((command, "--fly") for command in COMMANDS),
        ("run", "now"),
        ("replay",),
        ("demo", "--speed", "fast"),
        ("demo", "--seed", "-1"),
    ],
    ids=" ".join,
)
def test_wrong_use_is_2(cli: Cli, arguments: tuple[str, ...]) -> None:
    [line] = complaint(cli(*arguments), 2)
    assert line.startswith("sillwatch")
    assert line.endswith("--help says more)")


# Configuration


def test_check_of_the_shipped_config(cli: Cli) -> None:
    program = cli("check")
    assert (program.code, program.err) == (0, "")
    [line] = program.out.splitlines()
    assert line.startswith(f"{default_config_path()}: fine")
    for word in ("tarnwick", "6 stands", "alder", "birch", "cedar", "hazel", "larch"):
        assert word in line


def test_check_names_file_line_and_key(cli: Cli, tmp_path: Path) -> None:
    config = tmp_path / "bad.yaml"
    config.write_text(
        "site:\n  name: tarnwick\n  elevation_m: high\n  stands: [S11]\nbroker:\n  ulr: mqtt://127.0.0.1\n"
        "http: {port: 70000}\n"
    )
    lines = complaint(cli("check", "--config", str(config)), 2)
    assert len(lines) == 3
    for line, (number, key) in zip(lines, ((3, "site.elevation_m"), (6, "broker.ulr"), (7, "http.port")), strict=True):
        assert line.startswith(f"{config}:{number}: {key}: ")
    assert "url" in lines[1], "what would be right"


@pytest.mark.parametrize("command", ["run", "replay", "check", "simulate"])
def test_a_config_that_is_not_there(cli: Cli, command: str) -> None:
    argument = {"replay": ["-"], "simulate": ["quiet"]}.get(command, [])
    assert "nowhere.yaml" in said_in_one_line(cli(command, *argument, "--config", "nowhere.yaml"), 2)


@pytest.mark.parametrize("command", ["run", "replay", "simulate"])
def test_a_wrong_config_stops_every_command(cli: Cli, tmp_path: Path, command: str) -> None:
    config = tmp_path / "bad.yaml"
    shutil.copy(default_config_path(), config)
    config.write_text(config.read_text().replace("elevation_m: 210", "elevation_m: 99999").replace("types: []", ""))
    argument = {"replay": ["-"], "simulate": ["quiet"]}.get(command, [])
    line = said_in_one_line(cli(command, *argument, "--config", str(config)), 2)
    assert line.startswith(f"{config}:")
    assert "site.elevation_m" in line


@pytest.mark.parametrize(
    ("flag", "value"),
    [
        ("--broker", "carrier-pigeon://loft"),
        ("--broker", "mqtt://127.0.0.1:99999"),
        ("--http", "127.0.0.1:99999"),
        ("--http", "127.0.0.1:web"),
    ],
)
def test_a_flag_that_cannot_be_right(cli: Cli, flag: str, value: str) -> None:
    assert flag in said_in_one_line(cli("run", flag, value), 2)


def test_an_environment_variable_is_named(cli: Cli) -> None:
    assert "SILLWATCH_HTTP__PORT" in said_in_one_line(cli("run", SILLWATCH_HTTP__PORT="web"), 2)
    assert "SILLWATCH_BROKER__URL" in said_in_one_line(cli("run", SILLWATCH_BROKR__URL="mqtt://127.0.0.1"), 2)


def test_without_anybody_to_sign_in_it_serves_loopback_only(cli: Cli, tmp_path: Path) -> None:
    line = said_in_one_line(cli("run", "--http", "0.0.0.0:0", "--data", "kept"), 1)
    assert line == (
        "sillwatch: cannot listen on 0.0.0.0:0: it can be reached from other machines and nobody can sign in; "
        "run `sillwatch user add NAME --role administrator --data kept`, or give a loopback address such as 127.0.0.1"
    )
    assert not (tmp_path / "kept").exists()


def test_check_says_that_nobody_could_sign_in(cli: Cli, tmp_path: Path) -> None:
    config = tmp_path / "site.yaml"
    config.write_text(default_config_path().read_text().replace("host: 127.0.0.1", "host: 0.0.0.0"))
    program = cli("check", "--config", str(config))
    assert program.code == 0, program.err
    line, unencrypted = program.err.splitlines()
    assert line.startswith(f"{config}: http.host: cannot listen on 0.0.0.0:8080: ")
    assert unencrypted.startswith(f"{config}: http.host: passwords cross the network unencrypted; ")
    assert "sillwatch user add NAME --role administrator --data data" in line
    assert not (tmp_path / "data").exists()


def test_a_password_file_that_is_not_there(cli: Cli, tmp_path: Path) -> None:
    missing = tmp_path / "secret"
    login = {"SILLWATCH_BROKER__USER": "sill", "SILLWATCH_BROKER__PASSWORD_FILE": str(missing)}
    program = cli("run", "--http", "127.0.0.1:0", **login)
    assert str(missing) in said_in_one_line(program, 1)


def test_a_data_folder_that_cannot_be_made(cli: Cli) -> None:
    line = said_in_one_line(cli("run", "--http", "127.0.0.1:0", "--data", "/proc/nothing"), 1)
    assert "/proc/nothing" in line


def test_a_data_folder_that_is_a_file(cli: Cli, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("here\n")
    assert str(file) in said_in_one_line(cli("run", "--http", "127.0.0.1:0", "--data", str(file)), 1)


# Replay


def reading(at_s: float, path: str, value: object) -> bytes:
    payload = json.dumps({"time": (START + round(at_s * SECOND)) / SECOND, "value": value}).encode()
    return write_line(START + round(at_s * SECOND), Message(f"{ROOT}/{path}", payload, False))


def armed_handle() -> list[bytes]:
    """An alder whose armed front left door's handle is lifted and put back."""
    lines = [reading(0, "airframe/type", "alder")]
    door = {**healthy_door(demo_site().types["alder"].doors["L1"]), **ARMED}
    lines += [reading(0, f"door/L1/{name}", value) for name, value in door.items()]
    lines += [reading(1, "door/L1/handle_lifted", True), reading(2, "door/L1/handle_lifted", False)]
    return lines


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "story.jsonl"
    path.write_bytes(b"".join(armed_handle()) + write_clock(START + 5 * SECOND))
    return path


def test_a_journal_with_what_nobody_here_can_read_is_one_line(cli: Cli, tmp_path: Path) -> None:
    folder = tell_story().write(tmp_path / "data")
    with contextlib.closing(sqlite3.connect(folder / JOURNAL_FILE)) as journal, journal:
        journal.execute("DELETE FROM snapshots")
        journal.execute("UPDATE inputs SET kind = 'moon-rose' WHERE position = (SELECT max(position) FROM inputs)")
    said = said_in_one_line(cli("run", "--data", str(folder), "--http", f"127.0.0.1:{free_port()}"), 1)
    assert "cannot be read" in said
    assert said_in_one_line(cli("report", "handover", "--data", str(folder)), 1) in said


def test_replay_writes_events_and_nothing_else(cli: Cli, capture: Path) -> None:
    program = cli("replay", str(capture))
    assert (program.code, program.err) == (0, "")
    events = [json.loads(line) for line in program.out.splitlines()]
    assert [(e["type"], e["time"]) for e in events] == [
        ("sillwatch.alert.raised", "2026-03-01T10:00:01.000Z"),
        ("sillwatch.alert.cleared", "2026-03-01T10:00:02.000Z"),
    ]
    assert {e["data"]["code"] for e in events} == {"armed-handle-moved"}


def test_replay_writes_the_same_with_and_without_procedures(cli: Cli, capture: Path, tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    site = tmp_path / "site.yaml"
    site.write_text(default_config_path().read_text(encoding="utf-8") + "\nprocedures: none\n", encoding="utf-8")
    assert load(site).site.procedures == {} != demo_site().procedures
    program = cli("replay", "--config", str(site), str(capture))
    assert (program.code, program.err) == (0, "")
    assert program.out == cli("replay", str(capture)).out != ""


def test_replay_says_what_the_recorder_missed(cli: Cli, capture: Path, tmp_path: Path) -> None:
    lines = capture.read_text(encoding="utf-8").splitlines(keepends=True)
    at = json.loads(lines[-4])["at"]
    gapped = tmp_path / "gapped.jsonl"
    lost = json.dumps({"at": at, "connection": "lost"})
    gapped.write_text("".join([*lines[:-3], f"{lost}\n", *lines[-3:]]), encoding="utf-8")
    program = cli("replay", str(gapped))
    assert (program.code, program.out) == (0, cli("replay", str(capture)).out)
    assert program.err.startswith(f"{gapped}: 1 gap from {at} to ")
    assert program.err.count("\n") == 1


def test_replay_from_stdin(cli: Cli, capture: Path) -> None:
    program = cli("replay", "-", stdin=capture)
    assert (program.code, program.err) == (0, "")
    assert program.out == cli("replay", str(capture)).out


def test_replay_of_a_file_that_is_not_there(cli: Cli, tmp_path: Path) -> None:
    assert "nowhere.jsonl" in said_in_one_line(cli("replay", "nowhere.jsonl"), 2)
    assert str(tmp_path) in said_in_one_line(cli("replay", str(tmp_path)), 2)


def test_replay_of_nothing(cli: Cli, tmp_path: Path) -> None:
    empty = tmp_path / "empty.jsonl"
    empty.write_bytes(b"")
    program = cli("replay", str(empty))
    assert (program.code, program.out, program.err) == (0, "", "")


def test_replay_names_the_malformed_line(cli: Cli, tmp_path: Path) -> None:
    bad = tmp_path / "bad.jsonl"
    bad.write_bytes(b"nonsense\n" + b"".join(armed_handle()))
    assert said_in_one_line(cli("replay", str(bad)), 1).startswith(f"{bad}:1: ")


def test_replay_tells_what_came_before_a_malformed_line(cli: Cli, tmp_path: Path) -> None:
    lines = armed_handle()
    bad = tmp_path / "bad.jsonl"
    bad.write_bytes(b"".join(lines) + b'{"at": "yesterday"}\n')
    program = cli("replay", "-", stdin=bad)
    assert program.code == 1
    assert [json.loads(line)["type"] for line in program.out.splitlines()] == [
        *("sillwatch.alert.raised", "sillwatch.alert.cleared")
    ]
    [line] = program.err.splitlines()
    assert line.startswith(f"stdin:{len(lines) + 1}: ")


def test_replay_refuses_a_capture_that_goes_back(cli: Cli, tmp_path: Path) -> None:
    back = tmp_path / "back.jsonl"
    back.write_bytes(write_clock(START + SECOND) + write_clock(START))
    assert said_in_one_line(cli("replay", str(back)), 1).startswith(f"{back}:2: ")


def test_replay_into_a_pipe_that_closes(capture: Path, tmp_path: Path) -> None:
    """``sillwatch replay FILE | head -1`` is an ordinary thing to do."""
    many = tmp_path / "many.jsonl"
    lines = armed_handle()[:-2]
    for second in range(1, 3000):
        lines.append(reading(second, "door/L1/handle_lifted", second % 2 == 1))
    many.write_bytes(b"".join(lines))
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    program = sillwatch(tmp_path, "replay", str(many), stdout=pipe)
    try:
        with pipe.open("rb") as reader:
            assert json.loads(reader.readline())["type"] == "sillwatch.alert.raised"
        assert program.wait(60) == 0
        assert program.err == ""
    finally:
        program.close()


def test_replay_under_another_config(cli: Cli, capture: Path, tmp_path: Path) -> None:
    """A site of another name has no part in what this capture holds."""
    config = tmp_path / "elsewhere.yaml"
    config.write_text("site: {name: elsewhere, elevation_m: 3, stands: [A1]}\n")
    program = cli("replay", str(capture), "--config", str(config))
    assert (program.code, program.out, program.err) == (0, "", "")


# The simulated side


@pytest.mark.parametrize(
    "arguments",
    [
        ("simulate",),
        ("simulate", "no-such-scenario"),
        ("simulate", "quiet", "--speed", "1000"),
        ("simulate", "quiet", "--duration", "soon"),
        ("simulate", "quiet", "--broker", "carrier-pigeon://loft"),
        ("demo", "--speed", "99"),
        ("demo", "--http", "127.0.0.1:99999"),
    ],
    ids=" ".join,
)
def test_wrong_use_of_the_simulators_is_one_line(cli: Cli, arguments: tuple[str, ...]) -> None:
    said_in_one_line(cli(*arguments), 2)


def test_simulate_lists_and_writes_a_capture_that_replays(cli: Cli, tmp_path: Path) -> None:
    listed = cli("simulate", "--list")
    assert listed.code == 0
    assert {"apron", "armed-handle", "quiet"} <= {line.split()[0] for line in listed.out.splitlines()}
    path = tmp_path / "made.jsonl"
    for _ in range(2):
        assert cli("simulate", "armed-handle", "--duration", "60s", "--capture", str(path)).code == 0
    replayed = cli("replay", str(path))
    assert (replayed.code, replayed.err) == (0, "")
    assert "armed-handle-moved" in replayed.out


def test_simulate_without_a_broker_gives_up(hopeless: tuple[Program, str]) -> None:
    program, address = hopeless
    assert program.wait(60) == 1
    assert "Traceback" not in program.err
    assert program.out == ""
    last = program.err.splitlines()[-1]
    assert last.startswith("simulate: ")
    assert address in last
