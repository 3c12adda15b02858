"""The rig's other sensors: air temperature, barometer, heights, gas temperature, supply; and dropouts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.virtual.draws import Draw, Fixed, FloatArray, Normal, Uniform, one
from logger.virtual.series import episodes, lagged, wandering
from logger.virtual.transducer import stepped


@dataclass(frozen=True, slots=True)
class SensorPriors:
    """How the other sensors are drawn. A step of 0 leaves stepping to a converter that comes after."""

    air_offset_K: Draw = Uniform(-0.5, 0.5)
    air_lag_s: Draw = Uniform(120.0, 480.0)
    air_noise_K: Draw = Fixed(0.05)
    air_step_K: float = 0.0625
    barometer: bool = True
    barometer_offset_Pa: Draw = Normal(0.0, 80.0)
    barometer_drift_Pa_per_K: Draw = Normal(0.0, 1.0)
    barometer_noise_Pa: Draw = Fixed(4.0)
    barometer_step_Pa: float = 10.0
    heights: bool = True  # on a standing car
    height_offset_m: Draw = Normal(0.0, 0.001)
    height_drift_m_per_K: Draw = Normal(0.0, 8e-6)  # with arch temperature
    height_noise_m: Draw = Uniform(0.2e-3, 0.3e-3)
    height_step_m: float = 0.1e-3
    gas_thermometer: bool = False
    gas_offset_K: Draw = Uniform(-0.5, 0.5)
    gas_noise_K: Draw = Fixed(0.05)
    gas_step_K: float = 0.0625
    supply_V: Draw = Normal(5.0, 0.03)
    supply_wander_V: Draw = Fixed(0.005)
    dropouts_per_day: float = 0.4  # of the whole rig
    dropout_mean_s: float = 600.0


def read_air(
    priors: SensorPriors, time_s: FloatArray, around_K: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, float]:
    """Read the air temperature at the rig (n,); also gives the offset drawn."""
    step = float(time_s[1] - time_s[0])
    offset = one(priors.air_offset_K, rng)
    lag = priors.air_lag_s.sample(rng, 1)
    slow = lagged(around_K[:, None], step, lag, around_K[:1])[:, 0]
    noise = one(priors.air_noise_K, rng) * rng.standard_normal(len(time_s))
    return stepped(slow + offset + noise, priors.air_step_K), offset


def read_barometer(
    priors: SensorPriors, pressure_Pa: FloatArray, around_K: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Read the barometer (n,)."""
    drift = one(priors.barometer_drift_Pa_per_K, rng) * (around_K - around_K[0])
    noise = one(priors.barometer_noise_Pa, rng) * rng.standard_normal(len(pressure_Pa))
    offset = one(priors.barometer_offset_Pa, rng)
    return stepped(pressure_Pa + offset + drift + noise, priors.barometer_step_Pa)


def read_heights(
    priors: SensorPriors, height_m: FloatArray, arch_K: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Read the heights (n, k)."""
    count, width = height_m.shape
    offset = priors.height_offset_m.sample(rng, width)
    drift = priors.height_drift_m_per_K.sample(rng, width) * (arch_K - arch_K[0])
    noise = priors.height_noise_m.sample(rng, width) * rng.standard_normal((count, width))
    return stepped(height_m + offset + drift + noise, priors.height_step_m)


def read_gas(priors: SensorPriors, gas_K: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Read the gas thermometers (n, k), if a rig has them."""
    count, width = gas_K.shape
    noise = priors.gas_noise_K.sample(rng, width) * rng.standard_normal((count, width))
    return stepped(gas_K + priors.gas_offset_K.sample(rng, width) + noise, priors.gas_step_K)


def read_supply(priors: SensorPriors, time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Give the rig's supply voltage (n,)."""
    step = float(time_s[1] - time_s[0])
    sd = priors.supply_wander_V.sample(rng, 1)
    slow = wandering(rng, len(time_s), step, sd, np.array([7200.0]), settled=True)[:, 0]
    return one(priors.supply_V, rng) + slow + 0.0005 * rng.standard_normal(len(time_s))


def blackouts(
    priors: SensorPriors, time_s: FloatArray, rng: np.random.Generator
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Samples that the rig never delivered (n,); the first sample is always there."""
    step = float(time_s[1] - time_s[0])
    gone = episodes(rng, len(time_s), step, priors.dropouts_per_day, priors.dropout_mean_s) > 0.0
    gone[0] = False
    return gone
