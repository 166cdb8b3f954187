"""From a reading's publication to its picture on a board, in a real browser.

Owns the load, the boards and the stopwatch: a probe aircraft's handles are moved one after
another, and the page itself notes when its line said so and that frame had been drawn.
Run by hand for the whole size: ``python -m tests.acceptance.pixels``.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import select
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Final, NamedTuple

import httpx
import orjson
from playwright.async_api import Browser, Page, async_playwright

from monitor.core.times import MILLISECOND, format_time
from simulators.bench_traffic import HEARTBEAT_S, Traffic
from simulators.bench_wire import Connection
from tests.acceptance.programs import SITE, Instance, NatsBroker, running_broker, running_instance
from tests.stories import demo_site, healthy_airframe, healthy_door

_LEFT_OUT: Final = (
    *("WebUIOmniboxPopup", "WebUIOmniboxAimPopup", "SpareRendererForSitePerProcess"),
    *("AvoidUnnecessaryBeforeUnloadCheckSync", "DestroyProfileOnBrowserClose", "HttpsUpgrades", "LensOverlay"),
    *("MediaRouter", "NetworkTimeServiceQuerying", "OptimizationHints", "PaintHolding", "PreconnectToSearch"),
)
"""Of the browser's own: what costs every window half as much again (pages behind its address line, a spare), and what its driver
leaves out, whose list this one takes the place of."""
CHROMIUM_FLAGS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    f"--disable-features={','.join(_LEFT_OUT)}",
)
PROBE: Final = "AA-1"
DOORS: Final = ("L1", "R1", "L2", "R2")
PAUSE_MS: Final = 500
"""Between two moves; each handle then moves five times in 10 s, and six would be chatter."""

# Notes, for every change of a probe door's name, the moment after the frame that showed it.
WATCH: Final = """([probe, doors]) => {
  window.shown = [];
  window.frames = [];
  const links = doors.map((door) => document.querySelector(`a[href="/aircraft/${probe}?door=${door}"]`));
  const named = links.map((link) => link.getAttribute("aria-label"));
  const look = () => links.forEach((link, at) => {
    const name = link.getAttribute("aria-label");
    if (name === named[at]) return;
    named[at] = name;
    requestAnimationFrame(() => requestAnimationFrame(() => window.shown.push([doors[at], name, Date.now()])));
  });
  for (const link of links) new MutationObserver(look).observe(link, { attributes: true, attributeFilter: ["aria-label"] });
  let before = performance.now();
  const frame = (at) => { window.frames.push(at - before); before = at; requestAnimationFrame(frame); };
  requestAnimationFrame(frame);
}"""


class Measured(NamedTuple):
    """Times in ms: publication to picture, and between two display frames."""

    pixel: list[float]
    frames: list[float]

    def sentence(self) -> str:
        """Say the figures in a line."""
        cuts = statistics.quantiles(self.pixel, n=20, method="inclusive")
        late = sum(frame > 34 for frame in self.frames) / len(self.frames)
        return (
            f"publish to pixel: median {statistics.median(self.pixel):.0f} ms, 95th percentile {cuts[18]:.0f} ms, "
            f"longest {max(self.pixel):.0f} ms of {len(self.pixel)}; "
            f"{late:.1%} of {len(self.frames)} display frames later than two of 60 a second"
        )


def _stamp() -> bytes:
    return format_time(int(time.time() * 1000) * MILLISECOND).encode()


class Apron:
    """Many aircraft that send without end, on a thread of their own, and one that is moved by hand."""

    def __init__(self, url: str, aircraft: int, per_s: float) -> None:
        self._alder = demo_site().types["alder"]
        self._connection = Connection(url, "pixels")
        self._hand = Connection(url, "pixels-hand")
        # No warning but the probe's own, which keeps its row on top of the page.
        self._traffic = Traffic(self._alder, SITE, lifts_per_s=0.001)
        self._per_s = per_s
        self._aircraft = aircraft
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._lifted = dict.fromkeys(DOORS, False)

    def __enter__(self) -> Apron:
        readings = {"airframe/type": "alder", "airframe/stand": "A1"}
        readings |= {f"airframe/{name}": value for name, value in healthy_airframe(self._alder).items()}
        for door in self._alder.doors.values():
            readings |= {f"door/{door.name}/{name}": value for name, value in healthy_door(door).items()}
        self._publish_probe(self._hand, "bundle", {"readings": {**readings, "door/OL1/cover_fitted": False}})
        for sent in self._traffic.add(self._aircraft):
            self._publish(self._connection, sent.topic, sent.encode(_stamp()))
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self._thread.join(10)
        self._connection.close()
        self._hand.close()

    def _publish(self, connection: Connection, topic: bytes, payload: bytes) -> None:
        connection.send(connection.encode(topic, payload, retain=False))
        while select.select([connection], [], [], 0)[0]:
            connection.read()

    def _publish_probe(self, connection: Connection, path: str, body: dict[str, object]) -> None:
        topic = f"apron/v1/{SITE}/aircraft/{PROBE}/{path}".encode()
        self._publish(connection, topic, orjson.dumps({"time": _stamp().decode(), **body}))

    def _send(self) -> None:
        due = beat_at = time.monotonic()
        beats = 0
        while not self._stopped.wait(max(0.0, due - time.monotonic())):
            due += 1 / self._per_s
            sent = self._traffic.next(self._per_s)
            self._publish(self._connection, sent.topic, sent.encode(_stamp()))
            if time.monotonic() >= beat_at:
                beat_at += HEARTBEAT_S
                beats += 1
                self._publish_probe(self._connection, "airframe/heartbeat", {"value": beats})

    def move(self, door: str) -> float:
        """Lift or let go of a handle of the probe; returns when it was published, ms since 1970."""
        self._lifted[door] = not self._lifted[door]
        at = time.time() * 1000
        self._publish_probe(self._hand, f"door/{door}/handle_lifted", {"value": self._lifted[door]})
        return at


@contextlib.asynccontextmanager
async def open_streams(url: str, count: int) -> AsyncIterator[None]:
    """Keep further boards' streams open, each read as fast as it comes."""

    async def read(client: httpx.AsyncClient) -> None:
        async with client.stream("GET", f"{url}/api/v1/stream") as answer:
            async for _ in answer.aiter_bytes():
                pass

    async with httpx.AsyncClient(timeout=None, limits=httpx.Limits(max_connections=count + 1)) as client:
        readers = [asyncio.create_task(read(client)) for _ in range(count)]
        try:
            yield
        finally:
            for reader in readers:
                reader.cancel()
            await asyncio.gather(*readers, return_exceptions=True)


