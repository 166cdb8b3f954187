"""The section ``notify``: what it takes, and one line for each mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import check, load
from monitor.core.rules import known_parameters

SITE = "site: {name: tarnwick, elevation_m: 210, stands: [S11]}\n"
GOOD = "kind: webhook, url: 'https://pager.example/x', secret_file: pager.secret"


def write(folder: Path, destination: str, more: str = "") -> Path:
    path = folder / "site.yaml"
    path.write_text(f"{SITE}notify:\n  {more}\n  destinations:\n    pager: {{{destination}}}\n")
    return path


def test_a_destination_is_read_with_its_defaults(tmp_path: Path) -> None:
    notify = load(write(tmp_path, GOOD), environment={}).notify
    [pager] = notify.destinations.values()
    assert (notify.give_up_after_days, pager.kind, pager.simulated) == (3, "webhook", False)
    assert (pager.priorities, pager.roles, pager.codes) == (["warning", "caution", "advisory"], [], [])
    assert pager.secret_file == tmp_path / "pager.secret", "relative to the file that names it"


def test_everything_can_be_said(tmp_path: Path) -> None:
    words = (
        "kind: apprise, url_file: a.url, priorities: [warning], roles: [ops], codes: [wind-limit],"
        " quiet_hours: {from: 22:00, to: 06:00}, simulated: true"
    )
    path = write(tmp_path, words, "give_up_after_days: 0.5")
    assert check(path, environment={}, known=known_parameters()) == ()
    [pager] = load(path, environment={}).notify.destinations.values()
    assert pager.quiet_hours is not None
    assert (pager.quiet_hours.begin, pager.quiet_hours.end) == ("22:00", "06:00")
    assert pager.url_file == tmp_path / "a.url"


def test_without_it_nobody_is_told(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE)
    assert load(path, environment={}).notify.destinations == {}


@pytest.mark.parametrize(
    ("words", "key", "message"),
    [
        ("kind: web, url: 'http://a'", "kind", "'web' is not one of the known words"),
        ("kind: webhook, secret_file: s", "", "the address is given not at all or twice"),
        (f"{GOOD}, url_file: u", "", "the address is given not at all or twice"),
        ("kind: webhook, url: 'http://a'", "", "could be forged without a signature; give 'secret_file'"),
        ("kind: alertmanager, url: 'http://a', secret_file: s", "", "only a webhook is signed"),
        ("kind: apprise, url: 'http://a'", "", "an apprise address is a secret"),
        ("kind: webhook, url: 'ftp://a', secret_file: s", "url", "does not start with http:// or https://"),
        ("kind: webhook, url: 'http://:80', secret_file: s", "url", "names no host or no usable port"),
        ("kind: webhook, url: 'http://a:x', secret_file: s", "url", "has no usable host and port"),
        ("kind: webhook, url: 'http://a/#b', secret_file: s", "url", "holds what no address may hold"),
        ("kind: webhook, url: 'http://u:p@a', secret_file: s", "url", "is a secret; put it into a 'url_file'"),
        ("kind: webhook, url: 'http://a?k=v', secret_file: s", "url", "is a secret; put it into a 'url_file'"),
        (f"{GOOD}, priorities: []", "priorities", "is empty"),
        (f"{GOOD}, priorities: [warnin]", "priorities[0]", "did you mean 'warning'?"),
        (f"{GOOD}, roles: [coordinater]", "roles[0]", "did you mean 'coordinator'?"),
        (f"{GOOD}, codes: [wind-limits]", "codes[0]", "did you mean 'wind-limit'?"),
        (f"{GOOD}, quiet_hours: {{from: '22:00'}}", "quiet_hours.to", "is missing; give the site's time"),
        (f"{GOOD}, quiet_hours: {{from: '24:00', to: '06:00'}}", "quiet_hours.from", "is not of the right form"),
        (f"{GOOD}, quiet_hours: {{from: '6:00', to: '6:00'}}", "quiet_hours.from", "such as '22:00'"),
        (f"{GOOD}, quiet_hours: {{from: '06:00', to: '06:00'}}", "quiet_hours", "begin when they end"),
        (f"{GOOD}, quiet_hours: {{form: '22:00', to: '06:00'}}", "quiet_hours.form", "did you mean 'from'?"),
    ],
)
def test_a_mistake_gives_its_one_line(tmp_path: Path, words: str, key: str, message: str) -> None:
    problems = check(write(tmp_path, words), environment={}, known=known_parameters())
    where = "notify.destinations.pager" + (f".{key}" if key else "")
    told = [str(problem) for problem in problems if f" {where}: " in str(problem)]
    assert len(told) == 1, problems
    assert message in told[0]
    assert told[0].startswith(f"{tmp_path / 'site.yaml'}:5:")
