"""``sillwatch trial``: what another configuration would have raised of what was recorded.

Owns this command's flags, words and exit codes.
"""

from __future__ import annotations

import sys
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import orjson
import typer

from monitor.recording.saying import WRONG_USE, fail, load_config, say, showing_progress

if TYPE_CHECKING:
    from monitor.config import Config
    from monitor.ports import Readout

# What judges is imported where it is wanted: every other command starts without it.

USUAL: Final = "30d"
PIPED_WIDTH: Final = 160


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(trial)


def trial(
    config: Annotated[Path, typer.Option("--config", help="The config to be tried.")],
    against: Annotated[
        Path | None,
        typer.Option("--against", envvar="SILLWATCH_CONFIG", help="The config in force; default: the demo's."),
    ] = None,
    since: Annotated[
        str | None, typer.Option(help=f"From when on: a time, a date, or an age such as 12h; default: {USUAL}.")
    ] = None,
    until: Annotated[str | None, typer.Option(help="Up to when; default: now.")] = None,
    data: Annotated[
        Path | None, typer.Option(help="The data folder of the record; default: that of the config in force.")
    ] = None,
    capture: Annotated[
        list[Path] | None, typer.Option(help="A capture instead of the record: a file or a folder, again for more.")
    ] = None,
    zone: Annotated[str | None, typer.Option(help="The time zone of dates; default: the site's, else UTC.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print everything as one JSON document.")] = False,
) -> None:
    """Judge a recorded period under the config in force and under another, and show the difference.

    Alerts are paired by place, cause and nearest time. What people did is applied in both runs where it still
    fits. It changes nothing and may run beside the monitor.
    """
    from monitor.adapters.capture import CaptureError
    from monitor.debrief.periods import ReportError, find_zone
    from monitor.ports import JournalError
    from monitor.recording.reading import NoCaptureError
    from monitor.rerun import NothingOnRecordError

    if data is not None and capture:
        fail("trial: --data and --capture are two sources; give one", WRONG_USE)
    new, old = load_config(config), load_config(against)
    if new.site.name != old.site.name:
        fail(
            f"trial: {new.path} is of the site {new.site.name}, {old.path} of {old.site.name};"
            " give two configs of one site",
            WRONG_USE,
        )
    try:
        in_zone = find_zone(zone or old.site.timezone or "UTC")
        if capture:
            document = _of_capture(capture, old, new, since, until, in_zone)
        else:
            document = _of_record(data, old, new, since, until, in_zone)
    except (NoCaptureError, NothingOnRecordError, ReportError) as error:
        fail(f"trial: {error}", WRONG_USE)
    except (CaptureError, JournalError) as error:
        fail(f"trial: {error}")
    except OSError as error:
        fail(f"trial: {error.filename}: cannot be read ({error.strerror or error})", WRONG_USE)
    _print(document, as_json=as_json)


def _of_record(
    data: Path | None, old: Config, new: Config, since: str | None, until: str | None, zone: tzinfo
) -> Readout:
    from monitor.adapters.clock import SystemClock
    from monitor.debrief.periods import read_period
    from monitor.trial.running import try_record

    begin, end = read_period(since or USUAL, until, zone=zone, now=SystemClock().now())
    with showing_progress("trial") as tell:
        return try_record(data or Path(old.data.directory), old, new, since=begin, until=end, tell=tell)


def _of_capture(
    capture: list[Path], old: Config, new: Config, since: str | None, until: str | None, zone: tzinfo
) -> Readout:
    from monitor.adapters.clock import SystemClock
    from monitor.debrief.periods import read_moment
    from monitor.recording.reading import Captures, name_of
    from monitor.trial.running import try_capture

    now = SystemClock().now()
    begin = None if since is None else read_moment(since, zone, now)
    end = None if until is None else read_moment(until, zone, now, end=True)
    source = Captures(capture, told=say, stdin=sys.stdin.buffer)
    with showing_progress("trial") as tell:
        return try_capture(
            source.lines(),
            old,
            new,
            name=name_of(capture),
            since=begin,
            until=end,
            tell=lambda words: tell(source.done, words),
        )


def _print(document: Readout, *, as_json: bool) -> None:
    if as_json:
        sys.stdout.buffer.write(orjson.dumps(document, option=orjson.OPT_INDENT_2) + b"\n")
        sys.stdout.buffer.flush()
        return
    from rich.console import Console

    from monitor.trial.showing import show

    # What is piped is read by programs or kept: nothing is folded to a width that nobody has.
    show(document, Console(highlight=False, width=None if sys.stdout.isatty() else PIPED_WIDTH))