async def open_board(browser: Browser, url: str) -> Page:
    """Open the apron and wait for the probe's line."""
    page = await browser.new_page(viewport={"width": 1280, "height": 900})
    await page.goto(url)
    await page.wait_for_selector(f'a[href="/aircraft/{PROBE}?door={DOORS[-1]}"]', state="attached", timeout=30_000)
    return page


async def measure(page: Page, apron: Apron, moves: int) -> Measured:
    """Move the probe's handles in turn and wait for each to show; fails where one does not within a minute."""
    await page.evaluate(WATCH, [PROBE, list(DOORS)])
    times = []
    for number in range(moves):
        door = DOORS[number % len(DOORS)]
        at = apron.move(door)
        shown = await page.wait_for_function("(n) => window.shown[n]", arg=number, timeout=60_000)
        name, _, seen = await shown.json_value()
        assert name == door, f"{name} moved on the page, {door} on the wire"
        times.append(seen - at)
        await page.wait_for_function("(until) => Date.now() >= until", arg=at + PAUSE_MS)
    return Measured(times, await page.evaluate("window.frames"))


async def run(
    browser: Browser,
    url: str,
    page_url: str,
    *,
    aircraft: int,
    per_s: float,
    boards: int,
    streams: int,
    moves: int,
) -> Measured:
    """Measure on the first of ``boards`` real pages, with ``streams`` further boards' streams open."""
    with Apron(url, aircraft, per_s) as apron:
        async with open_streams(page_url, streams):
            pages = [await open_board(browser, page_url) for _ in range(boards)]
            await pages[0].bring_to_front()
            measured = await measure(pages[0], apron, moves)
            for page in pages:
                await page.close()
            return measured


@contextlib.contextmanager
def own_instance() -> Iterator[tuple[str, Instance]]:
    with (
        tempfile.TemporaryDirectory() as folder,
        running_broker(NatsBroker(Path(folder) / "broker")) as broker,
        running_instance(Path(folder), broker) as instance,
    ):
        yield broker.url, instance


async def _launch(chromium: str, url: str, page_url: str, wanted: argparse.Namespace) -> Measured:
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_FLAGS))
        return await run(
            browser,
            url,
            page_url,
            aircraft=wanted.aircraft,
            per_s=wanted.per_s,
            boards=wanted.boards,
            streams=wanted.streams,
            moves=wanted.moves,
        )


def main() -> int:
    """Measure at the size of the aim and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--aircraft", type=int, default=199)
    parser.add_argument("--per-s", type=float, default=300.0, help="messages a second of all aircraft together")
    parser.add_argument("--boards", type=int, default=1, help="real pages in Chromium")
    parser.add_argument("--streams", type=int, default=19, help="further boards' streams, read and not drawn")
    parser.add_argument("--moves", type=int, default=100)
    wanted = parser.parse_args()
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("Chromium is missing", file=sys.stderr)
        return 1
    with own_instance() as (url, instance):
        measured = asyncio.run(_launch(chromium, url, str(instance.http.base_url), wanted))
    print(
        f"{wanted.aircraft + 1} aircraft, {wanted.boards} pages, {wanted.streams} further streams: {measured.sentence()}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
