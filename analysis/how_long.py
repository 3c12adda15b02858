"""How long a soak must stand to decide, before there is a reading: the estimator's covariance under a forecast.

A forward run of analysis.outlook with what is believed before the soak. It knows one model; that nobody knows which
model holds makes the real interval wider, by `MODELS` in the middle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.outlook import DECIDING, HORIZON_s, Scene, STEP_s, sensors_more, uncertainty
from analysis.priors import Priors
from analysis.setup import setup_of
from analysis.verdict import SHORTEST_h
from logger.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.settings import Settings

Array = NDArray[np.float64]

# of a normal to its 90 % quantile, one-sided: the estimate strays, and nine soaks of ten shall be decided
NINE_OF_TEN: Final = 1.2816
MODELS: Final = 1.15
"""Real over foretold standard deviation at 14 h: median 1.11 of 40 simulated sections, 8 of 10 from 0.76 to 1.45."""
MIDDLE_LAG: Final = 2
COLDEST_HOUR, WARMEST_HOUR = 6.0, 15.0
"""When a winter day is coldest and warmest (common practice, no source)."""
NOISE_Pa, NOISE_m = 20.0, 3e-5
"""Noise of a half-hourly mean that is assumed before there are readings: the floors of analysis.soak."""


@dataclass(frozen=True)
class Forecast:
    """The air to come: where the car comes from, the night's lowest and the day's highest, and when it is shut off."""

    shop_K: float
    night_K: float
    day_K: float
    begin_hour: float
    driven: bool = False

    def air_K(self, time_s: Array) -> Array:
        """Return the air around the car, (n,): half a cosine up from 6 to 15 h, half a cosine down until 6 h."""
        hour = (self.begin_hour + time_s / 3600.0) % 24.0
        rising = (hour >= COLDEST_HOUR) & (hour < WARMEST_HOUR)
        up = (hour - COLDEST_HOUR) / (WARMEST_HOUR - COLDEST_HOUR)
        down = ((hour - WARMEST_HOUR) % 24.0) / (24.0 - WARMEST_HOUR + COLDEST_HOUR)
        share = 0.5 - 0.5 * np.cos(np.pi * np.where(rising, up, 1.0 - down))
        outside = self.night_K + (self.day_K - self.night_K) * share
        return np.where(time_s <= 0.0, self.shop_K, outside)


def before_any_reading(priors: Priors, *, driven: bool) -> Priors:
    """Return priors of one model: the middle lag, the disturbances' mean, the car rested or driven."""
    size_K, time_s, weight = (np.array(column) for column in zip(*priors.disturbance_grid, strict=True))
    beliefs = [belief for belief in priors.beginnings if belief.car == int(driven)]
    return replace(
        priors,
        lag_grid_s=(priors.lag_grid_s[MIDDLE_LAG],),
        disturbance_grid=((float(np.sqrt((weight * size_K**2).sum())), float((weight * time_s).sum()), 1.0),),
        beginnings=(replace(beliefs[0], weight=1.0),),
    )


def planned_scene(
    settings: Settings, names: Sequence[str], absolute_Pa: Array, forecast: Forecast, fitted: frozenset[str]
) -> Scene:
    """Return the scene of a soak that has not begun; `absolute_Pa` (S,), `fitted` of "barometer", "gas thermometer"."""
    # the column is given for the height at which the soak begins: the made-up car begins there
    sections = tuple(replace(setup_of(settings, name), reference_height_m=None) for name in names)
    time_s = np.arange(0.0, HORIZON_s + 0.5 * STEP_s, STEP_s)
    return Scene(
        sections=sections,
        standing=settings.soak.support == "standing",
        gas=settings.soak.gas,
        day_begins_s=-forecast.begin_hour * 3600.0,
        air_s=time_s,
        air_K=forecast.air_K(time_s),
        absolute_Pa=absolute_Pa,
        pressure_variance=(NOISE_Pa / absolute_Pa) ** 2 + 1e-10,
        height_variance_m2=np.full(len(names), NOISE_m**2),
        barometer="barometer" in fitted,
        probe="gas thermometer" in fitted,
        priors=before_any_reading(Priors(), driven=forecast.driven),
    )


@dataclass(frozen=True)
class Length:
    """How long to stand, h, (S,); inf = not within the horizon."""

    even: Array
    """From here on a tight section is called tight as likely as not."""
    sure: Array
    """From here on nine of ten are."""


def needed(scene: Scene, limit_per_s: Array) -> Length:
    """Return how long it must stand to tell a tight section from the limit (S,), which is also the time for twice it."""
    times, deviation = uncertainty(scene, HORIZON_s)
    return Length(
        *(_from(times, deviation, limit_per_s / factor) for factor in (DECIDING, DECIDING + NINE_OF_TEN))
    )


def _from(times: Array, deviation: Array, most: Array) -> Array:
    enough = (MODELS * deviation <= most) & (times[:, None] >= SHORTEST_h * 3600.0)
    return np.asarray(np.where(enough.any(axis=0), times[enough.argmax(axis=0)] / 3600.0, np.inf))


def with_one_more(scene: Scene) -> dict[str, Scene]:
    """Return the scenes with a barometer, or a thermometer in the gas, where it isn't fitted."""
    out = sensors_more(scene)
    if len(out) == 2:
        out["both"] = replace(scene, barometer=True, probe=True)
    return out


def at_the_end(scene: Scene, hours: float) -> Array:
    """Return the half-width of the 95 % interval of the loss after so many hours, per day, (S,)."""
    _, deviation = uncertainty(scene, hours * 3600.0, (hours - 1.0) * 3600.0)
    return np.asarray(1.96 * MODELS * SECONDS_PER_DAY * deviation[-1])
