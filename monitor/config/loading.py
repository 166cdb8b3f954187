"""Reading a site's configuration as a whole.

Owns the order of work: file, environment, command line, types, then what must fit
together across files. It reads files and nothing else.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.config.airframes import read_type
from monitor.config.document import Location, read_document
from monitor.config.explain import validate
from monitor.config.http_file import Http
from monitor.config.layers import Layer, environment_layers, file_layer, origin, override_layers, place
from monitor.config.locations import builtin_procedures_folder, builtin_types_folder
from monitor.config.notify_file import Notify
from monitor.config.problems import ConfigError, Problem, suggest
from monitor.config.procedures import read_procedures
from monitor.config.site_file import Alerts, Broker, Data, Drills, Proof, SiteFile
from monitor.config.thresholds import Known, check_thresholds
from monitor.core.airframe import AirframeType, Site
from monitor.core.procedures.definition import Procedure

_SUFFIXES = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class Config:
    """Everything that an instance runs by; ``path`` is the file it was read from."""

    path: Path
    site: Site
    broker: Broker
    http: Http
    data: Data
    alerts: Alerts
    notify: Notify = field(default_factory=Notify)
    proof: Proof = field(default_factory=Proof)
    drills: Drills = field(default_factory=Drills)


def load(
    path: Path | str,
    *,
    overrides: Mapping[str, object] | None = None,
    environment: Mapping[str, str] | None = None,
    known: Known | None = None,
) -> Config:
    """Read the site's file at ``path`` with its types.

    ``overrides`` holds what flags set, by dotted key (``broker.url``; ``broker``, ``http``
    and ``data`` also as their flags are written); ``None`` values are left out. It wins over
    ``environment`` (default: the process's), which wins over the file. ``known`` (rule code →
    parameter → default) has the names in thresholds checked.

    Raises :class:`ConfigError` with every problem found.
    """
    path = Path(path)
    environment_found, problems = environment_layers(os.environ if environment is None else environment)
    document = read_document(path)
    layers = [file_layer(document), *environment_found, *override_layers(overrides or {})]
    try:
        file = validate(SiteFile, layers)
    except ConfigError as error:
        raise ConfigError((*error.problems, *problems)) from None
    own = _own_types(file, layers, path.parent)
    types = _read_types(own, known, problems)
    procedures = _read_procedures(file, layers, path.parent, problems)
    for location, message in _check_site(file, types, known):
        problems.append(place(layers, location, message))
    if problems:
        raise ConfigError(problems)
    return Config(
        path=path,
        site=Site(
            name=file.site.name,
            elevation_m=float(file.site.elevation_m),
            timezone=file.site.timezone,
            stands=tuple(file.site.stands),
            visiting=file.site.visiting,
            types=types,
            aircraft=file.site.aircraft,
            thresholds=file.thresholds,
            shelve_minutes_max=file.alerts.shelve_minutes_max,
            escalation=tuple(file.alerts.escalation),
            procedures=procedures,
        ),
        broker=_complete_broker(file, layers, path.parent),
        http=_complete_http(file, layers, path.parent),
        data=file.data,
        alerts=file.alerts,
        proof=file.proof,
        drills=file.drills,
        notify=_complete_notify(file, layers, path.parent),
    )


def check(
    path: Path | str,
    *,
    overrides: Mapping[str, object] | None = None,
    environment: Mapping[str, str] | None = None,
    known: Known | None = None,
) -> tuple[Problem, ...]:
    """Return everything that :func:`load` would refuse, empty where it would load."""
    try:
        load(path, overrides=overrides, environment=environment, known=known)
    except ConfigError as error:
        return error.problems
    return ()


@dataclass(frozen=True, slots=True)
class _TypeEntry:
    """One entry of ``types`` with the place that names it."""

    path: Path
    index: int
    layers: Sequence[Layer]

    def problem(self, message: str) -> Problem:
        return place(self.layers, ("types", self.index), message)


def _own_types(file: SiteFile, layers: Sequence[Layer], folder: Path) -> list[_TypeEntry]:
    base = _base(layers, ("types",), folder)
    return [_TypeEntry(base / text, index, layers) for index, text in enumerate(file.types)]


def _read_types(own: Sequence[_TypeEntry], known: Known | None, problems: list[Problem]) -> dict[str, AirframeType]:
    """Read the shipped types and the site's own, which win over shipped ones of the same name."""
    types = {airframe.name: airframe for _, airframe in _read_each(_files(builtin_types_folder()), known, problems)}
    defined: dict[str, Path] = {}
    for entry in own:
        if not entry.path.exists():
            problems.append(entry.problem(f"there is no {entry.path}; give the path of a type's file, or of a folder"))
            continue
        files = _files(entry.path)
        if not files:
            problems.append(entry.problem(f"{entry.path} holds no .yaml file; give a folder that does, or a file"))
        for path, airframe in _read_each(files, known, problems):
            first = defined.setdefault(airframe.name, path)
            if first.resolve() != path.resolve():
                problems.append(
                    entry.problem(f"{path} defines {airframe.name!r}, as {first} does; give each type its own name")
                )
            types[airframe.name] = airframe
    return types


