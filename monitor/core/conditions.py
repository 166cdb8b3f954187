"""What an answer is made of: named conditions, each met, not met or unknown, and the verdict they give.

A condition is met only if every signal it rests on is known: a shortcut by logic (the chocks
are on, so the brake does not matter) may settle a "no" but never a "yes". So no single bad,
old or missing reading leads to "nothing seen against it" (14 CFR 25.783(e)(3) by analogy).

Owns the shape of a condition and of an answer, and the three verdicts. It knows no door.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Final, NamedTuple

from monitor.core.deaf import why_unknown
from monitor.core.effects import Document
from monitor.core.kleene import Truth
from monitor.core.signals import Quality
from monitor.core.state import Reading
from monitor.core.view import WIND, View, why_not_judged

NOTHING_SEEN: Final = "nothing seen against it"
STOPPED: Final = "stopped by"
CANNOT_TELL: Final = "cannot tell"

_HELD_WHEN_NEVER_REPORTED: Final = frozenset({"barrier", "airframe/emergency"})
"""No barrier and no emergency also hold where nothing was ever reported (the contract's "blind")."""


class Looked(NamedTuple):
    """Signals that were looked at, by path, and those of them that are not known, with why."""

    evidence: tuple[str, ...] = ()
    wanting: tuple[str, ...] = ()


class Condition(NamedTuple):
    """One condition of an answer.

    ``text`` says how it stands, ``reason`` the same without numbers that change all the time,
    ``why`` which signals are not known.
    """

    name: str
    met: Truth
    text: str
    reason: str
    evidence: tuple[str, ...] = ()
    why: str = ""


class Answer(NamedTuple):
    """What speaks against one action: the conditions, the verdict they give, and what cannot be seen meanwhile.

    ``notes`` say what nobody watches here at all, and what the verdict therefore does not speak of.
    """

    question: str
    conditions: tuple[Condition, ...]
    deaf_to: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def verdict(self) -> str:
        """``stopped by`` if a condition is not met, else ``cannot tell`` if one is unknown."""
        unknown = False
        for condition in self.conditions:
            if condition.met is False:
                return STOPPED
            unknown = unknown or condition.met is None
        return CANNOT_TELL if unknown or not self.conditions else NOTHING_SEEN

    @property
    def reasons(self) -> tuple[str, ...]:
        """What the verdict rests on: the conditions not met, or else the unknown ones."""
        verdict = self.verdict
        if verdict == NOTHING_SEEN:
            return ()
        wanted = False if verdict == STOPPED else None
        return tuple(condition.reason for condition in self.conditions if condition.met is wanted)

    @property
    def sentence(self) -> str:
        """The answer as one sentence."""
        verdict, wanted = self.verdict, False if self.verdict == STOPPED else None
        if verdict == NOTHING_SEEN:
            return f"{self.question}: {verdict}{self._noted}."
        texts = "; ".join(condition.text for condition in self.conditions if condition.met is wanted)
        return f"{self.question}: {verdict}: {texts}{self._noted}."

    @property
    def _noted(self) -> str:
        return f" ({'; '.join(self.notes)})" if self.notes else ""


def describe_answer(answer: Answer) -> Document:
    """Write an answer whole, for a reader who asks why."""
    return {
        "verdict": answer.verdict,
        "sentence": answer.sentence,
        "conditions": [
            {
                "name": condition.name,
                "met": condition.met,
                "text": condition.text,
                "evidence": list(condition.evidence),
                "why": condition.why,
            }
            for condition in answer.conditions
        ],
        "notes": list(answer.notes),
        "deaf_to": list(answer.deaf_to),
    }


def shorten_answer(answer: Answer) -> Document:
    """Write an answer so that it compares equal until it changes: the verdict and its reasons."""
    return {"verdict": answer.verdict, "reasons": list(answer.reasons), "notes": list(answer.notes)}


def look(view: View, signals: tuple[str, ...]) -> Looked:
    """Look at signals: a door's by name, ``airframe/…`` and ``stand/…``; those not fitted only if they are reported."""
    evidence: list[str] = []
    wanting: list[str] = []
    not_judged = why_not_judged(view.aircraft) if view.aircraft is not None else "no aircraft"
    door, spec = view.door, view.spec
    readings = door.readings if door is not None else {}
    fitted_at_all = spec.signals if spec is not None else _NONE_FITTED
    for signal, path, fitted in _list_paths(door.name if door is not None else "-", fitted_at_all, signals):
        if path:
            reading, asked, told = readings.get(signal), fitted, path
            if (
                reading is not None
                and reading.value is not None
                and reading.quality is Quality.GOOD
                and not reading.stale
                and not_judged is None
            ):
                evidence.append(path)  # by far the commonest
                continue
        else:
            told, reading, asked = _find_elsewhere(view, signal)
        if not asked and (reading is None or reading.value is None):
            continue
        evidence.append(told)
        if reading is None and signal in _HELD_WHEN_NEVER_REPORTED:
            continue
        why = why_unknown(reading, fitted=True) or not_judged
        if why is not None:
            wanting.append(f"{told} ({why})")
    if view.kept is not None:
        # What is kept is for the short answer, which names no evidence: thousands of doors would hold these lists.
        return Looked((), tuple(wanting)) if wanting else _WELL
    return Looked(tuple(evidence), tuple(wanting))


_WELL: Final = Looked()


_NONE_FITTED: Final[frozenset[str]] = frozenset()


@lru_cache(maxsize=4096)
def _list_paths(door: str, fitted: frozenset[str], signals: tuple[str, ...]) -> tuple[tuple[str, str, bool], ...]:
    """List (signal, path, fitted) of a door's signals; those of elsewhere with an empty path."""
    return tuple((signal, "" if "/" in signal else f"door/{door}/{signal}", signal in fitted) for signal in signals)


def _find_elsewhere(view: View, signal: str) -> tuple[str, Reading | None, bool]:
    """Return an airframe's or a stand's signal: its path, its last reading, and whether it is asked for anyway."""
    owner, _, name = signal.partition("/")
    if owner == "airframe":
        return signal, view.airframe_reading(name), True
    stand = view.aircraft.stand if view.aircraft is not None else ""
    reading = view.stand_reading(name)
    # Wind or gust will do, as far as neither was ever reported and fell out.
    asked = reading is not None or (name == WIND[0] and view.stand_reading(WIND[1]) is None)
    return f"stand/{stand or '-'}/{name}", reading, asked


def look_over(looks: Iterable[Looked]) -> Looked:
    """Put several looks together."""
    together = list(looks)
    return Looked(
        tuple(path for one in together for path in one.evidence),
        tuple(path for one in together for path in one.wanting),
    )


def weigh(
    name: str,
    met: Truth,
    looked: Looked,
    *,
    well: str,
    against: str,
    unknown: str,
    reason: str = "",
) -> Condition:
    """Make a condition of a three-valued fact and the signals it rests on.

    ``well``, ``against`` and ``unknown`` say how it stands when met, not met and unknown;
    ``reason`` is ``against`` without changing numbers, where it has any.
    """
    if met is True and looked.wanting:
        met = None
    if met is None:
        why = f"not known: {', '.join(looked.wanting)}" if looked.wanting else ""
        return Condition(name, None, unknown, unknown, looked.evidence, why)
    if met:
        return Condition(name, True, well, name, looked.evidence)
    return Condition(name, False, against, reason or against, looked.evidence)


def name_some(names: Sequence[str], most: int = 6) -> str:
    """List names in a sentence, the first few of many."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
