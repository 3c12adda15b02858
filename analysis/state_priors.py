"""What is believed of the estimator's states before the first reading, as mean and covariance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.effects import (
    AIR_LAG,
    AIR_SIDE,
    AMBIENT,
    COLUMN,
    CREEP,
    DISTURBANCE,
    GAS_SIDE,
    HEAT_FAST,
    HEAT_SLOW,
    LAG,
    LEVEL,
    OFFSET,
    STATES,
    SUN,
    WATER,
)

if TYPE_CHECKING:
    from analysis.inputs import SectionSetup
    from analysis.priors import Priors

Array = NDArray[np.float64]


def prior_states(
    priors: Priors,
    sections: tuple[SectionSetup, ...],
    disturbance_K: Array,
    *,
    standing: bool,
    sunny: bool,
    wet: bool,
) -> tuple[Array, Array]:
    """Return mean (S, M, N) and covariance (S, M, N, N) of the states before any reading.

    `disturbance_K` (M,) of each model; `sunny`: the time of day is known; `wet`: water may condense.
    """
    count, models = len(sections), len(disturbance_K)
    mean = np.zeros((count, models, STATES))
    mean[..., OFFSET] = priors.start_offset_mean_K
    mean[..., [HEAT_FAST, HEAT_SLOW]] = priors.heat_mean_K
    mean[..., CREEP] = priors.creep_mean_per_decade
    deviation = np.zeros((count, models, STATES))
    deviation[..., LEVEL] = 0.3
    deviation[..., OFFSET] = priors.start_offset_K
    deviation[..., [HEAT_FAST, HEAT_SLOW]] = priors.heat_K
    deviation[..., AIR_SIDE] = 1.0 / np.sqrt(3.0)  # rectangular within the limit
    deviation[..., GAS_SIDE] = priors.gas_share / np.sqrt(3.0)
    deviation[..., CREEP] = priors.creep_per_decade
    if wet:
        mean[..., WATER], deviation[..., WATER] = priors.water_share
    deviation[..., LAG] = priors.log_lag_spread
    deviation[..., AMBIENT] = priors.ambient_error_K
    if standing:
        limit = np.array([s.gas_column_uncertainty for s in sections])
        deviation[..., COLUMN] = limit[:, None] / np.sqrt(3.0)
    deviation[..., AIR_LAG] = priors.air_lag_s
    deviation[..., SUN:] = priors.sun_K if sunny else 0.0
    deviation[..., DISTURBANCE] = disturbance_K
    covariance = np.zeros((count, models, STATES, STATES))
    index = np.arange(STATES)
    covariance[..., index, index] = deviation**2
    return mean, covariance
