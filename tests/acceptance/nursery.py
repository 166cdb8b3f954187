"""A process that has imported everything once and forks ``sillwatch`` commands from itself.

Importing costs a second or two of processor time, a fork nearly nothing. What it forks
is a process of its own in every way that a test looks at: arguments, environment, folder,
output, signals, exit code. Owns nothing else; the tests that must see the installed
script start that instead.

Speaks lines on stdin and stdout: an order as JSON in, the process id out. The exit code
goes to the file that the order names.
"""

from __future__ import annotations

import ctypes
import gc
import json
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import monitor.debrief.reports
import monitor.recording.playing
import monitor.trial.running  # noqa: F401 imported for the children's sake, as the others are
import simulators.cli
import simulators.demo  # noqa: F401
from monitor.cli import main

PR_SET_PDEATHSIG = 1

_code_files: dict[int, Path] = {}


def _orders() -> Iterator[str]:
    """Yield the lines of stdin; unbuffered, so that a child inherits none that are not its own."""
    line = bytearray()
    while byte := os.read(0, 1):
        if byte != b"\n":
            line += byte
            continue
        yield line.decode()
        line.clear()


def _reap(number: int = 0, frame: FrameType | None = None) -> None:
    for pid in list(_code_files):
        ended, status = os.waitpid(pid, os.WNOHANG)
        if ended:
            file = _code_files.pop(pid)
            whole = file.with_suffix(".written")
            whole.write_text(str(os.waitstatus_to_exitcode(status)))
            whole.replace(file)


def _become(order: dict[str, object]) -> None:
    """Turn this child into the ordered process; it ends with the nursery, as that does with the tests."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})
    for number, path in ((0, str(order["in"])), (1, str(order["out"])), (2, str(order["err"]))):
        flags = os.O_RDONLY if number == 0 else os.O_WRONLY | os.O_CREAT | os.O_APPEND
        opened = os.open(path, flags, 0o644)
        os.dup2(opened, number)
        os.close(opened)
    os.chdir(str(order["folder"]))
    environment = order["environment"]
    assert isinstance(environment, dict)
    os.environ.clear()
    os.environ.update(environment)
    arguments = order["arguments"]
    assert isinstance(arguments, list)
    sys.argv = ["sillwatch", *arguments]


def wait_for_birth() -> bool:
    """Fork on every order; returns true in a child that is to go on as the command."""
    gc.freeze()
    signal.signal(signal.SIGCHLD, _reap)
    for line in _orders():
        order = json.loads(line)
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGCHLD})
        pid = os.fork()
        if pid == 0:
            _become(order)
            return True
        _code_files[pid] = Path(order["code"])
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})
        os.write(1, f"{pid}\n".encode())
    return False


if __name__ == "__main__" and wait_for_birth():
    main()
