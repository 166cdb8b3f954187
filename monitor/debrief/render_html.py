"""A report as one page that needs nothing else: no script, no font, no picture from elsewhere.

Owns the page's style and the policy that it may be served with. Everything that anybody wrote
is escaped by the templates; a test holds them to it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from monitor.core.alert import STATE_WORDS
from monitor.core.times import parse_time
from monitor.debrief import picture, words
from monitor.debrief.periods import find_zone
from monitor.debrief.picture import Drawn

STYLE: Final = resources.files("monitor.debrief").joinpath("templates/report.css").read_text("utf-8")
_HASH: Final = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
POLICY: Final = (
    f"default-src 'none'; style-src 'sha256-{_HASH}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""What the page may do when it is served: be styled by its own style, and nothing else."""

BAR_MAX: Final = 400
"""The most stretches of one door that are listed in words; the picture shows them all."""


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("monitor.debrief", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["seconds"] = words.seconds
    environment.filters["place"] = words.place
    environment.filters["group_lanes"] = words.group_lanes
    environment.filters["group_answers"] = words.group_answers
    environment.filters["complete_run"] = words.complete_run
    environment.filters["group_unwatched"] = words.group_unwatched
    environment.filters["in_time"] = words.in_time
    for name, table in (
        ("state", words.STATES),
        ("alert_state", STATE_WORDS),
        ("step", words.STEPS),
        ("run", words.RUNS),
        ("question", words.QUESTIONS),
        ("kind", words.KINDS),
    ):
        environment.filters[name] = lambda key, table=table: words.word(table, key)
    return environment


def render_html(kind: str, document: Mapping[str, Any]) -> str:
    """Write a document of ``kind`` (debrief, compare, handover) as a page."""
    of = document["of"]
    times = words.Times(of["zone"], of["since"], of.get("until", of["since"]))
    template = _environment().get_template(f"{kind}.html")
    return template.render(
        document=document,
        of=of,
        times=times,
        style=Drawn(STYLE),
        draw=_Drawing(of) if kind == "debrief" else None,
        shape=_draw_shape,
        bar_max=BAR_MAX,
        not_known_outside=words.NOT_KNOWN_OUTSIDE,
        unseen=words.UNSEEN,
    )


def _draw_shape(priority: str) -> Drawn:
    drawn = picture.draw_shape(priority, 12, 12, 22)
    return Drawn(
        f'<svg class="mark" viewBox="0 0 24 24" width="14" height="14" aria-hidden="true" focusable="false">{drawn}</svg>'
    )


class _Drawing:
    """The pictures of one debrief."""

    def __init__(self, of: Mapping[str, Any]) -> None:
        self._since, self._until = parse_time(of["since"]), parse_time(of["until"])
        self._zone = find_zone(of["zone"])

    def axis(self) -> Drawn:
        return picture.draw_axis(self._since, self._until, self._zone)

    def lane(self, lane: Mapping[str, Any]) -> Drawn:
        return picture.draw_lane(lane, self._since, self._until)

    def answers(self, answers: Mapping[str, Any]) -> Drawn:
        name = answers["door"] or str(answers["question"])
        return picture.draw_verdicts(answers["spans"], self._since, self._until, name)

    def key(self, lanes: list[Mapping[str, Any]]) -> list[tuple[Drawn, str]]:
        states = {str(bar["state"]) for lane in lanes for bar in lane["states"]}
        priorities = {str(mark["priority"]) for lane in lanes for mark in lane["alerts"]}
        return picture.draw_key(
            [state for state in words.STATES if state in states],
            [priority for priority in picture.OUTLINES if priority in priorities],
        )
