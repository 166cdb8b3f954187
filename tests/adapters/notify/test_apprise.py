"""A message for people by apprise: its words, its failures, and that its address stays secret."""

from __future__ import annotations

import asyncio
import builtins
import json
import logging
import threading
from typing import Any

import orjson
import pytest

from monitor.adapters.notify.apprise_sender import AppriseSender, load_notify, write_message
from monitor.adapters.notify.outbox_rows import Draft, Letter
from monitor.adapters.notify.posting import DELIVERED, Fate
from monitor.ports import InstanceError
from tests.adapters.notify.bench import T0, Bench, alert, until
from tests.adapters.notify.receiver import receiving, status

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")
"""The library imports all its plug-ins, some of them modules that are on their way out."""


def body(kind: str = "raised", **words: Any) -> bytes:
    return orjson.dumps({"type": f"sillwatch.alert.{kind}", "data": alert(**words)})


def letter() -> Letter:
    return Letter(1, Draft("a1-1", "a1", "sillwatch.alert.raised", "XA-ABC/L1", body()), T0, 0)


def test_a_message_says_what_is_and_what_to_do() -> None:
    title, text, level = write_message(body())
    assert title == "Warning raised: armed-handle-moved at XA-ABC L1, stand S11"
    assert text == "Handle moved with the slide engaged.\nStop. Lower the handle."
    assert level == "failure"
    title, text, level = write_message(body("taken-out-of-service", priority="advisory", door="-", stand=""))
    assert (title, level) == ("Advisory taken out of service: armed-handle-moved at XA-ABC", "info")
    title, text, _ = write_message(body(simulated=True, aircraft="-", door="-"))
    assert title == "SIMULATED Warning raised: armed-handle-moved at tarnwick, stand S11"
    assert text.endswith("This aircraft is simulated.")


async def test_it_arrives_by_the_real_library_and_the_address_stays_secret(
    bench: Bench, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    async with receiving(status(500), status(200)) as receiver:
        host = receiver.url.removeprefix("http://")
        (bench.folder / "url").write_text(f"json://{host}/hunter2/?overflow=split\n")
        await bench.start(people=bench.destination(kind="apprise", url_file=bench.folder / "url"))
        bench.tell(alert())
        shown = await bench.until_shown("people", state="retrying")
        assert shown["last_error"] == "apprise could not send it"
        bench.pass_time(10_000_000)
        await bench.until_shown("people", state="working", waiting=0)
    sent = json.loads(receiver.taken[-1].body)
    assert (sent["title"], sent["type"]) == ("Warning raised: armed-handle-moved at XA-ABC L1, stand S11", "failure")
    assert "Stop. Lower the handle." in sent["message"]
    out = capfd.readouterr()
    own = [record for record in caplog.records if not record.name.startswith("urllib3")]
    assert "hunter2" not in "".join(record.getMessage() for record in own) + out.out + out.err


async def test_whatever_it_does_it_has_not_sent() -> None:
    hold = threading.Event()

    def fail(*_: str) -> bool:
        raise RuntimeError("hunter2")

    assert await AppriseSender(lambda *_: True).send(letter()) == DELIVERED
    assert (await AppriseSender(lambda *_: False).send(letter())).fate is Fate.UNREACHABLE
    outcome = await AppriseSender(fail).send(letter())
    assert (outcome.fate, outcome.error) == (Fate.UNREACHABLE, "apprise failed")
    stuck = AppriseSender(lambda *_: hold.wait(), timeout_s=0.01)
    assert (await stuck.send(letter())).error == "no answer within 0.01 s"
    assert (await stuck.send(letter())).error == "it still has not ended what was sent before"
    busy = stuck._busy
    assert busy is not None
    hold.set()
    await until(busy.done)
    await asyncio.sleep(0)


def test_where_it_is_not_installed_the_start_says_how(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def refuse(name: str, *rest: Any, **words: Any) -> Any:
        if name == "apprise":
            raise ImportError(name)
        return real(name, *rest, **words)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(InstanceError, match=r"pip install 'sillwatch\[apprise\]'"):
        load_notify("people", "json://127.0.0.1")


def test_an_address_that_it_does_not_know_is_refused_without_saying_it() -> None:
    with pytest.raises(InstanceError, match="none that apprise knows") as refused:
        load_notify("people", "nonesuch://hunter2")
    assert "hunter2" not in str(refused.value)
