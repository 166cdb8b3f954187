"""An aiomqtt subscriber that does nothing but count: the yardstick for the monitor's rate.

A program of its own: ``python -m simulators.bench_subscriber URL FILTER``. Says ``ready``
once subscribed, then the number of messages so far, each on a line. It must stay empty:
what it leaves out is what the monitor's work costs.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import sys
from typing import Final

import aiomqtt

from monitor.adapters.mqtt_settings import parse_broker_url

_SAY_EVERY_S: Final = 0.005


async def count_messages(url: str, name: str) -> None:
    """Count what arrives on ``name`` at QoS 1 until SIGTERM."""
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    address = parse_broker_url(url)
    options = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    async with aiomqtt.Client(address.host, address.port, socket_options=options) as client:
        await client.subscribe(name, qos=1)
        count = 0

        async def take() -> None:
            nonlocal count
            async for _ in client.messages:
                count += 1

        _say("ready")
        taking = asyncio.create_task(take())
        said = 0
        while not stop.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), _SAY_EVERY_S)
            if count != said:
                said = count
                _say(str(said))
        taking.cancel()
        await asyncio.gather(taking, return_exceptions=True)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> None:
    """Run on the loop that the monitor runs on."""
    _, url, name = sys.argv
    try:
        import uvloop
    except ImportError:
        asyncio.run(count_messages(url, name))
    else:
        uvloop.run(count_messages(url, name))


if __name__ == "__main__":
    main()
