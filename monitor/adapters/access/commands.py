"""``sillwatch user`` and ``sillwatch token``: who may use the service, from the command line.

Owns these commands' words and exit codes. They work beside a running service, which takes
up every change at once. A password is asked for or read, never given as an argument, where
other users of the machine and the shell's history would have it.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Final, NoReturn

import typer

from monitor.adapters.access import people, sessions, tokens
from monitor.adapters.access.names import check_name, fold_name
from monitor.adapters.access.office import explain_exposure
from monitor.adapters.access.passwords import LENGTH_MIN, Passwords, check_password
from monitor.adapters.access.people import Editor
from monitor.adapters.access.store import ACCESS_FILE, AccessStore, peek_people
from monitor.config import ConfigError, Http, default_config_path, load
from monitor.config.http_file import is_loopback
from monitor.config.secret_files import find_unfit_secrets
from monitor.core.times import HOUR
from monitor.ports import SCOPES, AccessError, Readout, Role

ORIGIN: Final = "command line"

users: Final = typer.Typer(help="Say who may sign in, and as what.", no_args_is_help=True, rich_markup_mode=None)
programs: Final = typer.Typer(help="Give tokens to programs.", no_args_is_help=True, rich_markup_mode=None)

Name = Annotated[str, typer.Argument(metavar="NAME", help="The name to sign in with.")]
TokenName = Annotated[str, typer.Argument(metavar="NAME", help="What the token is called, or its id.")]
DataOption = Annotated[
    Path | None, typer.Option("--data", help="The data folder, as in the run command; default: the config's.")
]
ConfigOption = Annotated[
    Path | None, typer.Option("--config", envvar="SILLWATCH_CONFIG", help="The config file; default: the demo's.")
]
RoleOption = Annotated[Role, typer.Option("--role", help="What the person may do.")]
PasswordOption = Annotated[
    Path | None,
    typer.Option("--password-file", help="A file whose first line is the password; - is stdin. Else it is asked for."),
]


@users.command("add")
def add_user(
    name: Name,
    role: RoleOption = Role.VIEWER,
    password_file: PasswordOption = None,
    data: DataOption = None,
    config: ConfigOption = None,
) -> None:
    """Add a person. With the first one sign-in is on, from the next start of the service."""
    with _editing(data, config, create=True) as store:
        check_name(name)
        if people.find_person(store, name) is not None:
            raise AccessError(f"there is a person {name!r} already; `sillwatch user role` and `password` change them")
        first = people.count_people(store) == 0
        _editor(store).add(name, role, Passwords().hash(_read_password(name, password_file)), _now())
        typer.echo(f"added {name}, {role}")
        if first:
            typer.echo("Sign-in is on from the next start of the service.", err=True)


@users.command("list")
def list_users(data: DataOption = None, config: ConfigOption = None) -> None:
    """Name everybody who may sign in."""
    with _editing(data, config) as store:
        _print(("name", "role", "sessions", "added_at", "signed_in_at"), people.list_people(store))


@users.command("role")
def set_role(
    name: Name,
    role: Annotated[Role, typer.Argument(help="What the person may do from now on.")],
    data: DataOption = None,
    config: ConfigOption = None,
) -> None:
    """Give a person another role. Their sessions end."""
    with _editing(data, config) as store:
        _editor(store).set_role(name, role, _now())
        typer.echo(f"{name} is {role}")


@users.command("password")
def set_password(
    name: Name, password_file: PasswordOption = None, data: DataOption = None, config: ConfigOption = None
) -> None:
    """Give a person another password. Their sessions end."""
    with _editing(data, config) as store:
        if people.find_person(store, name) is None:
            raise AccessError(f"there is no person {name!r}; `sillwatch user list` names everybody")
        _editor(store).set_password(name, Passwords().hash(_read_password(name, password_file)), _now())
        typer.echo(f"{name} has another password")


@users.command("remove")
def remove_user(name: Name, data: DataOption = None, config: ConfigOption = None) -> None:
    """Remove a person. Their sessions end."""
    with _editing(data, config) as store:
        _editor(store).remove(name, _now())
        typer.echo(f"removed {name}")
        if people.count_people(store) == 0:
            typer.echo("Nobody is left: sign-in is off from the next start of the service.", err=True)


@users.command("sessions")
def list_sessions(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="Whose; default: everybody's.")] = None,
    data: DataOption = None,
    config: ConfigOption = None,
) -> None:
    """List the sessions that run."""
    with _editing(data, config) as store:
        key = None if name is None else fold_name(name)
        columns = ("id", "name", "role", "began_at", "used_at", "ends_at", "address")
        _print(columns, sessions.describe_sessions(store, key, _now()))


@users.command("sign-out")
def sign_out(name: Name, data: DataOption = None, config: ConfigOption = None) -> None:
    """End every session of a person; their open boards say so within seconds."""
    with _editing(data, config) as store:
        typer.echo(f"ended {_editor(store).sign_out(name, _now())} sessions of {name}")


@programs.command("add")
def add_token(
    name: TokenName,
    scope: Annotated[list[str], typer.Option("--scope", help=f"What it may: {', '.join(SCOPES)}; give it repeatedly.")],
    days: Annotated[int | None, typer.Option(min=1, max=3650, help="It ends after so many days.")] = None,
    data: DataOption = None,
    config: ConfigOption = None,
) -> None:
    """Make a token for a program and print it: it is never shown again."""
    with _editing(data, config, create=True) as store:
        ends_at = None if days is None else _now() + days * 24 * HOUR
        typer.echo(tokens.add_token(store, name, scope, ends_at, by=_person(), origin=ORIGIN, now=_now()))
        if people.count_people(store) == 0:
            typer.echo("It is asked for once somebody can sign in: `sillwatch user add` adds a person.", err=True)


@programs.command("list")
def list_tokens(data: DataOption = None, config: ConfigOption = None) -> None:
    """Name every token, never the secret in it."""
    with _editing(data, config) as store:
        rows = [{**row, "scopes": ",".join(row["scopes"])} for row in tokens.describe_tokens(store)]
        _print(("id", "name", "scopes", "added_at", "ends_at", "used_at"), rows)


@programs.command("remove")
def remove_token(name: TokenName, data: DataOption = None, config: ConfigOption = None) -> None:
    """Remove a token: it is worth nothing from now on."""
    with _editing(data, config) as store:
        tokens.remove_token(store, name, by=_person(), origin=ORIGIN, now=_now())
        typer.echo(f"removed {name}")


def find_exposure(folder: Path, http: Http) -> Iterator[str]:
    """Say why an instance of this configuration would not start now, and which secret lies open."""
    try:
        if not is_loopback(http.host) and http.oidc is None and not peek_people(folder / ACCESS_FILE):
            yield f"http.host: {explain_exposure(folder, http)}"
    except AccessError as error:
        yield f"data.directory: {error}"
    encrypted = http.tls_cert_file is not None or (http.public_url or "").startswith("https://")
    if not is_loopback(http.host) and not encrypted:
        yield (
            "http.host: passwords cross the network unencrypted; give http.tls_cert_file and http.tls_key_file, "
            "or in http.public_url the https:// address of a proxy before it"
        )
    secrets = [("http.tls_key_file", http.tls_key_file)]
    if http.oidc is not None:
        secrets.append(("http.oidc.client_secret_file", http.oidc.client_secret_file))
    yield from find_unfit_secrets(secrets)


def register(app: typer.Typer) -> None:
    """Add ``user`` and ``token`` to ``app``."""
    app.add_typer(users, name="user")
    app.add_typer(programs, name="token")


@contextlib.contextmanager
def _editing(data: Path | None, config: Path | None, *, create: bool = False) -> Iterator[AccessStore]:
    """Open the store of the data folder; ends with 1, or 2 for a wrong config, and one line where that fails."""
    try:
        folder = data if data is not None else load(config or default_config_path()).data.directory
        if not create and not (folder / ACCESS_FILE).exists():
            _fail(
                f"nobody can sign in here yet: there is no {ACCESS_FILE} in {folder}; `sillwatch user add` makes it", 1
            )
        with contextlib.closing(AccessStore(folder / ACCESS_FILE, create=create)) as store:
            yield store
    except ConfigError as error:
        _fail(str(error), 2)
    except (AccessError, OSError) as error:
        _fail(f"sillwatch: {error}", 1)


def _editor(store: AccessStore) -> Editor:
    return Editor(store, by=_person(), origin=ORIGIN)


def _person() -> str:
    """Who sits at the terminal, as the machine knows them."""
    try:
        name = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        name = str(os.getuid())
    behind = os.environ.get("SUDO_USER", "") if os.getuid() == 0 else ""
    return f"shell:{behind} as {name}" if behind else f"shell:{name}"


def _read_password(name: str, file: Path | None) -> str:
    if file is not None and str(file) != "-":
        with file.open("rb") as lines:
            password = _decode(lines.readline())
    elif file is not None or not sys.stdin.isatty():
        password = _decode(sys.stdin.buffer.readline())
    else:
        typer.echo(f"At least {LENGTH_MIN} characters; several words are good.", err=True)
        password = typer.prompt("Password", hide_input=True, confirmation_prompt="Again", err=True)
    check_password(password, name)
    return password


def _decode(line: bytes) -> str:
    try:
        return line.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError:
        # No browser could ever send it. The error's own text would repeat some of it.
        raise AccessError("the password is not written in UTF-8") from None


def _now() -> int:
    return time.time_ns() // 1_000_000 * 1000


def _print(columns: Sequence[str], rows: Sequence[Readout]) -> None:
    """Write rows in columns; what is not known is a dash."""
    table = [columns, *([str(row[key]) if row[key] is not None else "-" for key in columns] for row in rows)]
    widths = [max(len(line[index]) for line in table) for index in range(len(columns))]
    for line in table:
        typer.echo("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())


def _fail(message: str, code: int) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(code)
