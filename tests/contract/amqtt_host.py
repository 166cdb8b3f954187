"""A process that starts and stops amqtt brokers on command: importing amqtt takes seconds, starting one does not.

Reads ``start PORT`` and ``stop`` from standard input and answers each with one line.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys

from amqtt.broker import Broker

SHUTDOWN_S_MAX = 3.0


async def serve_commands() -> None:
    loop = asyncio.get_running_loop()
    broker: Broker | None = None
    while True:
        words = (await loop.run_in_executor(None, sys.stdin.readline)).split()
        if broker is not None:
            with contextlib.suppress(Exception):
                await asyncio.wait_for(broker.shutdown(), SHUTDOWN_S_MAX)
            broker = None
        if not words:
            return
        if words[0] == "start":
            broker = Broker(
                {
                    "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{words[1]}"}},
                    "plugins": {"tests.contract.amqtt_doorman.Doorman": {}},
                }
            )
            await broker.start()
        sys.stdout.write(f"{words[0]} done\n")
        sys.stdout.flush()


if __name__ == "__main__":
    asyncio.run(serve_commands())
