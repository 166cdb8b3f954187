"""Signing in at a running service: the same work for every attempt, lock-out, and what is told."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from monitor.adapters.access import ACCESS_FILE, AccessOffice, AccessStore, open_access
from monitor.adapters.access.office import WRONG
from monitor.adapters.access.passwords import WAITING_MAX
from monitor.config import Http
from monitor.core.times import SECOND
from monitor.ports import AccessError, Denied, Granted, Role
from tests.adapters.access.people_kit import (
    NOW,
    PASSWORD,
    CountingHasher,
    edit,
    make_office,
    make_store,
    told,
)

LOOPBACK = Http()
ANYWHERE = Http(host="0.0.0.0")


@pytest.fixture
def hasher() -> CountingHasher:
    return CountingHasher()


@pytest.fixture
async def office(tmp_path: Path, hasher: CountingHasher) -> AsyncIterator[AccessOffice]:
    office = make_office(make_store(tmp_path), hasher)
    await office.prepare()
    hasher.hashed = hasher.verified = 0
    yield office
    office.close()


@pytest.fixture
def beside(office: AccessOffice, tmp_path: Path) -> Iterator[AccessStore]:
    """The same store, opened once more as the command line does."""
    store = AccessStore(tmp_path / ACCESS_FILE)
    yield store
    store.close()


async def attempt(
    office: AccessOffice, name: str = "Cora", password: str = PASSWORD, *, address: str = "192.0.2.7", **more: str
) -> Granted | Denied:
    return await office.sign_in(
        name, password, address=address, agent="a browser", now=NOW, instead_of=more.get("instead_of")
    )


async def let_in(office: AccessOffice, name: str = "Cora", **more: str) -> Granted:
    outcome = await attempt(office, name, **more)
    assert isinstance(outcome, Granted)
    return outcome


async def test_a_session_begins(office: AccessOffice, beside: AccessStore) -> None:
    granted = await let_in(office, "CORA ")
    assert (granted.who.name, granted.who.role) == ("Cora", Role.COORDINATOR)
    assert await office.find_session(granted.secret, NOW) == granted.who
    assert told(beside)[-1] == ("Cora", "session-begun", "Cora")
    [row] = beside.select("SELECT origin, reason FROM audit ORDER BY seq DESC LIMIT 1")
    assert tuple(row) == (f"192.0.2.7 session {granted.who.id}", "by password")


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("Cora", "not the password"),
        ("Nemo", PASSWORD),
        ("Nemo", "not the password"),
        ("Cora", ""),
        ("Cora", "x" * 5000),
        ("Cora", "half a character \ud800"),
        ("Nemo", "half a character \ud800"),
        ("x" * 5000, PASSWORD),
        ("token:Cora", PASSWORD),
        ("Cora' OR 1=1 --", PASSWORD),
    ],
)
async def test_whatever_is_wrong_is_as_much_work_and_the_same_answer(
    office: AccessOffice, hasher: CountingHasher, name: str, password: str
) -> None:
    assert await attempt(office, name, password) == WRONG
    assert (hasher.verified, hasher.hashed) == (1, 0)


async def test_a_hash_of_other_parameters_is_renewed_by_the_sign_in(office: AccessOffice, beside: AccessStore) -> None:
    edit(beside).set_password("Cora", CountingHasher(time_cost=2).hash(PASSWORD), NOW)

    def kept() -> str:
        return str(beside.select("SELECT password FROM people WHERE key = 'cora'")[0][0])

    assert "t=2" in kept()
    await attempt(office, password="not the password")
    assert "t=2" in kept()
    granted = await let_in(office)
    assert "t=1" in kept()
    assert await office.find_session(granted.secret, NOW) is not None
    await let_in(office)


async def test_each_session_has_a_secret_of_its_own(office: AccessOffice) -> None:
    one, other = await let_in(office), await let_in(office)
    assert one.secret != other.secret
    assert one.who.id != other.who.id
    assert await office.find_session(one.secret, NOW) is not None


async def test_the_browsers_earlier_session_ends(office: AccessOffice, beside: AccessStore) -> None:
    earlier = await let_in(office, "Vera")
    now = await let_in(office, instead_of=earlier.secret)
    assert await office.find_session(earlier.secret, NOW) is None
    assert await office.find_session(now.secret, NOW) is not None
    assert ("Cora", "session-ended", f"Vera session {earlier.who.id}") in told(beside)


async def test_a_secret_that_somebody_else_chose_is_never_taken_up(office: AccessOffice) -> None:
    granted = await let_in(office, instead_of="chosen by somebody else")
    assert granted.secret != "chosen by somebody else"
    assert await office.find_session("chosen by somebody else", NOW) is None


@pytest.mark.parametrize("name", ["Cora", "Nemo"])
async def test_five_attempts_then_a_lock_out(
    office: AccessOffice, hasher: CountingHasher, beside: AccessStore, name: str
) -> None:
    running = await let_in(office, "Vera")
    hasher.verified = 0
    answers = [await attempt(office, name, "not the password", address="192.0.2.9") for _ in range(8)]
    assert answers[:5] == [WRONG] * 5
    assert hasher.verified == 5
    for answer in answers[5:]:
        assert isinstance(answer, Denied)
        assert answer.kind == "too-many"
        assert 1 <= answer.retry_after_s <= 60
    assert (await attempt(office, name, address="192.0.2.9")).kind == "too-many"  # type: ignore[union-attr]
    assert await office.find_session(running.secret, NOW) is not None
    subject = name if name == "Cora" else "an unknown name"
    assert told(beside)[-6:] == [("-", "sign-in-failed", subject)] * 5 + [("-", "sign-in-locked-out", subject)]


async def test_attempts_at_once_get_no_further_than_attempts_in_turn(
    office: AccessOffice, hasher: CountingHasher
) -> None:
    await asyncio.gather(*(attempt(office, "Cora", f"guess number {n}") for n in range(20)))
    assert hasher.verified == 5


async def test_no_more_wait_for_a_hash_than_there_is_room_for(office: AccessOffice, hasher: CountingHasher) -> None:
    answers = await asyncio.gather(
        *(attempt(office, f"name {n}", "guess", address=f"192.0.{n}.7") for n in range(WAITING_MAX * 2))
    )
    kinds = [answer.kind for answer in answers if isinstance(answer, Denied)]
    assert kinds.count("failed") == hasher.verified
    assert kinds.count("failed") + kinds.count("too-many") == WAITING_MAX * 2
    assert hasher.verified >= WAITING_MAX


def read_all(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in folder.iterdir())


async def test_what_was_typed_is_written_nowhere(
    office: AccessOffice, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    caplog.set_level(logging.DEBUG)
    for name, password in (("my secret typed as a name", "guess one two"), ("Cora", "my secret, mistyped")):
        await attempt(office, name, password)
    granted = await let_in(office)
    files = read_all(tmp_path)
    for secret in ("my secret", PASSWORD, granted.secret):
        assert secret not in caplog.text
        assert secret.encode() not in files


async def test_a_password_that_was_changed_meanwhile_lets_nobody_in(
    office: AccessOffice, beside: AccessStore, hasher: CountingHasher, monkeypatch: pytest.MonkeyPatch
) -> None:
    verify = hasher.verify

    def verify_slowly(kept: str | bytes, password: str | bytes) -> bool:
        right = verify(kept, password)
        edit(beside).set_password("Cora", "another", NOW)
        return right

    monkeypatch.setattr(hasher, "verify", verify_slowly)
    assert await attempt(office) == WRONG


async def test_what_the_command_line_changes_counts_at_once(office: AccessOffice, beside: AccessStore) -> None:
    cora, vera = await let_in(office), await let_in(office, "Vera")
    assert await office.find_ended({cora.who, vera.who}, NOW) == set()
    edit(beside).set_role("Cora", Role.VIEWER, NOW)
    assert await office.find_ended({cora.who, vera.who}, NOW) == {cora.who}
    assert await office.find_session(cora.secret, NOW) is None


async def test_people_end_their_own_sessions_alone(office: AccessOffice) -> None:
    cora, vera = await let_in(office), await let_in(office, "Vera")
    asked = {"by": "Vera", "origin": "192.0.2.7", "now": NOW}
    assert not await office.end_session(cora.who.id, of="Vera", **asked)  # type: ignore[arg-type]
    assert await office.end_session(vera.who.id, of="Vera", **asked)  # type: ignore[arg-type]
    assert await office.end_session(cora.who.id, of=None, **asked)  # type: ignore[arg-type]
    assert [row["name"] for row in await office.list_sessions(of=None, now=NOW + SECOND)] == []


# Whether sign-in is on


def test_it_is_off_where_nobody_was_ever_added(tmp_path: Path) -> None:
    assert open_access(tmp_path, LOOPBACK) is None
    assert list(tmp_path.iterdir()) == []
    AccessStore(tmp_path / ACCESS_FILE, create=True).close()
    assert open_access(tmp_path, LOOPBACK) is None


async def test_it_is_on_where_somebody_was(tmp_path: Path) -> None:
    make_store(tmp_path).close()
    for http in (LOOPBACK, ANYWHERE):
        office = open_access(tmp_path, http)
        assert office is not None
        office.close()


async def test_without_it_nothing_but_loopback_is_served(tmp_path: Path) -> None:
    with pytest.raises(AccessError) as caught:
        open_access(tmp_path, ANYWHERE)
    assert f"`sillwatch user add NAME --role administrator --data {tmp_path}`" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("http", [LOOPBACK, ANYWHERE])
async def test_a_store_that_cannot_be_read_is_never_taken_for_none(tmp_path: Path, http: Http) -> None:
    make_store(tmp_path).close()
    content = (tmp_path / ACCESS_FILE).read_bytes()
    for damage in (b"", content[:5000], b"\0" * len(content), content[:100] + b"\xff" * (len(content) - 100)):
        (tmp_path / ACCESS_FILE).write_bytes(damage)
        with pytest.raises(AccessError):
            open_access(tmp_path, http)
    (tmp_path / ACCESS_FILE).unlink()
    (tmp_path / ACCESS_FILE).symlink_to(tmp_path / "gone")
    with pytest.raises(AccessError):
        open_access(tmp_path, http)


async def test_a_store_that_fails_later_is_an_error_and_no_nobody(office: AccessOffice, beside: AccessStore) -> None:
    granted = await let_in(office)
    with sqlite3.connect(beside.path) as connection:
        connection.execute("ALTER TABLE sessions RENAME TO elsewhere")
    connection.close()
    with pytest.raises(AccessError):
        await office.find_session(granted.secret, NOW)
    with pytest.raises(AccessError):
        await office.find_ended({granted.who}, NOW)


async def test_a_store_that_hangs_is_an_error_in_time(
    office: AccessOffice, beside: AccessStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    granted = await let_in(office)
    monkeypatch.setattr("monitor.adapters.access.office.ANSWER_S", 0.01)
    go_on = threading.Event()
    monkeypatch.setattr("monitor.adapters.access.office.sessions.find_session", lambda *_: go_on.wait())
    with pytest.raises(AccessError, match="does not answer"):
        await office.find_session(granted.secret, NOW)
    go_on.set()
