"""What is believed about a soak before its first reading: one table, each line with its source.

Every number is a standard deviation of a zero-mean normal unless it says otherwise. The estimator marginalises
all of them; none is a correction.

| what | prior | source |
| --- | --- | --- |
| lag of the gas behind the outside air | log-uniform over the grid, 17-150 min | common practice, no source |
| its error between grid points, and its wandering with the wind | 0.22 in ln(lag), over 24 h | grid; no source |
| ambient sensor behind the air, or arch air behind outside air | 150 s either way | common practice, no source |
| what the car did: rested / came in from a drive | 45 / 55 %, all sections tell it together | no source |
| gas temperature at the start, beyond the lagged air | rested 0 ± 1.2 K, driven 3.3 ± 2.8 K | no source |
| the same, where the first air is more than 4 K colder than a shop at 21 °C | half of the weight: half of that ± a third | no source |
| heat from the engine bay: rested | 0.1 ± 0.5 K | common practice, no source |
| the same, driven: a cool corner / a hot corner | 0.6 ± 0.7 K / 4 ± 3.2 K | common practice, no source |
| how that heat fades | with 1.5 h, with 5 h, or half and half | common practice, no source |
| start and heat before these beliefs are weighed | 2 ± 6 K, 1.2 ± 4 K, 1 ± 4 K | wide on purpose |
| sun on one flank, morning / noon / afternoon | 2.5 K, changes over 30 h | common practice, no source |
| what one lag can't describe of a change in temperature | 20 % of the change in a bin, fades | no source |
| slow thermal disturbance (Ornstein-Uhlenbeck) | grid of sizes and correlation times | evidence decides |
| transducer against temperature, zero and span | datasheet limit / √3 (rectangular) | settings; JCGM 100:2008 4.3.7 |
| lag of the transducer behind the air: what lies between counts as noise | 1 to 20 min | common practice, no source |
| the share of it that follows the gas and not the air | half as much | common practice, no source |
| creep of the rubber after a fill (20 min before) | 0.20 ± 0.13 % of volume per decade | order of size, no source |
| a blocked strut's volume gives with the pressure | 0.3 % per MPa, taken as known | order of size, no source |
| share of the bound on condensing water, shop air | 0 to 1, rectangular | JCGM 100:2008 4.3.7; `analysis/water.py` |
| ambient sensor, constant error | 0.5 K | datasheets of digital sensors, read second-hand |
| barometer, when none is fitted | 8 hPa, correlation time 40 h | usual weather, from memory |
| height of the place, when no barometer is fitted | 30 hPa | common practice, no source |
| air temperature across a gap of more than an hour | 0.9 K per root hour | common practice, no source |
| gas column of a standing section | settings' limit / √3 (10 % if not given) | settings; JCGM 100:2008 4.3.7 |
| load on a standing section, for its volume | smoothed over 3 h, longer than a disturbance | own choice, by the study |
| mean loss over the soak | 20 %/day, either sign | wide on purpose |
| flow of a leak: a steady fraction, or as p² - p_a² | half and half | laminar flow of a gas; evidence decides |
| unsteadiness of a likely leak | 5 % of its loss over 4 h | common practice, no source |
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.beginning import Beginning
from logger.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Priors:
    """The numbers of the table above."""

    lag_grid_s: tuple[float, ...] = (1200.0, 1900.0, 3000.0, 4700.0, 7400.0)
    log_lag_spread: float = 0.22
    start_offset_K: float = 6.0
    heat_times_s: tuple[float, float] = (5400.0, 18_000.0)
    heat_K: tuple[float, float] = (4.0, 4.0)
    load_smoothing_s: float = 10_800.0
    sun_K: float = 2.5
    sun_time_s: float = 30.0 * 3600.0
    # (standard deviation in K, correlation time in s, prior weight)
    disturbance_grid: tuple[tuple[float, float, float], ...] = field(
        default=(
            (0.12, 5400.0, 0.2),
            (0.3, 5400.0, 0.25),
            (0.7, 5400.0, 0.2),
            (0.3, 14_400.0, 0.15),
            (0.7, 14_400.0, 0.15),
            (1.5, 14_400.0, 0.05),
        )
    )
    structure: float = 0.2
    transducer_lags_s: tuple[float, float] = (60.0, 1200.0)
    gas_share: float = 0.5
    wobble: float = 0.05
    wobble_time_s: float = 4.0 * 3600.0
    air_lag_s: float = 150.0
    lag_time_s: float = 24.0 * 3600.0
    start_offset_mean_K: float = 2.0
    heat_mean_K: tuple[float, float] = (1.2, 1.0)
    beginnings: tuple[Beginning, ...] = (
        Beginning(0, 0.45, (0.0, 1.2), (0.1, 0.5)),
        Beginning(1, 0.25, (3.3, 2.8), (0.6, 0.7)),
        Beginning(1, 0.1, (3.3, 2.8), (4.0, 3.2), 1.0),
        Beginning(1, 0.1, (3.3, 2.8), (4.0, 3.2), 0.5),
        Beginning(1, 0.1, (3.3, 2.8), (4.0, 3.2), 0.0),
    )
    shop_K: float = 294.15
    shop_colder_K: float = 4.0
    late_weight: float = 0.5
    creep_mean_per_decade: float = 0.002
    creep_per_decade: float = 0.0013
    creep_time_s: float = 1200.0
    compliance_per_Pa: float = 3e-9
    water_share: tuple[float, float] = (0.5, 0.29)
    ambient_error_K: float = 0.5
    barometer_Pa: float = 800.0
    bridge_K_per_root_s: float = 0.9 / 60.0
    place_Pa: float = 3000.0
    barometer_error_Pa: float = 100.0
    barometer_time_s: float = 40.0 * 3600.0
    mean_loss_per_s: float = 0.20 / SECONDS_PER_DAY
    # prior weight of the shapes a loss can have: steady, only below a temperature, from some time on
    shape_weights: tuple[float, float, float] = (0.6, 0.22, 0.18)
    onset_grid_degC: tuple[float, ...] = tuple(range(6, -25, -1))
    onset_width_K: float = 0.7
    start_slots: int = 48
    start_spacing_s: float = 1800.0

    def begun_at(self, air_K: float) -> Priors:
        """Return these beliefs for a recording whose first air is at `air_K`.

        Air that is colder than a shop may be met by gas that is as warm as one: a car that was rolled out before the
        first reading, or whose air sensor hung outdoors while it stood inside.
        """
        colder_K = self.shop_K - air_K
        if colder_K < self.shop_colder_K:
            return self
        late = Beginning(2, 1.0, (0.5 * colder_K, 0.35 * colder_K + 1.0), (1.0, 1.5))
        seen = [replace(b, weight=b.weight * (1.0 - self.late_weight)) for b in self.beginnings]
        return replace(
            self,
            beginnings=(*seen, replace(late, weight=self.late_weight)),
            start_offset_mean_K=self.start_offset_mean_K + 0.25 * colder_K,
            start_offset_K=float(np.hypot(self.start_offset_K, 0.5 * colder_K)),
        )

    def wide_beginning(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Mean and covariance of offset and heat with which the bank runs."""
        mean = np.array([self.start_offset_mean_K, *self.heat_mean_K])
        return mean, np.diag(np.square([self.start_offset_K, *self.heat_K]))
