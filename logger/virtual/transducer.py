"""The pressure transducer: what it makes of the true pressure.

Gauge, absolute or sealed reference; a temperature coefficient of zero and of span within the datasheet's
limit; a temperature of its own between gas and arch air; offset, drift, white noise, spikes, stuck
episodes and the converter's step. Sizes are those of commodity 0.5–4.5 V parts (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from logger.virtual.draws import Draw, Fixed, FloatArray, Normal, Uniform
from logger.virtual.series import episodes, lagged

Reference = Literal["gauge", "absolute", "sealed"]

SEALED_REFERENCE_PA = 101_325.0
CALIBRATED_AT_K = 293.15


@dataclass(frozen=True, slots=True)
class PressureSensorPriors:
    """How pressure transducers are drawn."""

    reference: Reference = "gauge"
    full_scale_Pa: float = 1.6e6
    zero_coefficient_per_K: Draw = Uniform(-2e-4, 2e-4)  # of full scale
    span_coefficient_per_K: Draw = Uniform(-2e-4, 2e-4)  # of the reading
    air_share: Draw = Uniform(0.2, 0.7)  # of arch air in the transducer's temperature, the rest is gas
    lag_s: Draw = Uniform(120.0, 600.0)
    offset_of_full_scale: Draw = Normal(0.0, 0.001)
    span_error: Draw = Normal(0.0, 0.0015)
    drift_Pa_per_day: Draw = Normal(0.0, 30.0)
    noise_Pa: Draw = Fixed(700.0)
    spikes_per_sample: float = 8e-4
    spike_Pa: Draw = Uniform(20e3, 50e3)  # either sign
    stuck_per_day: float = 0.06
    stuck_mean_s: float = 1500.0
    step_Pa: float = 1.6e6 / 26_000  # 61.5 Pa; 0 leaves the stepping to a converter that comes after


def read_pressure(
    priors: PressureSensorPriors,
    time_s: FloatArray,
    absolute_Pa: FloatArray,
    around_Pa: FloatArray,
    gas_K: FloatArray,
    arch_K: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Readings (n, k) of all transducers, and what was drawn."""
    count, width = absolute_Pa.shape
    step = float(time_s[1] - time_s[0])
    zero = priors.zero_coefficient_per_K.sample(rng, width)
    span = priors.span_coefficient_per_K.sample(rng, width)
    share = priors.air_share.sample(rng, width)
    lag = priors.lag_s.sample(rng, width)
    offset = priors.offset_of_full_scale.sample(rng, width) * priors.full_scale_Pa
    gain = 1.0 + priors.span_error.sample(rng, width)
    drift = priors.drift_Pa_per_day.sample(rng, width)
    noise = priors.noise_Pa.sample(rng, width)

    mixed = share * arch_K + (1.0 - share) * gas_K
    warm = lagged(mixed, step, lag, mixed[0]) - CALIBRATED_AT_K
    true = absolute_Pa
    if priors.reference == "gauge":
        true = absolute_Pa - around_Pa[:, None]
    elif priors.reference == "sealed":
        true = absolute_Pa - SEALED_REFERENCE_PA
    reading = true * (gain + span * warm) + offset + priors.full_scale_Pa * zero * warm
    reading = reading + drift * time_s[:, None] / 86400.0 + noise * rng.standard_normal((count, width))
    for column in range(width):
        struck = np.flatnonzero(rng.random(count) < priors.spikes_per_sample)
        sign = rng.choice([-1.0, 1.0], len(struck))
        reading[struck, column] += sign * priors.spike_Pa.sample(rng, len(struck))
        stuck = episodes(rng, count, step, priors.stuck_per_day, priors.stuck_mean_s) > 0.0
        reading[:, column] = hold(reading[:, column], stuck)
    drawn = {
        "zero_coefficient_per_K": zero,
        "span_coefficient_per_K": span,
        "air_share": share,
        "offset_Pa": offset,
        "drift_Pa_per_day": drift,
    }
    return stepped(reading, priors.step_Pa), drawn


def stepped(values: FloatArray, step: float) -> FloatArray:
    """Round to a converter's step; a step of 0 leaves the values as they are."""
    return np.round(values / step) * step if step > 0.0 else values


def hold(values: FloatArray, held: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> FloatArray:
    """Repeat the last free value while `held`."""
    free = np.where(held, 0, np.arange(len(values)))
    return values[np.maximum.accumulate(free)]
