"""A threshold as people set it (per day, mm per day, bar per day, a leak rate), as a loss per second of one section."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from logger.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from logger.settings import Threshold


DEFAULT_LOSS_PER_s: Final = 0.02 / SECONDS_PER_DAY
"""Where a limit in another dimension can't be converted: 2 %/day."""


@dataclass(frozen=True)
class Limit:
    """A threshold of one section; `loss_per_s` is None if the section's data don't allow the conversion."""

    loss_per_s: float | None
    reason: str = ""


def limit_of(
    threshold: Threshold, absolute_Pa: float | None, volume_m3: float | None, gas_column_m: float | None
) -> Limit:
    """Convert a threshold at the section's absolute pressure at the beginning.

    loss = sink/column = pressure rate/p = leak rate/(p·V): all from n = p·V/(Z·R·T) at constant temperature.

    >>> from logger.settings import Threshold
    >>> round(limit_of(Threshold("sink_m_per_s", 5e-3 / 86400, "5 mm/day"), 8e5, None, 0.25).loss_per_s * 86400, 6)
    0.02
    """
    # what one unit of the threshold is as a loss, and what the section must be known by
    needs = {
        "loss_per_s": (1.0, ""),
        "sink_m_per_s": (gas_column_m, "the section's gas_column"),
        "pressure_Pa_per_s": (absolute_Pa, "a pressure reading"),
        "leak_Pa_m3_per_s": (
            None if absolute_Pa is None or volume_m3 is None else absolute_Pa * volume_m3,
            "the section's volume and a pressure reading",
        ),
    }
    scale, what = needs[threshold.dimension]
    if scale is None:
        return Limit(None, f"threshold {threshold.text}: needs {what}")
    return Limit(threshold.value / scale)
