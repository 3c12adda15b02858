"""What others would say of the same soak: two readings, a straight line, and an oracle that knows the gas temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.gas import NITROGEN, log_density

if TYPE_CHECKING:
    from logger.virtual.plan import Simulated

DAY_S = 86_400.0
ATMOSPHERE_PA = 101_325.0  # for whoever has no barometer


def _absolute(simulated: Simulated, section: str) -> np.ndarray:
    reading = simulated.measured[f"{section}.pressure"]
    outside = {"absolute": 0.0, "sealed": ATMOSPHERE_PA}.get(
        simulated.plan.pressure_sensor.reference, simulated.measured.get("ambient.pressure", ATMOSPHERE_PA)
    )
    return np.asarray(reading + outside)


def two_readings(simulated: Simulated, section: str) -> float:
    """Common practice: p/T with the air's temperature at the first and the last reading, ideal gas; loss per day."""
    ratio = _absolute(simulated, section) / simulated.measured["ambient.temperature"]
    good = np.flatnonzero(np.isfinite(ratio))
    days = (simulated.time_s[good[-1]] - simulated.time_s[good[0]]) / DAY_S
    return float(-np.log(ratio[good[-1]] / ratio[good[0]]) / days)


def straight_line(simulated: Simulated, section: str) -> float:
    """Ordinary least squares through ln(p/T) over all readings; loss per day."""
    ratio = _absolute(simulated, section) / simulated.measured["ambient.temperature"]
    good = np.isfinite(ratio)
    return float(-np.polyfit(simulated.time_s[good] / DAY_S, np.log(ratio[good]), 1)[0])


def oracle(simulated: Simulated, section: str, column_m: float | None) -> float:
    """The same line through ln of the amount by the true gas temperature and true column; spikes left out by rank."""
    k = simulated.plan.sections.index(section)
    y = log_density(_absolute(simulated, section), simulated.truth.gas_K[:, k], NITROGEN)
    if column_m is not None:
        height = simulated.measured[f"{section}.height"]
        good = height[np.isfinite(height)]
        y = y + np.log1p((height - good[:5].mean()) / column_m)
    good = np.isfinite(y)
    t, y = simulated.time_s[good] / DAY_S, y[good]
    line = np.polyfit(t, y, 1)
    rest = y - np.polyval(line, t)
    kept = np.abs(rest - np.median(rest)) < 6.0 * np.median(np.abs(rest - np.median(rest))) + 1e-6
    return float(-np.polyfit(t[kept], y[kept], 1)[0])
