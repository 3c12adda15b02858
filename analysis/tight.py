"""What a tight section will read at another temperature: the pressure when blocked, the height when standing.

Everything that moves a tight section's reading and is not a loss is in it, each with its standard deviation: the gas
temperature, the barometer, the rubber's creep, the transducer against temperature, the gas column, and in shop air the
water that condenses. Combined as JCGM 100:2008 5.1.2 has it, by the root of the sum of squares; the range told is the
mean ± 1.96 of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.gas import GASES, isochoric_pressure_Pa, log_density
from analysis.priors import Priors
from analysis.water import condensable_Pa
from logger.units import STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from logger.settings import PressureSensorSettings

PRIORS: Final = Priors()
# The equation of state's range, less what a forecast may be off.
COLDEST_K, WARMEST_K = 223.0, 337.0
LOWEST_Pa, HIGHEST_Pa = 0.6e5, 2.15e6
FORECAST_K: Final = 1.5
"""How far gas and forecast differ, as a standard deviation (common practice, no source)."""
FILLED_K: Final = 2.0
"""How well the gas temperature at the shut-off is known by a thermometer in the shop; no source either."""
RANGE: Final = 1.96


@dataclass(frozen=True)
class Change:
    """From the shut-off to the reading: temperatures of the gas, barometer (None: not known), time between."""

    from_K: float
    to_K: float
    hours: float
    barometer_Pa: float | None = None
    barometer_then_Pa: float | None = None

    @property
    def atmosphere_Pa(self) -> float:
        """The barometer at the shut-off, or the standard atmosphere."""
        return STANDARD_ATMOSPHERE_Pa if self.barometer_Pa is None else self.barometer_Pa

    @property
    def atmosphere_then_Pa(self) -> float:
        """The barometer at the reading, or as it was."""
        return self.atmosphere_Pa if self.barometer_then_Pa is None else self.barometer_then_Pa

    @property
    def weather_Pa(self) -> float:
        """What the barometer's change is good to."""
        return 0.0 if self.barometer_then_Pa is not None else PRIORS.barometer_Pa


@dataclass(frozen=True)
class Reading:
    """A reading with the range in which a tight section's lies, 95 %; SI."""

    value: float
    low: float
    high: float


def absolute_Pa(reading_Pa: float, sensor: PressureSensorSettings, atmosphere_Pa: float) -> float:
    """Return the absolute pressure of a reading."""
    return (
        reading_Pa
        + {"gauge": atmosphere_Pa, "absolute": 0.0, "sealed": sensor.sealed_reference_Pa}[sensor.reference]
    )


def _creep(hours: float) -> tuple[float, float]:
    """Return by which share the rubber gives volume, mean and standard deviation."""
    decades = math.log10(1.0 + hours * 3600.0 / PRIORS.creep_time_s)
    return PRIORS.creep_mean_per_decade * decades, PRIORS.creep_per_decade * decades


def _water(change: Change, absolute: float, gas: str) -> tuple[float, float]:
    """Return by which share of the gas water condenses, mean and standard deviation."""
    if gas != "shop air":
        return 0.0, 0.0
    bound = float(condensable_Pa(np.array(change.from_K), np.array(change.to_K)))
    mean, deviation = PRIORS.water_share
    return mean * bound / absolute, deviation * bound / absolute


def tight_pressure(reading_Pa: float, change: Change, sensor: PressureSensorSettings, gas: str) -> Reading:
    """Return what the transducer of a tight blocked section will read, Pa, of its own kind (gauge or absolute).

    p₂ from ρ(p₂, T₂) = ρ(p₁, T₁) with the real gas; then the volume's creep, condensation, barometer.
    """
    before = absolute_Pa(reading_Pa, sensor, change.atmosphere_Pa)
    dry = isochoric_pressure_Pa(before, change.from_K, change.to_K, GASES[gas])
    creep, creep_deviation = _creep(change.hours)
    water, water_deviation = _water(change, dry, gas)
    value = dry * (1.0 - creep - water) - absolute_Pa(0.0, sensor, change.atmosphere_then_Pa)
    cooling = abs(change.from_K - change.to_K)
    drift = sensor.temperature_coefficient_per_K * cooling / math.sqrt(3.0)
    parts = (
        dry / change.to_K * FORECAST_K,
        dry / change.from_K * FILLED_K,
        dry * creep_deviation,
        dry * water_deviation,
        change.weather_Pa if sensor.reference == "gauge" else 0.0,
        drift * sensor.full_scale_Pa,  # of the zero
        drift * abs(value),  # of the span
    )
    return _range(value, parts)


def tight_sink(
    gauge_Pa: float, change: Change, column_m: float, column_uncertainty: float, gas: str
) -> Reading:
    """Return how far a tight standing section sinks, m: the load keeps the gauge pressure, the volume follows the gas.

    sink = column·(1 - V₂/V₁), V₂/V₁ = ρ(p₁, T₁)/ρ(p₂, T₂).

    >>> night = Change(293.15, 260.15, 0.0, 101325.0, 101325.0)
    >>> round(tight_sink(8e5, night, 0.25, 0.1, "nitrogen").value * 1000)  # 28 mm for 33 K by the ideal gas
    29
    """
    before, after = gauge_Pa + change.atmosphere_Pa, gauge_Pa + change.atmosphere_then_Pa
    virial = GASES[gas]
    first, then = (
        float(log_density(np.array(p), np.array(T), virial))
        for p, T in ((before, change.from_K), (after, change.to_K))
    )
    creep, creep_deviation = _creep(change.hours)
    water, water_deviation = _water(change, after, gas)
    ratio = math.exp(first - then)
    value = column_m * (1.0 - ratio * (1.0 - creep - water))
    parts = (
        column_m * ratio / change.to_K * FORECAST_K,
        column_m * ratio / change.from_K * FILLED_K,
        column_m * creep_deviation,
        column_m * water_deviation,
        column_m * change.weather_Pa / after,
        value * column_uncertainty,
    )
    return _range(value, parts)


def _range(value: float, parts: tuple[float, ...]) -> Reading:
    half = RANGE * math.sqrt(sum(part**2 for part in parts))
    return Reading(value, value - half, value + half)
