"""A hold with capped ports: from the last readings to the rig's own loss, and whether such a rig is fit to soak with."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.blank import Measured, share_of
from analysis.readiness import FILL, Check, State, fall_per_min, log_amount
from analysis.threshold import DEFAULT_LOSS_PER_s, limit_of
from logger.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from analysis.readiness import Seen
    from logger.settings import Settings

LEAKS: Final = 3.0
"""Standard deviations by which a capped rig leaks; with four sections two would be said of a tight one in ten holds."""
OF_LIMIT: Final = 0.25
"""A rig that takes more than this share of the limit is no rig to soak with (own choice)."""
RISES: Final = 3.0
"""Standard deviations by which a capped rig may seem to gain gas."""


def measure(seen: Seen, name: str, settings: Settings, hold_s: float) -> Measured | str:
    """Return the blank of a section from the last `hold_s` of readings, or in words why there is none.

    The capped volume is small and has the temperature of its metal, which follows the air: half of what the air has
    changed is taken out, and between nothing and all of it lies the truth.
    """
    recent = seen.time_s >= seen.time_s[-1] - hold_s
    if seen.time_s[-1] - seen.time_s[0] < 0.95 * hold_s:
        return f"wait: there are not yet {hold_s / 60.0:g} min of readings"
    time_s = seen.time_s[recent]
    log = log_amount(seen, name, settings, pressure_only=True)[recent]
    good = log[np.isfinite(log)]
    fall = fall_per_min(time_s, log)
    if fall is None:
        return f"too few readings in {hold_s / 60.0:g} min"
    if np.ptp(good) > FILL and float(np.diff(good).max()) > FILL:
        return (
            "it was filled during the hold: wait until the hold lies behind the fill, and some minutes more"
        )
    air = seen.values.get("ambient.temperature")
    air_fall = None if air is None else fall_per_min(time_s, np.log(air[recent]))
    moved = 0.0 if air_fall is None else air_fall.value / 60.0
    loss = fall.value / 60.0 - 0.5 * moved
    deviation = math.hypot(fall.uncertainty / 60.0, 0.5 * moved / math.sqrt(3.0))
    if loss < -RISES * deviation:
        return "its pressure rises: it warms, or gas still comes in; close the fill valve and wait"
    newest_K = math.nan if air is None else seen.newest("ambient.temperature")
    air_K = newest_K if math.isfinite(newest_K) else None
    return Measured(name, loss, deviation, float(np.exp(np.median(good))), hold_s, air_K)


def judged_blank(seen: Seen, name: str, settings: Settings, hold_s: float) -> tuple[Check, Measured | None]:
    """Measure the blank of a section: is this rig tight enough to soak with? None: not to be kept."""
    what = f"{name} capped"
    found = measure(seen, name, settings, hold_s)
    if isinstance(found, str):
        return Check(what, "no", found), None
    return Check(what, *verdict_of(found, 0.0, settings)), found


def verdict_of(blank: Measured, age_s: float, settings: Settings) -> tuple[State, str]:
    """Return whether a rig with this blank is fit to soak with, and why."""
    section = settings.section(blank.section)
    share = share_of(blank, blank.absolute_Pa, section.rig_volume_m3, section.volume_m3, age_s)
    day, per_min = 100.0 * SECONDS_PER_DAY, 6000.0
    loss, deviation = per_min * blank.loss_per_s, per_min * blank.deviation_per_s
    said = f"the capped rig {'loses' if loss >= 0.0 else 'gains'} {abs(loss):.3f} ± {deviation:.3f} %/min of its own"
    if not share.known:
        leaks = loss > LEAKS * deviation
        return ("no", f"{said}: it leaks; {share.why}") if leaks else ("care", f"{said}; {share.why}")
    limit = limit_of(
        settings.threshold_of(blank.section), blank.absolute_Pa, section.volume_m3, section.gas_column_m
    )
    limit_per_s = DEFAULT_LOSS_PER_s if limit.loss_per_s is None else limit.loss_per_s
    low, high = (share.loss_per_s + sign * 2.0 * share.deviation_per_s for sign in (-1.0, 1.0))
    said += f", {day * share.loss_per_s:.2g} %/day of the section"
    if low > OF_LIMIT * limit_per_s or share.loss_per_s > limit_per_s:
        return "no", f"{said}, more than a quarter of the limit: find the rig's own leak first"
    if high > OF_LIMIT * limit_per_s:
        return (
            "care",
            f"{said}, perhaps {day * high:.2g}, over a quarter of the limit: hold longer, or find it",
        )
    return "ok", f"{said}, at most {day * high:.2g}"
