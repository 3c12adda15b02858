"""The blank: what the rig itself loses, measured with its ports capped, and what of it belongs to a section's loss.

The same flow through the rig's fittings is a large share of the rig's small volume and a small one of a section's:

    loss of the section by the rig  =  loss of the capped rig · V_rig / V · flow(p) / flow(p_blank) · p_blank / p

Which law the flow follows isn't known: it lies between one that goes with p (then the last two factors are one) and a
laminar one, with p² - p_a². Where a volume isn't known nothing is subtracted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.evidence import Evidence

RELATIVE: Final = 0.3
"""How far a blank may be off in the night: seals in the cold, volumes, fittings that were touched (own choice)."""
LASTS_s: Final = 30.0 * SECONDS_PER_DAY
"""An older blank is told and not subtracted (own choice)."""
PRESSURES: Final = 0.3
"""A blank at a pressure further from the section's than this share of it is not subtracted (own choice)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A hold with capped ports: the loss of the rig's own volume, 1/s, at an absolute pressure, over `hold_s`."""

    section: str
    loss_per_s: float
    deviation_per_s: float
    absolute_Pa: float
    hold_s: float
    air_K: float | None = None


@dataclass(frozen=True, slots=True)
class Share:
    """What the rig takes of a section's gas, 1/s, with its standard uncertainty; `told` says it, or why it can't be."""

    loss_per_s: float
    deviation_per_s: float
    told: str
    known: bool
    why: str = ""
    """Why it isn't known."""


def not_negative(mean: float, deviation: float) -> tuple[float, float]:
    """Return mean and standard deviation of a normal that is known to be above zero.

    φ and Φ at a = -mean/deviation: mean + s·λ, s²·(1 + a·λ - λ²), λ = φ/(1 - Φ) (truncated normal, textbook).

    >>> [round(x, 4) for x in not_negative(0.0, 1.0)]  # half-normal: √(2/π), √(1 - 2/π)
    [0.7979, 0.6028]
    """
    if not deviation > 0.0:
        return max(mean, 0.0), 0.0
    a = -mean / deviation
    tail = 0.5 * math.erfc(a / math.sqrt(2.0))
    ratio = math.exp(-0.5 * a * a) / math.sqrt(2.0 * math.pi) / tail
    return mean + deviation * ratio, deviation * math.sqrt(max(1.0 + a * ratio - ratio * ratio, 0.0))


def share_of(
    blank: Measured,
    absolute_Pa: float,
    rig_volume_m3: float | None,
    volume_m3: float | None,
    age_s: float,
) -> Share:
    """Return what the rig takes of a section at this absolute pressure, `age_s` after the blank."""
    loss, deviation = not_negative(blank.loss_per_s, blank.deviation_per_s)
    day = 100.0 * SECONDS_PER_DAY
    of_rig = f"the capped rig lost {day * loss:.3g} ± {day * deviation:.2g} %/day of its own volume"
    if rig_volume_m3 is None or volume_m3 is None:
        missing = " and ".join(
            name for name, value in (("rig_volume", rig_volume_m3), ("volume", volume_m3)) if value is None
        )
        why = f"what that is of the section isn't known without {missing} in the settings"
        return _unknown(of_rig, why)
    if age_s > LASTS_s:
        return _unknown(of_rig, f"that was {age_s / SECONDS_PER_DAY:.0f} days before: measure it again")
    if abs(blank.absolute_Pa / absolute_Pa - 1.0) > PRESSURES:
        at = f"at {blank.absolute_Pa / 1e5:.1f} bar absolute, the section has {absolute_Pa / 1e5:.1f} bar"
        return _unknown(of_rig, f"that was {at}: measure it at the fill's pressure")
    outside = STANDARD_ATMOSPHERE_Pa**2
    head = (absolute_Pa**2 - outside) / max(blank.absolute_Pa**2 - outside, 1.0)
    laminar = head * blank.absolute_Pa / absolute_Pa
    factor = rig_volume_m3 / volume_m3 * 0.5 * (1.0 + laminar)
    relative = math.hypot(RELATIVE, abs(laminar - 1.0) / (1.0 + laminar) / math.sqrt(3.0))
    mine = factor * loss
    spread = math.hypot(factor * deviation, relative * mine)
    at = "" if blank.air_K is None else f" at {blank.air_K - ZERO_CELSIUS_K:.0f} °C"
    told = (
        f"the rig's own loss, {day * mine:.2g} ± {day * spread:.2g} %/day of the section (capped ports, "
        f"{age_s / SECONDS_PER_DAY:.1f} days before{at}), is subtracted"
    )
    return Share(mine, spread, told, known=True)


def _unknown(of_rig: str, reason: str) -> Share:
    why = f"{reason}: nothing is subtracted"
    return Share(0.0, 0.0, f"{of_rig}; {why}", known=False, why=why)


def without_rig(
    evidence: Evidence, loss_per_s: NDArray[np.float64], deviation_per_s: NDArray[np.float64]
) -> Evidence:
    """Return evidence of what is left when the rig takes `loss_per_s` (S,), known to `deviation_per_s` (S,).

    It takes it all the time, so every mean goes down by it and every variance up.
    """
    if not loss_per_s.any():
        return evidence
    loss, deviation = loss_per_s[:, None, None], deviation_per_s[:, None, None]
    return replace(
        evidence,
        mean_loss_per_s=evidence.mean_loss_per_s - loss,
        mean_deviation_per_s=np.hypot(evidence.mean_deviation_per_s, deviation),
        loss_per_s=evidence.loss_per_s - loss,
        loss_deviation_per_s=np.hypot(evidence.loss_deviation_per_s, deviation),
    )
