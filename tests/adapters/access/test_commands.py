"""``sillwatch user`` and ``sillwatch token``: what they say, and what they never show."""

from __future__ import annotations

import re
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from monitor.adapters.access import ACCESS_FILE, AccessStore, commands, people, sessions, tokens
from monitor.adapters.access.passwords import Passwords
from monitor.adapters.access.sessions import Bearer
from monitor.cli import app
from monitor.ports import Role
from tests.adapters.access.people_kit import PASSWORD, CountingHasher, told

Sillwatch = Callable[..., Result]


@pytest.fixture
def sillwatch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Sillwatch:
    """Run a command on a data folder of this test's own."""
    monkeypatch.setattr(commands, "Passwords", lambda: Passwords(CountingHasher()))
    runner = CliRunner()

    def run(*arguments: str, typed: str | bytes = "") -> Result:
        return runner.invoke(app, [*arguments, "--data", str(tmp_path / "data")], input=typed)

    return run


def said(result: Result, code: int) -> str:
    """The one line on stderr of a command that failed as it should."""
    assert (result.exit_code, result.stdout) == (code, ""), result.output
    [line] = result.stderr.splitlines()
    return line


def add(sillwatch: Sillwatch, name: str = "Ann", role: str = "administrator") -> None:
    result = sillwatch("user", "add", name, "--role", role, typed=PASSWORD + "\n")
    assert result.exit_code == 0, result.output


@pytest.fixture
def opened(tmp_path: Path) -> Callable[[], AccessStore]:
    return lambda: AccessStore(tmp_path / "data" / ACCESS_FILE)


def test_the_first_person_switches_sign_in_on(sillwatch: Sillwatch, tmp_path: Path) -> None:
    result = sillwatch("user", "add", "Ann", "--role", "administrator", typed=PASSWORD + "\n")
    assert (result.exit_code, result.stdout) == (0, "added Ann, administrator\n")
    assert result.stderr == "Sign-in is on from the next start of the service.\n"
    assert stat.S_IMODE((tmp_path / "data" / ACCESS_FILE).stat().st_mode) == 0o600
    second = sillwatch("user", "add", "Bob", typed=PASSWORD + "\n")
    assert (second.stdout, second.stderr) == ("added Bob, viewer\n", "")
    listed = sillwatch("user", "list").stdout.splitlines()
    assert [line.split()[:3] for line in listed] == [
        ["name", "role", "sessions"],
        ["Ann", "administrator", "0"],
        ["Bob", "viewer", "0"],
    ]


def test_a_password_that_nobody_could_type_is_refused(sillwatch: Sillwatch, tmp_path: Path) -> None:
    latin = "caf\xe9 caf\xe9 caf\xe9\n".encode("latin-1")
    (tmp_path / "password").write_bytes(latin)
    for file, typed in ((str(tmp_path / "password"), b""), ("-", latin)):
        line = said(sillwatch("user", "add", "Ann", "--password-file", file, typed=typed), 1)
        assert line == "sillwatch: the password is not written in UTF-8"


def test_a_password_comes_from_a_file_or_from_stdin(
    sillwatch: Sillwatch, tmp_path: Path, opened: Callable[[], AccessStore]
) -> None:
    file = tmp_path / "password"
    file.write_text(PASSWORD + "\nand a second line\n")
    assert sillwatch("user", "add", "Ann", "--password-file", str(file)).exit_code == 0
    assert sillwatch("user", "add", "Bob", "--password-file", "-", typed=PASSWORD + "\r\n").exit_code == 0
    assert sillwatch("user", "password", "Bob", typed="another good password\n").exit_code == 0
    store = opened()
    kept = {name: people.find_person(store, name)["password"] for name in ("Ann", "Bob")}  # type: ignore[index]
    passwords = Passwords(CountingHasher())
    assert passwords.verify(kept["Ann"], PASSWORD)
    assert passwords.verify(kept["Bob"], "another good password")
    store.close()
    assert "cannot be used" not in sillwatch("user", "list").stderr


@pytest.mark.parametrize("typed", ["", "\n", "short\n", "eleven char\n", "aaaaaaaaaaaaaaaaa\n"])
def test_a_password_that_is_not_good_enough_adds_nobody(sillwatch: Sillwatch, typed: str) -> None:
    line = said(sillwatch("user", "add", "Ann", typed=typed), 1)
    assert "password" in line
    assert typed.strip() in ("", "short") or typed.strip() not in line
    assert "Ann" not in sillwatch("user", "list").stdout


def test_a_password_is_no_argument(sillwatch: Sillwatch) -> None:
    for command in ("add", "password"):
        shown = sillwatch("user", command, "--help").stdout
        assert re.findall(r"--password\S*", shown) == ["--password-file"]
    assert sillwatch("user", "add", "Ann", "--password", PASSWORD).exit_code == 2
    assert sillwatch("user", "add", "Ann", PASSWORD).exit_code == 2


