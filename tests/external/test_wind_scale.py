"""The Beaufort scale against the wind rule and the formula behind it.

The scale's edges in knots are published by the weather services (read on a secondary page:
6 = 22 to 27, 8 = 34 to 40, 10 = 48 to 55, 12 from 64 on); those in metres per second are
from memory. The limits are the alder's, which the contract fixes: 40 kt moved, 50 kt held
open. Slides must be usable in 25 kt, 14 CFR 25.810(a)(1)(iv) (read).
"""

from __future__ import annotations

from typing import Final

import pytest

from monitor.core.physics import dynamic_pressure_pa
from tests.stories import OUT, UNLOCKED, Story, alder

KNOTS: Final = {6: (22, 27), 8: (34, 40), 10: (48, 55), 12: (64, None)}
METRES_PER_SECOND: Final = {6: (10.8, 13.8), 8: (17.2, 20.7), 10: (24.5, 28.4), 12: (32.7, None)}


def speed(wind_kt: float) -> float:
    """Metres per second, as the formula for dynamic pressure takes a knot: q = ρv²/2 at ρ = 2 kg/m³ is v²."""
    return float(dynamic_pressure_pa(wind_kt, 2.0) ** 0.5)


@pytest.mark.parametrize("force", KNOTS)
def test_a_force_s_edges_in_knots_lie_within_its_edges_in_metres_per_second(force: int) -> None:
    """To a tenth of a metre per second: the published edges are rounded, and the next force begins a knot on."""
    (least, most), (slow, fast) = KNOTS[force], METRES_PER_SECOND[force]
    assert speed(least) >= slow
    assert speed(least - 1) < slow + 0.1
    if most is not None and fast is not None:
        assert speed(most) <= fast + 0.1
        assert speed(most + 1) > fast


def moved(wind_kt: float, *, held: bool) -> Story:
    story = alder()
    story.door_bundle("L1", {"access": "stairs"}, at=2)
    story.door_bundle("L1", UNLOCKED, at=3)
    story.door_bundle("L1", OUT, {"travel": 0.5}, at=4)
    if held:
        story.door_bundle("L1", {"travel": 1.0, "hold_open": True}, at=6)
    story.send("stand/S12/wind_kt", float(wind_kt), at=10)
    return story.until(12)


@pytest.mark.parametrize(
    ("wind_kt", "held", "priority"),
    [
        (KNOTS[6][1], False, None),  # a strong breeze, the most that slides are shown in
        (25, False, None),
        (KNOTS[8][0] - 1, False, None),  # a near gale
        (KNOTS[8][1], False, "caution"),  # a gale's upper edge is the limit of a moved leaf
        (KNOTS[8][1] + 1, False, "warning"),
        (KNOTS[10][0], True, "caution"),
        (KNOTS[10][1], True, "warning"),  # a storm
        (KNOTS[12][0], True, "warning"),
    ],
)
def test_the_alder_s_leaf_stands_up_to_a_gale(wind_kt: float, held: bool, priority: str | None) -> None:
    alert = moved(wind_kt, held=held).alert("wind-limit", "L1")
    assert (None if alert is None else alert["priority"]) == priority
