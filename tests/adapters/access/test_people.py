"""People, their sessions and tokens in the store: what each change ends, and what the audit tells of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.adapters.access import AccessStore, people, sessions, tokens
from monitor.adapters.access.names import check_name, fold_name
from monitor.adapters.access.passwords import LENGTH_MAX, check_password
from monitor.adapters.access.people import Editor
from monitor.adapters.access.sessions import AGE_MAX, IDLE_MAX, SESSIONS_MAX, Bearer
from monitor.core.times import HOUR, MINUTE, SECOND
from monitor.ports import AccessError, Granted, Role
from tests.adapters.access.people_kit import NOW, edit, make_store, told

CORA = Bearer("cora", "Cora", Role.COORDINATOR)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[AccessStore]:
    store = make_store(tmp_path)
    yield store
    store.close()


def begin(store: AccessStore, bearer: Bearer = CORA, now: int = NOW) -> Granted:
    with store.change(now) as work:
        return sessions.begin_session(work, bearer, address="192.0.2.7", agent="a browser", now=now)


# Names and passwords


@pytest.mark.parametrize("name", ["Ann", "ann.b", "Zoë", "Łukasz K.", "O'Hara", "a@b.example", "7", "Ann Bär"])
def test_names_that_people_have(name: str) -> None:
    assert check_name(name) == name


@pytest.mark.parametrize(
    "name",
    [
        *("", " ", " Ann", "Ann ", "A  B", "Ann\n", "a:b", "token:rig", "a/b", "<b>", "A\u202eB", "-", "--help"),
        *("x" * 61, "unnamed", "Sillwatch"),
    ],
)
def test_names_that_nobody_may_have(name: str) -> None:
    with pytest.raises(AccessError):
        check_name(name)


def test_a_capital_letter_makes_nobody_else(store: AccessStore) -> None:
    assert fold_name("Ann  B") == fold_name("ann b") == fold_name("ＡNN b")
    with pytest.raises(AccessError, match="already, as 'Vera'"):
        edit(store).add("VERA", Role.VIEWER, "x", NOW)


@pytest.mark.parametrize(
    ("password", "part"),
    [
        ("eleven char", "too short"),
        ("x" * (LENGTH_MAX + 1), "too long"),
        ("aaaaaaaaaaaaaaaa", "too easily guessed"),
        ("ANNABEL THE GOOD", "too easily guessed"),
    ],
)
def test_passwords_that_are_not_good_enough(password: str, part: str) -> None:
    with pytest.raises(AccessError, match=part) as caught:
        check_password(password, "Annabel the Good")
    assert password not in str(caught.value)
    check_password("twelve chars", "Annabel the Good")


# Changes to people


def test_everybody_is_listed_without_anything_secret(store: AccessStore) -> None:
    begin(store)
    listed = people.list_people(store)
    assert [(row["name"], row["role"], row["sessions"]) for row in listed] == [
        ("Ada", "administrator", 0),
        ("Cora", "coordinator", 1),
        ("Vera", "viewer", 0),
    ]
    assert "argon2" not in str(listed)


@pytest.mark.parametrize(
    ("change", "action"),
    [
        (lambda editor: editor.set_role("cora", Role.VIEWER, NOW), "role-changed"),
        (lambda editor: editor.set_password("cora", "another", NOW), "password-changed"),
        (lambda editor: editor.remove("cora", NOW), "person-removed"),
    ],
)
def test_a_change_ends_that_persons_sessions_alone(
    store: AccessStore, change: Callable[[Editor], None], action: str
) -> None:
    mine, other = begin(store), begin(store, Bearer("ada", "Ada", Role.ADMINISTRATOR))
    change(edit(store))
    assert sessions.find_session(store, mine.secret, NOW) is None
    assert sessions.find_session(store, other.secret, NOW) == other.who
    assert [(person, what) for person, what, _ in told(store)[-2:]] == [
        ("shell:tester", action),
        ("shell:tester", "session-ended"),
    ]
    assert store.find_broken() is None


def test_the_audit_says_before_and_after_and_from_where(store: AccessStore) -> None:
    edit(store).set_role("Vera", Role.COORDINATOR, NOW + SECOND)
    row = dict(store.select("SELECT * FROM audit ORDER BY seq DESC LIMIT 1")[0])
    assert {key: row[key] for key in ("time", "person", "action", "subject", "was", "became", "origin")} == {
        "time": NOW + SECOND,
        "person": "shell:tester",
        "action": "role-changed",
        "subject": "Vera",
        "was": "viewer",
        "became": "coordinator",
        "origin": "command line",
    }


def test_the_same_role_again_ends_nothing(store: AccessStore) -> None:
    mine = begin(store)
    before = told(store)
    edit(store).set_role("Cora", Role.COORDINATOR, NOW)
    assert sessions.find_session(store, mine.secret, NOW) is not None
    assert told(store) == before


def test_the_last_administrator_stays(store: AccessStore) -> None:
    for change in (lambda: edit(store).remove("Ada", NOW), lambda: edit(store).set_role("Ada", Role.VIEWER, NOW)):
        with pytest.raises(AccessError, match="last administrator"):
            change()
    edit(store).set_role("Vera", Role.ADMINISTRATOR, NOW)
    edit(store).set_role("Ada", Role.VIEWER, NOW)
    for name in ("Cora", "Ada", "Vera"):
        edit(store).remove(name, NOW)
    assert people.count_people(store) == 0


@pytest.mark.parametrize("what", ["set_role", "set_password", "remove"])
def test_nobody_is_nobody(store: AccessStore, what: str) -> None:
    more = {"set_role": (Role.VIEWER,), "set_password": ("x",), "remove": ()}[what]
    with pytest.raises(AccessError, match="no person 'Nemo'"):
        getattr(edit(store), what)("Nemo", *more, NOW)


# Sessions


def test_a_session_is_found_by_its_secret_alone(store: AccessStore) -> None:
    granted = begin(store)
    assert len(granted.secret) >= 43
    assert sessions.find_session(store, granted.secret, NOW) == granted.who
    for wrong in ("", granted.who.id, granted.secret[:-1], granted.secret + "A", "\udcff"):
        assert sessions.find_session(store, wrong, NOW) is None
    assert granted.secret not in str(store.select("SELECT * FROM sessions")[0][1])
    assert granted.secret not in repr(granted.who)


def test_it_is_over_when_idle(store: AccessStore) -> None:
    granted = begin(store)
    assert sessions.find_session(store, granted.secret, NOW + IDLE_MAX - SECOND) is not None  # and thereby used
    assert sessions.find_session(store, granted.secret, NOW + 2 * IDLE_MAX - 2 * SECOND) is not None
    assert sessions.find_session(store, granted.secret, NOW + 3 * IDLE_MAX) is None


def test_it_is_over_after_a_week_however_used(store: AccessStore) -> None:
    granted = begin(store)
    for hours in range(0, 7 * 24, 6):
        assert sessions.find_session(store, granted.secret, NOW + hours * HOUR) is not None
    assert sessions.find_session(store, granted.secret, NOW + AGE_MAX) is None
    assert granted.who.ends_at == NOW + AGE_MAX


def test_use_is_written_once_a_minute(store: AccessStore) -> None:
    granted = begin(store)

    def used_at() -> int:
        return int(store.select("SELECT used_at FROM sessions")[0][0])

    sessions.find_session(store, granted.secret, NOW + MINUTE - 1)
    assert used_at() == NOW
    sessions.find_session(store, granted.secret, NOW + MINUTE)
    assert used_at() == NOW + MINUTE


def test_nobody_waits_for_the_note_that_a_session_was_used(store: AccessStore) -> None:
    beside = AccessStore(store.path)
    granted = begin(store)
    ran: list[str] = []
    with beside.change(NOW):
        store._connection.set_trace_callback(ran.append)
        assert sessions.find_session(store, granted.secret, NOW + MINUTE) == granted.who
        store._connection.set_trace_callback(None)
    [note] = [number for number, sql in enumerate(ran) if sql.startswith("UPDATE")]
    assert ran[note - 1] == "PRAGMA busy_timeout = 0"
    assert store.select("SELECT used_at FROM sessions")[0][0] == NOW
    assert store.select("PRAGMA busy_timeout")[0][0] == 5000
    beside.close()


def test_what_is_over_is_forgotten_and_told(store: AccessStore) -> None:
    old = begin(store)
    begin(store, now=NOW + AGE_MAX)
    assert [row["name"] for row in sessions.describe_sessions(store, None, NOW + AGE_MAX)] == ["Cora"]
    assert ("sillwatch", "session-ended", f"Cora session {old.who.id}") in told(store)


def test_nobody_has_more_sessions_than_fit(store: AccessStore) -> None:
    first = begin(store)
    for second in range(SESSIONS_MAX):
        begin(store, now=NOW + SECOND + second * SECOND // 2)
    assert len(sessions.describe_sessions(store, "cora", NOW + MINUTE)) == SESSIONS_MAX
    assert sessions.find_session(store, first.secret, NOW + MINUTE) is None
    assert ("sillwatch", "session-ended", f"Cora session {first.who.id}") in told(store)


def test_everybody_can_be_signed_out(store: AccessStore) -> None:
    mine, other = begin(store), begin(store)
    assert edit(store).sign_out("CORA", NOW) == 2
    assert {sessions.find_session(store, each.secret, NOW) for each in (mine, other)} == {None}


# Tokens


def make_token(
    store: AccessStore, name: str = "rig", scopes: tuple[str, ...] = ("read",), end: int | None = None
) -> str:
    return tokens.add_token(store, name, scopes, end, by="shell:tester", origin="command line", now=NOW)


def test_a_token_is_shown_once_and_kept_as_a_hash(store: AccessStore, tmp_path: Path) -> None:
    token = make_token(store, scopes=("act", "read"))
    word, identity, secret = token.split("_")
    assert (word, len(identity), len(secret)) == ("sillwatch", 8, 64)
    who = tokens.find_token(store, token, NOW)
    assert who is not None
    assert (who.kind, who.id, who.name, who.role, who.scopes) == ("token", identity, "token:rig", None, {"read", "act"})
    assert secret.encode() not in b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert secret not in str(tokens.describe_tokens(store))
    assert told(store)[-1] == ("shell:tester", "token-added", f"token:rig {identity}")


def test_only_the_whole_token_is_worth_anything(store: AccessStore) -> None:
    token = make_token(store)
    _, identity, secret = token.split("_")
    other = make_token(store, "other").split("_")[1]
    for wrong in (
        *("", "sillwatch", identity, secret, token + "0", token[:-1], token.upper(), f" {token}"),
        *(f"sillwatch_{other}_{secret}", f"sillwatch_00000000_{secret}", f"sillwatch_{identity}_{'0' * 64}"),
    ):
        assert tokens.find_token(store, wrong, NOW) is None, wrong


def test_a_token_ends(store: AccessStore) -> None:
    token = make_token(store, end=NOW + HOUR)
    assert tokens.find_token(store, token, NOW + HOUR - 1) is not None
    assert tokens.find_token(store, token, NOW + HOUR) is None
    assert tokens.list_valid(store, NOW + HOUR) == {}


def test_a_token_that_is_removed_is_worth_nothing(store: AccessStore) -> None:
    token, other = make_token(store), make_token(store, "other")
    tokens.remove_token(store, "RIG", by="shell:tester", origin="command line", now=NOW)
    assert tokens.find_token(store, token, NOW) is None
    assert tokens.find_token(store, other, NOW) is not None
    with pytest.raises(AccessError, match="no one token"):
        tokens.remove_token(store, "rig", by="shell:tester", origin="command line", now=NOW)


def test_wrong_scopes_and_taken_names_are_refused(store: AccessStore) -> None:
    make_token(store)
    for name, scopes, part in (("rig", ("read",), "already"), ("b", ("root",), "no scope"), ("c", (), "no scope")):
        with pytest.raises(AccessError, match=part):
            make_token(store, name, scopes)
