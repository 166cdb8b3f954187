"""The process that makes one report for the service, so that nothing else waits for it.

Owns how it is asked (one JSON object on stdin) and how it answers: the report on stdout, which
is a file, and one JSON object on stderr that says what it is or why there is none. It gives way
to everything else on the machine, and ends by itself when it takes too long.
"""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import sys
from pathlib import Path
from typing import Any, Final

import orjson

from monitor.config import ConfigError, load
from monitor.core.rules import known_parameters
from monitor.debrief.archive import Archive
from monitor.debrief.asking import Asked
from monitor.debrief.periods import ReportError
from monitor.debrief.reports import (
    OF_READINGS,
    Desk,
    Limits,
    Made,
    compare_document,
    debrief_document,
    handover_document,
    write_document,
    write_readings,
)
from monitor.ports import JournalError

SIZE_MAX: Final = 512 * 1024 * 1024
"""The largest report (bytes)."""
NICENESS: Final = 5


def make(request: dict[str, Any]) -> Made:
    """Make what is asked for, on stdout; raises :class:`ReportError` and what the journal raises."""
    try:
        config = load(Path(request["config"]), known=known_parameters())
    except ConfigError as error:
        raise ReportError("failed", f"the configuration can no longer be read: {error.problems[0]}") from None
    out = sys.stdout.buffer
    data, form, kind, names = Path(request["data"]), request["format"], request["report"], request["names"]
    with contextlib.closing(Archive(data)) as archive:
        desk = Desk(archive, config, request["now"], lambda _: None, Limits(**request["limits"]))
        if kind == "debrief" and form in OF_READINGS:
            made = write_readings(desk, Asked(**request["asked"]), form, out)
        elif kind == "debrief":
            made = write_document(kind, debrief_document(desk, Asked(**request["asked"]), names=names), form, out)
        elif kind == "compare":
            one, other = Asked(**request["asked"]), Asked(**request["other"])
            made = write_document(kind, compare_document(desk, one, other, names=names), form, out)
        else:
            made = write_document(kind, handover_document(desk, data, request["asked"]["zone"], names=names), form, out)
    out.flush()
    return made


def _give_way(seconds: int) -> None:
    signal.alarm(seconds)
    with contextlib.suppress(OSError):  # a hardened service may not be let
        os.nice(NICENESS)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_FSIZE, (SIZE_MAX, SIZE_MAX))
    with contextlib.suppress(OSError):
        # Rather this than the monitor, should memory run out.
        Path("/proc/self/oom_score_adj").write_text("1000")


def main() -> None:
    """Serve one request; exit code 0 for a report, 1 for none."""
    request = orjson.loads(sys.stdin.buffer.read())
    _give_way(request["seconds"])
    try:
        answer: dict[str, Any] = make(request)._asdict()
    except ReportError as error:
        answer = {"refused": error.kind, "detail": str(error)}
    except JournalError as error:
        answer = {"refused": "no-record", "detail": str(error)}
    except OSError as error:
        answer = {"refused": "failed", "detail": f"the report could not be written: {error.strerror or error}"}
    sys.stderr.buffer.write(b"\n" + orjson.dumps(answer))
    sys.stderr.flush()
    sys.exit(1 if "refused" in answer else 0)


if __name__ == "__main__":
    main()
