"""The outbox from the event loop: every question and every change on one thread of its own.

Owns that thread. Nothing on the loop ever waits for the disk.
"""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Concatenate, ParamSpec, TypeVar

from monitor.adapters.notify.outbox import Outbox

P = ParamSpec("P")
T = TypeVar("T")


class AsideOutbox:
    """Runs an outbox's methods one after another on its thread."""

    def __init__(self, outbox: Outbox) -> None:
        self.outbox = outbox
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="outbox")

    async def do(self, method: Callable[Concatenate[Outbox, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run one method; raises what it raises."""
        work = functools.partial(method, self.outbox, *args, **kwargs)
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    async def close(self) -> None:
        """Finish what runs and close the file."""
        await asyncio.to_thread(self._thread.shutdown, cancel_futures=True)
        self.outbox.close()
