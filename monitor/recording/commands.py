"""``sillwatch capture`` and ``sillwatch replay``: what a broker carries, on file; and back out of it.

Owns these commands' flags and words.
"""

from __future__ import annotations

import dataclasses
import os
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from monitor.recording.saying import (
    FAILED,
    WRONG_USE,
    ConfigOption,
    fail,
    load_config,
    say,
    showing_progress,
    until_signal,
)

if TYPE_CHECKING:
    from monitor.adapters.capture import CaptureLine
    from monitor.adapters.mqtt_settings import MqttSettings
    from monitor.adapters.wire import Wire
    from monitor.config import Config
    from monitor.recording.gaps import Gaps
    from monitor.recording.playing import Player
    from monitor.recording.reading import Captures

# What records and plays is imported where it is wanted: every other command starts without it.

MEGABYTE: Final = 1_000_000
_TELL_EVERY: Final = 500

BrokerOption = Annotated[str | None, typer.Option(help="The MQTT broker, such as mqtt://127.0.0.1:1883.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(capture)
    app.command()(replay)


def make_wire(config: Config) -> Wire:
    """Read and write the messages of a configuration's site."""
    from monitor.adapters.wire import Wire

    return Wire(config.site.name, config.broker.instance, frozenset(config.site.types))


# Recording


def capture(
    file: Annotated[Path, typer.Argument(help="What is written, as JSON Lines; rotated files are named after it.")],
    broker: BrokerOption = None,
    config: ConfigOption = None,
    topics: Annotated[
        list[str] | None,
        typer.Option("--topics", help="A filter of topics, again for more; default: the site's inputs."),
    ] = None,
    rotate_mb: Annotated[int | None, typer.Option(min=1, help="Begin another file at so many megabytes.")] = None,
    rotate_every: Annotated[
        str | None, typer.Option(help="Begin another file after so long, such as 1h, counted from midnight UTC.")
    ] = None,
    keep: Annotated[int | None, typer.Option(min=1, help="How many rotated files stay; older ones go.")] = None,
    compress: Annotated[
        str | None, typer.Option(help="gzip: files that are readable as far as they are written.")
    ] = None,
    duration: Annotated[str | None, typer.Option(help="End after so long, such as 90s or 12h.")] = None,
) -> None:
    """Record what a broker carries, byte for byte, until Ctrl-C.

    It only listens. A message is acknowledged once it is written and survives a kill of this program; what is
    written is forced to the disk every second, so that a power cut loses a second at most.
    """
    from monitor.recording.capturing import Order, record
    from monitor.recording.lengths import parse_length
    from monitor.recording.segments import GZIP_ENDING

    try:
        every = None if rotate_every is None else parse_length(rotate_every)
        length = None if duration is None else parse_length(duration)
    except ValueError as error:
        fail(f"capture: {error}", WRONG_USE)
    if compress not in (None, "gzip"):
        fail(f"capture: --compress {compress} is not known; it is gzip, or left out", WRONG_USE)
    if keep is not None and rotate_mb is None and every is None:
        fail("capture: --keep is for rotated files; add --rotate-mb or --rotate-every", WRONG_USE)
    if not file.parent.is_dir():
        fail(f"{file}: there is no folder {file.parent}; make it first", WRONG_USE)
    settings = load_config(config, broker=broker)
    wire = make_wire(settings)
    order = Order(
        path=file,
        filters=tuple(topics or wire.input_filters()),
        bytes_max=None if rotate_mb is None else rotate_mb * MEGABYTE,
        every=every,
        keep=keep,
        gzip=compress == "gzip" or file.name.endswith(GZIP_ENDING),
        length=length,
    )
    record(order, broker_settings(settings, wire))


def broker_settings(config: Config, wire: Wire) -> MqttSettings:
    """What is needed to be let in at the broker; ends with 1 where a file of it cannot be used."""
    from monitor.adapters.mqtt_configured import build_settings
    from monitor.ports import InstanceError

    try:
        # No proofs are heard or sent here.
        return dataclasses.replace(build_settings(config, wire, 0), echoes=())
    except InstanceError as error:
        fail(f"sillwatch: {error}")


# Reading back


def replay(
    captures: Annotated[
        list[Path],
        typer.Argument(
            metavar="CAPTURE",
            help="Captures, JSON Lines or those in gzip, read as one; a folder's by name; - is stdin.",
        ),
    ],
    config: ConfigOption = None,
    broker: BrokerOption = None,
    speed: Annotated[
        float | None,
        typer.Option(help="Play it to the broker at so many times its own pace; default with --broker: 1."),
    ] = None,
    keep_times: Annotated[
        bool,
        typer.Option(
            "--keep-times/--shift-times",
            help="Leave the times in the payloads as they are; otherwise they are moved to now, as their messages are,"
            " so that a monitor finds them neither late nor skewed.",
        ),
    ] = False,
    as_recorded: Annotated[
        bool, typer.Option("--as-recorded", help="Do not mark the readings as simulated, which a replay's are.")
    ] = False,
    loop: Annotated[bool, typer.Option("--loop", help="Begin again at the end, until Ctrl-C.")] = False,
) -> None:
    """Judge a capture offline and print the events it leads to, as JSON Lines; or play it to a broker again."""
    from monitor.adapters.capture import CaptureError
    from monitor.recording.gaps import Gaps, describe_gaps
    from monitor.recording.playing import SPEED_MAX, SPEED_MIN
    from monitor.recording.reading import Captures, NoCaptureError, name_of

    playing = speed is not None or broker is not None
    if not playing and (keep_times or as_recorded or loop):
        fail("replay: --keep-times, --as-recorded and --loop go with --speed or --broker", WRONG_USE)
    if speed is not None and not SPEED_MIN <= speed <= SPEED_MAX:
        fail(f"replay: --speed {speed:g} is out of range; give a number from {SPEED_MIN:g} to {SPEED_MAX:g}", WRONG_USE)
    if loop and Path("-") in captures:
        fail("replay: --loop cannot read stdin twice; give a file", WRONG_USE)
    settings = load_config(config, broker=broker)
    try:
        source = Captures(captures, told=say, stdin=sys.stdin.buffer)
        gaps = Gaps()
        try:
            if playing:
                _play(source, gaps, settings, name_of(captures), speed or 1.0, keep_times, as_recorded, loop)
            else:
                _judge(source, gaps, settings, name_of(captures))
        finally:
            if told := describe_gaps(gaps.list_gaps()):
                say(f"{name_of(captures)}: {told}")
    except CaptureError as error:
        fail(str(error), WRONG_USE if isinstance(error, NoCaptureError) else FAILED)
    except OSError as error:
        fail(
            f"{error.filename or name_of(captures)}: cannot be read ({error.strerror or error}); give the path of a capture",
            WRONG_USE,
        )


def _judge(source: Captures, gaps: Gaps, config: Config, name: str) -> None:
    import orjson

    from monitor.adapters.capture import CaptureError
    from monitor.adapters.replay import replay as replay_capture
    from monitor.core.system import System

    wire = make_wire(config)
    out = sys.stdout.buffer
    with showing_progress(name) as tell:

        def lines() -> Iterator[CaptureLine]:
            for number, line in enumerate(gaps.watch(source.lines())):
                if number % _TELL_EVERY == 0:
                    tell(source.done, f"{number} messages")
                yield line

        try:
            for event in replay_capture(lines(), System(config.site, answering=False), wire):
                out.write(orjson.dumps(wire.envelope(event)) + b"\n")
                if source.once:
                    # Standard input may be a feed that goes on: what it leads to is told as it comes.
                    out.flush()
            out.flush()
        except CaptureError:
            out.flush()
            raise
        except BrokenPipeError:
            # Whoever read has enough; there is nobody left to tell.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _play(
    source: Captures,
    gaps: Gaps,
    config: Config,
    name: str,
    speed: float,
    keep_times: bool,
    as_recorded: bool,
    loop: bool,
) -> None:
    from monitor.recording.connection import Connection, ConnectionFailedError, StoppedError

    settings = broker_settings(config, make_wire(config))
    where = f"{settings.address.host}:{settings.address.port}"
    with until_signal() as stop:
        connection = Connection(settings, told=lambda event, why: say(_WORDS[event].format(where=where, why=why)))
        try:
            connection.open(stop)
        except StoppedError as error:
            fail(f"replay: {error}; nothing is sent")
        except ConnectionFailedError as error:
            fail(f"replay: {where}: {error}; start a broker there, or give another with --broker")
        try:
            with showing_progress(name) as tell:
                player = _make_player(connection.send, stop, tell, source, speed, keep_times, as_recorded)
                again = player.play(gaps.watch(source.lines())) and loop
                while again and player.played.sent:
                    again = player.play(source.lines())
                waiting = connection.drain(stop)
        except ConnectionFailedError as error:
            fail(f"replay: {where}: {error}")
        finally:
            connection.close()
    played = player.played
    said = f"{played.sent - waiting} messages sent"
    if played.unsendable:
        said += f"; {played.unsendable} left out, since MQTT cannot carry them: a wildcard in the topic, or too long"
    if played.left_out:
        said += f"; {played.left_out} left out, below topics where only a monitor or the broker itself writes"
    say(said)


_WORDS: Final = {"lost": "{where}: {why}; trying again", "back": "{where}: connected again"}


def _make_player(
    send: Callable[..., None],
    stop: threading.Event,
    tell: Callable[[float | None, str], None],
    source: Captures,
    speed: float,
    keep_times: bool,
    as_recorded: bool,
) -> Player:
    from monitor.adapters.clock import SystemClock
    from monitor.core.times import SECOND
    from monitor.recording.playing import Player

    clock = SystemClock()

    def forward(outgoing: object) -> bool:
        send(outgoing, stop)
        tell(source.done, f"{player.played.sent} messages")
        return not stop.is_set()

    player = Player(
        speed=speed,
        keep_times=keep_times,
        as_recorded=as_recorded,
        now=clock.now,
        wait=lambda length: not stop.wait(length / SECOND),
        send=forward,
    )
    return player
