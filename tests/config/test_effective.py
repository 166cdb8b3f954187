"""A configuration as flat texts: every key once, no secret, and whatever changes it changes them."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from monitor.config import builtin_types_folder, flatten, load

SITE: Final = """
site: {name: tarnwick, elevation_m: 210, stands: [S11, S12], aircraft: {XA-ABC: alder, XA-ABD: null}}
thresholds: {residual-pressure: {limit_hpa: 2.5}}
types: [types]
broker: {url: mqtts://127.0.0.1:8883, user: door, password_file: broker.password}
http:
  public_url: https://board.example
  oidc: {issuer: 'https://sign-in.example', client_id: sillwatch, client_secret_file: oidc.secret, roles: {apron: viewer}}
notify:
  destinations:
    pager:
      kind: webhook
      url_file: pager.url
      secret_file: pager.secret
      quiet_hours: {from: '22:00', to: '06:00'}
"""
SECRETS: Final = ("broker.password", "oidc.secret", "pager.url", "pager.secret")


def write(folder: Path, text: str = SITE) -> Path:
    types = folder / "types"
    types.mkdir(exist_ok=True)
    shipped = (builtin_types_folder() / "alder.yaml").read_text("utf-8")
    (types / "alder.yaml").write_text(shipped, "utf-8")
    for name in SECRETS:
        (folder / name).write_text(f"hush-{name}\n", "utf-8")
    path = folder / "site.yaml"
    path.write_text(text, "utf-8")
    return path


def flat(path: Path, **overrides: object) -> dict[str, str]:
    return flatten(load(path, overrides=overrides, environment={}))


def test_every_section_is_there_by_the_names_that_the_file_has(tmp_path: Path) -> None:
    found = flat(write(tmp_path))
    assert {key: found[key] for key in (
        "site.name", "site.elevation_m", "site.stands", "site.aircraft.XA-ABC", "site.aircraft.XA-ABD",
        "thresholds.residual-pressure.limit_hpa", "broker.user", "http.oidc.roles.apron", "http.port",
        "notify.destinations.pager.quiet_hours.from", "data.retention_days", "alerts.escalation", "proof.every_s",
    )} == {
        "site.name": "tarnwick", "site.elevation_m": "210.0", "site.stands": '["S11","S12"]',
        "site.aircraft.XA-ABC": "alder", "site.aircraft.XA-ABD": "", "thresholds.residual-pressure.limit_hpa": "2.5",
        "broker.user": "door", "http.oidc.roles.apron": "viewer", "http.port": "8080",
        "notify.destinations.pager.quiet_hours.from": "22:00", "data.retention_days": "365",
        "alerts.escalation": '["door team","coordinator","ops"]', "proof.every_s": "10.0",
    }  # fmt: skip
    assert found["broker.password_file"] == str(tmp_path / "broker.password")


def test_no_secret_is_among_them(tmp_path: Path) -> None:
    found = flat(write(tmp_path))
    assert "hush" not in " ".join(found.values())
    assert {key for key in found if key.endswith(("url_file", "secret_file", "password_file"))} == {
        "broker.password_file",
        "http.oidc.client_secret_file",
        "notify.destinations.pager.url_file",
        "notify.destinations.pager.secret_file",
    }


def test_a_type_is_one_digest_that_follows_its_values(tmp_path: Path) -> None:
    path = write(tmp_path)
    before = flat(path)
    alder = tmp_path / "types" / "alder.yaml"
    text = alder.read_text("utf-8")
    alder.write_text(f"# a comment\n{text}", "utf-8")
    assert flat(path) == before
    seats = next(line for line in text.splitlines() if line.startswith("seats: "))
    alder.write_text(text.replace(seats, f"seats: {int(seats.split()[1]) - 1}"), "utf-8")
    after = flat(path)
    assert [key for key in before if before[key] != after[key]] == ["types.alder"]


@pytest.mark.parametrize(
    ("override", "key", "value"),
    [
        ({"broker": "mqtts://127.0.0.1:8884"}, "broker.url", "mqtts://127.0.0.1:8884"),
        ({"http": "127.0.0.1:9000"}, "http.port", "9000"),
        ({"data": "elsewhere"}, "data.directory", "elsewhere"),
    ],
)
def test_a_flag_counts_as_what_it_sets(tmp_path: Path, override: dict[str, object], key: str, value: str) -> None:
    path = write(tmp_path)
    before, after = flat(path), flat(path, **override)
    assert {name: after[name] for name in after if after[name] != before.get(name)} == {key: value}
