"""The hazard catalogue, in the order in which rules are judged.

Owns the list and what can be looked up in it. A rule that silences another stands
before it, so that one instant's readings never raise what they also suppress.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from monitor.core.rules import sensing, slides, surroundings
from monitor.core.rules.rule import Rule, Scope

CATALOGUE: Final[tuple[Rule, ...]] = (*sensing.RULES, *slides.RULES, *surroundings.RULES)

SITE_RULES: Final = tuple(rule for rule in CATALOGUE if rule.scope is Scope.SITE)
AIRCRAFT_RULES: Final = tuple(rule for rule in CATALOGUE if rule.scope is Scope.AIRCRAFT)
DOOR_RULES: Final = tuple(rule for rule in CATALOGUE if rule.scope is Scope.DOOR)


def known_parameters() -> Mapping[str, Mapping[str, float]]:
    """Map each rule code to its parameters and their defaults, as config may override them."""
    known: dict[str, dict[str, float]] = {}
    for rule in CATALOGUE:
        known.setdefault(rule.code, {}).update(rule.parameters)
    return MappingProxyType(known)