def _read_procedures(
    file: SiteFile, layers: Sequence[Layer], base: Path, problems: list[Problem]
) -> dict[str, Procedure]:
    """Read the site's own procedures, or the shipped ones where it names no folder."""
    if file.procedures is None:
        return read_procedures(builtin_procedures_folder(), problems)
    folder = _base(layers, ("procedures",), base) / file.procedures
    if not folder.is_dir():
        message = f"there is no folder {folder}; give the path of a folder of procedures' files, or leave it out"
        problems.append(place(layers, ("procedures",), message))
        return {}
    return read_procedures(folder, problems)


def _files(path: Path) -> list[Path]:
    if path.is_dir():
        return sorted(file for file in path.iterdir() if file.suffix in _SUFFIXES)
    return [path]


def _read_each(
    files: Sequence[Path], known: Known | None, problems: list[Problem]
) -> Iterator[tuple[Path, AirframeType]]:
    for path in files:
        try:
            yield path, read_type(path, known)
        except ConfigError as error:
            problems.extend(error.problems)


def _check_site(
    file: SiteFile, types: Mapping[str, AirframeType], known: Known | None
) -> Iterator[tuple[Location, str]]:
    for registration, name in file.site.aircraft.items():
        if name is not None and name not in types:
            yield ("site", "aircraft", registration), f"{name!r} is not a known type; {suggest(name, sorted(types))}"
    yield from check_thresholds(file.thresholds, known, ("thresholds",))
    for name, destination in file.notify.destinations.items():
        for index, code in enumerate(destination.codes):
            if known is not None and code not in known:
                location = ("notify", "destinations", name, "codes", index)
                yield location, f"{code!r} is not a known rule; {suggest(code, sorted(known))}"


def _complete_broker(file: SiteFile, layers: Sequence[Layer], folder: Path) -> Broker:
    broker = file.broker
    instance = broker.instance or f"sillwatch-{file.site.name}"
    paths = {
        key: _base(layers, ("broker", key), folder) / value
        for key in ("password_file", "ca_file", "cert_file", "key_file")
        if (value := getattr(broker, key)) is not None
    }
    return broker.model_copy(update={"instance": instance, "client_id": broker.client_id or instance, **paths})


def _complete_http(file: SiteFile, layers: Sequence[Layer], folder: Path) -> Http:
    http = file.http
    paths: dict[str, object] = {
        key: _base(layers, ("http", key), folder) / value
        for key in ("tls_cert_file", "tls_key_file")
        if (value := getattr(http, key)) is not None
    }
    if http.oidc is not None:
        key = "client_secret_file"
        secret = _base(layers, ("http", "oidc", key), folder) / http.oidc.client_secret_file
        paths["oidc"] = http.oidc.model_copy(update={key: secret})
    return http.model_copy(update=paths)


def _complete_notify(file: SiteFile, layers: Sequence[Layer], folder: Path) -> Notify:
    destinations = {}
    for name, destination in file.notify.destinations.items():
        paths = {
            key: _base(layers, ("notify", "destinations", name, key), folder) / value
            for key in ("url_file", "secret_file")
            if (value := getattr(destination, key)) is not None
        }
        destinations[name] = destination.model_copy(update=paths)
    return file.notify.model_copy(update={"destinations": destinations})


def _base(layers: Sequence[Layer], location: Location, folder: Path) -> Path:
    """Return what a relative path counts from: the file that holds it, else the working folder."""
    return folder if origin(layers, location).document is not None else Path()
