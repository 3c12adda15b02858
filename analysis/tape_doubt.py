"""A height that was just typed: can it be, beside its neighbours and what the cold makes a car sink?

A corner that leaks sinks further than the others, so going down takes much before it is asked about; nothing makes one
corner rise.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Final

from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping

RISES_m: Final = 0.02
SINKS_m: Final = 0.05
"""So far above or below what neighbours and cold explain a height is asked about (own choice, as all here)."""
SAME_AXLE_m: Final = 0.06
OTHERS_m: Final = 0.12
"""So far apart the first heights of a car may lie: left and right, and any two corners."""
COLUMN_m: Final = 0.25
"""Of an air spring whose gas column isn't known."""
ANY_COLD_m: Final = (-0.04, 0.01)
"""What a night may make of a car whose air temperature isn't known."""
SLACK_m: Final = 0.01


@dataclass(frozen=True, slots=True)
class Last:
    """A section's last height in the soak, and when that was."""

    height_m: float
    at: str


def by_cold(column_m: float | None, then_K: float | None, now_K: float | None) -> tuple[float, float]:
    """Return the least and the most that a tight corner has moved, m, by the air then and now; the gas lags behind.

        Δh = column · (T_now / T_then - 1)

    >>> by_cold(0.25, 293.15, 263.85)
    (-0.035, 0.01)
    """
    if then_K is None or now_K is None or not min(then_K, now_K) > ZERO_CELSIUS_K - 60.0:
        return ANY_COLD_m
    moved_m = (COLUMN_m if column_m is None else column_m) * (now_K / then_K - 1.0)
    return round(min(moved_m, 0.0) - SLACK_m, 3), round(max(moved_m, 0.0) + SLACK_m, 3)


def doubt(
    section: str,
    height_m: float,
    others: Mapping[str, float],
    before: Mapping[str, Last],
    cold_m: tuple[float, float],
) -> str | None:
    """Return what speaks against a height, in a clause; None if nothing does.

    `others`: heights of other sections measured about now; `before`: the last ones of all sections in the soak.
    """
    said = f"{section} {1000.0 * height_m:.0f} mm"
    last = before.get(section)
    if last is not None:
        change_m = height_m - last.height_m
        moved = [height - before[name].height_m for name, height in others.items() if name in before]
        explained = (*cold_m, *([median(moved)] if moved else []))
        if min(explained) - SINKS_m <= change_m <= max(explained) + RISES_m:
            return None
        why = f"the cold explains {1000.0 * cold_m[0]:+.0f} to {1000.0 * cold_m[1]:+.0f} mm"
        if moved:
            why += f", and the others moved by {1000.0 * median(moved):+.0f} mm"
        away = f"{1000.0 * abs(change_m):.0f} mm {'above' if change_m > 0.0 else 'below'} its last height"
        return f"{said} is {away}, {1000.0 * last.height_m:.0f} mm at {last.at}; {why}"
    if not others:
        return None
    twin = _twin(section)
    allowed_m = SAME_AXLE_m if twin in others else OTHERS_m
    beside_m = others[twin] if twin in others else median(others.values())
    if abs(height_m - beside_m) <= allowed_m:
        return None
    side = "above" if height_m > beside_m else "below"
    of = twin if twin in others else "the others"
    return f"{said} is {1000.0 * abs(height_m - beside_m):.0f} mm {side} {of}, {1000.0 * beside_m:.0f} mm"


def _twin(section: str) -> str:
    """Return the corner at the other end of the axle, by its name.

    >>> _twin("front_left"), _twin("rear_right"), _twin("spare")
    ('front_right', 'rear_left', '')
    """
    for this, other in (("left", "right"), ("right", "left")):
        if this in section:
            return section.replace(this, other)
    return ""
