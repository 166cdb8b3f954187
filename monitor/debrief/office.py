"""Reports for the service: one at a time, each in a process of its own, a few waiting.

Owns who waits and for how long, and that nothing is left behind: the report lies in a file
without a name, and the process is ended with the service, or when it takes too long.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import tempfile
from typing import Any, BinaryIO, Final, cast

import orjson
import structlog

from monitor.adapters.web.ports import ReportRefusedError, Written
from monitor.config import Config

WAITING_MAX: Final = 4
"""How many may wait beside the one that is made."""
SECONDS_MAX: Final = 120
"""How long making one may take."""
INPUTS_MAX: Final = 500_000
READINGS_MAX: Final = 2_000_000
"""How many messages are judged again, and readings written, for one report."""

_KINDS: Final = {"wrong": "invalid", "not-found": "not-found", "no-record": "no-record", "failed": "internal"}
_log: Final = structlog.get_logger("sillwatch.reports")


class DebriefOffice:
    """Makes reports beside the running service, from its journal."""

    def __init__(self, config: Config, *, seconds_max: float = SECONDS_MAX, command: tuple[str, ...] = ()) -> None:
        self._path = os.path.abspath(config.path)
        self._data = os.path.abspath(config.data.directory)
        self._seconds_max = seconds_max
        self._command = command or (sys.executable, "-P", "-m", "monitor.debrief.worker")
        self._turn = asyncio.Lock()
        self._asked = 0
        self._running: asyncio.subprocess.Process | None = None
        self._closed = False

    async def write(self, report: str, *, names: bool, now: int, **request: Any) -> Written:
        """Make a report; raises :class:`ReportRefusedError`."""
        if self._closed or self._asked > WAITING_MAX:
            raise ReportRefusedError("busy", "Other reports are being made; try again shortly.")
        self._asked += 1
        try:
            async with self._turn:
                return await self._make({"report": report, "names": names, "now": now, **request})
        finally:
            self._asked -= 1

    async def close(self) -> None:
        """End what is being made; who waits for it is refused."""
        self._closed = True
        if self._running is not None:
            await _end(self._running)

    async def _make(self, request: dict[str, Any]) -> Written:
        if self._closed:
            raise ReportRefusedError("busy", "The service is stopping.")
        request |= {
            "config": self._path,
            "data": self._data,
            "limits": {"inputs": INPUTS_MAX, "readings": READINGS_MAX},
            "seconds": round(self._seconds_max) + 5,
        }
        file = cast(BinaryIO, tempfile.TemporaryFile())  # noqa: SIM115 - the taker closes it
        try:
            answer = await self._run(orjson.dumps(request), file)
        except BaseException:
            file.close()
            raise
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        return Written(answer["media_type"], answer["filename"], answer["csp"], file, size)

    async def _run(self, request: bytes, file: BinaryIO) -> dict[str, Any]:
        process = await asyncio.create_subprocess_exec(
            *self._command, stdin=asyncio.subprocess.PIPE, stdout=file, stderr=asyncio.subprocess.PIPE
        )
        self._running = process
        try:
            if self._closed:  # meanwhile, when there was no process yet to end
                raise ReportRefusedError("busy", "The service is stopping.")
            async with asyncio.timeout(self._seconds_max):
                _, said = await process.communicate(request)
        except TimeoutError:
            raise ReportRefusedError(
                "refused",
                f"It took longer than {self._seconds_max:g} s to make; ask for a shorter period, or use `sillwatch report`.",
            ) from None
        finally:
            await _end(process)
            self._running = None
        try:
            answer = orjson.loads(said.rpartition(b"\n")[2])
        except ValueError:
            if not self._closed:
                _log.error("a report could not be made", action="report", code=process.returncode, said=said[-2000:])
            raise ReportRefusedError("busy" if self._closed else "internal", "The report could not be made.") from None
        if "refused" in answer:
            raise ReportRefusedError(_KINDS[answer["refused"]], answer["detail"])
        return cast(dict[str, Any], answer)


async def _end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
    await process.wait()
