"""The hazard catalogue, in the order in which rules are judged.

Owns the list and what can be looked up in it. A rule that silences another stands
before it, so that one instant's readings never raise what they also suppress.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from monitor.core.alert import EVACUATION
from monitor.core.rules import (
    chatter,
    evacuation,
    exits,
    holds,
    identity,
    movement,
    opening,
    overload,
    proof,
    sensing,
    slides,
    surroundings,
    transits,
    upkeep,
    weather,
    witness,
)
from monitor.core.rules.rule import Rule, Scope

NEVER_SILENCED: Final = frozenset(
    {EVACUATION, "slide-deployed", "slide-slow", "slide-not-released", "emergency-open-slow", "open-engine-running"}
)
"""What still matters to people who are getting out."""


def _in_order(*modules: tuple[Rule, ...]) -> tuple[Rule, ...]:
    """Put the modules' rules together; an evacuation silences all but what still matters in it."""
    return tuple(
        rule
        if rule.code in NEVER_SILENCED or rule.scope is Scope.SITE
        else replace(rule, suppressed_by=(*rule.suppressed_by, EVACUATION))
        for rules in modules
        for rule in rules
    )


CATALOGUE: Final[tuple[Rule, ...]] = _in_order(
    evacuation.RULES,
    sensing.FEEDS,
    proof.RULES,
    overload.RULES,
    identity.RULES,
    chatter.RULES,
    sensing.RULES,
    slides.RULES,
    opening.RULES,
    upkeep.RULES,
    surroundings.RULES,
    holds.RULES,
    weather.RULES,
    movement.RULES,
    exits.RULES,
    witness.RULES,
    transits.RULES,
)

SITE_RULES: Final = tuple(rule for rule in CATALOGUE if rule.scope is Scope.SITE)
AIRCRAFT_RULES: Final = tuple(rule for rule in CATALOGUE if rule.scope is Scope.AIRCRAFT)
DOOR_RULES: Final = tuple(rule for rule in CATALOGUE if rule.scope is Scope.DOOR)


def known_parameters() -> Mapping[str, Mapping[str, float]]:
    """Map each rule code to its parameters and their defaults, as config may override them."""
    known: dict[str, dict[str, float]] = {}
    for rule in CATALOGUE:
        known.setdefault(rule.code, {}).update(rule.parameters)
    return MappingProxyType(known)