def test_a_file_that_is_not_there_is_one_line(sillwatch: Sillwatch) -> None:
    assert "nowhere" in said(sillwatch("user", "add", "Ann", "--password-file", "nowhere"), 1)


@pytest.mark.parametrize(
    "arguments",
    [
        ("user", "list"),
        ("user", "role", "Ann", "viewer"),
        ("user", "sessions"),
        ("user", "remove", "Ann"),
        ("token", "list"),
    ],
)
def test_where_nobody_was_added_nothing_is_made(
    sillwatch: Sillwatch, tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    assert "`sillwatch user add` makes it" in said(sillwatch(*arguments), 1)
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("user", "add", "ann"), "there is a person 'ann' already"),
        (("user", "add", "token:x"), "cannot be a name"),
        (("user", "role", "Nemo", "viewer"), "no person 'Nemo'"),
        (("user", "password", "Nemo"), "no person 'Nemo'"),
        (("user", "remove", "Nemo"), "no person 'Nemo'"),
        (("user", "role", "Ann", "viewer"), "only person"),
        (("token", "add", "rig", "--scope", "root"), "root is no scope; give some of read, act, metrics, admin"),
        (("token", "remove", "rig"), "no one token 'rig'"),
    ],
)
def test_what_cannot_be_done_is_one_line(sillwatch: Sillwatch, arguments: tuple[str, ...], part: str) -> None:
    add(sillwatch)
    assert part in said(sillwatch(*arguments, typed=PASSWORD + "\n"), 1)


def test_wrong_use_is_2(sillwatch: Sillwatch) -> None:
    for arguments in (
        ("user", "add"),
        ("user", "add", "Ann", "--role", "pilot"),
        ("token", "add", "rig"),
        ("user", "fly"),
    ):
        assert sillwatch(*arguments).exit_code == 2


def test_every_change_is_in_the_audit_with_who_made_it(sillwatch: Sillwatch, opened: Callable[[], AccessStore]) -> None:
    add(sillwatch)
    add(sillwatch, "Bob", "viewer")
    sillwatch("user", "role", "Bob", "coordinator")
    sillwatch("user", "password", "Bob", typed="another good password\n")
    sillwatch("token", "add", "rig", "--scope", "read")
    sillwatch("token", "remove", "rig")
    sillwatch("user", "remove", "Bob")
    store = opened()
    assert [what for _, what, _ in told(store)] == [
        *("person-added", "person-added", "role-changed", "password-changed"),
        *("token-added", "token-removed", "person-removed"),
    ]
    assert all(person.startswith("shell:") for person, _, _ in told(store))
    assert {row["origin"] for row in store.select("SELECT origin FROM audit")} == {"command line"}
    assert store.find_broken() is None
    store.close()


def test_sessions_are_listed_and_ended(sillwatch: Sillwatch, opened: Callable[[], AccessStore]) -> None:
    add(sillwatch)
    store, now = opened(), commands._now()
    with store.change(now) as work:
        granted = sessions.begin_session(
            work, Bearer("ann", "Ann", Role.ADMINISTRATOR), address="192.0.2.7", agent="a browser", now=now
        )
    for arguments in (("user", "sessions"), ("user", "sessions", "ANN")):
        listed = sillwatch(*arguments).stdout
        assert granted.who.id in listed
        assert "192.0.2.7" in listed
        assert granted.secret not in listed
    assert granted.who.id not in sillwatch("user", "sessions", "Bob").stdout
    assert sillwatch("user", "sign-out", "Ann").stdout == "ended 1 sessions of Ann\n"
    assert sessions.find_session(store, granted.secret, now) is None
    store.close()


def test_a_token_is_shown_once(sillwatch: Sillwatch, opened: Callable[[], AccessStore]) -> None:
    add(sillwatch)
    result = sillwatch("token", "add", "rig", "--scope", "act", "--scope", "read", "--days", "7")
    token = result.stdout.strip()
    assert (result.exit_code, result.stderr) == (0, "")
    store = opened()
    who = tokens.find_token(store, token, commands._now())
    assert who is not None
    assert who.scopes == {"act", "read"}
    assert who.ends_at is not None
    store.close()
    listed = sillwatch("token", "list").stdout
    assert "read,act" in listed
    assert token.split("_")[1] in listed
    assert token.split("_")[2] not in listed


def test_the_last_to_leave_is_told_what_follows(sillwatch: Sillwatch) -> None:
    add(sillwatch)
    assert "sign-in is off from the next start" in sillwatch("user", "remove", "Ann").stderr


def test_a_store_of_somebody_else_is_one_line(sillwatch: Sillwatch, tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / ACCESS_FILE).write_text("not a database" * 100)
    for arguments in (("user", "list"), ("user", "add", "Ann")):
        assert "is not an access store" in said(sillwatch(*arguments, typed=PASSWORD + "\n"), 1)
