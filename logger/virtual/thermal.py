"""Heat: from the weather to the gas in each strut.

The car stands in the shop, then is rolled out. The air in each wheel arch follows the air outside through
the car's own envelope; engine heat (after a drive) and sun (on one flank) raise it; the rubber and metal
of the strut follow the arch, the gas follows rubber and metal. So the gas answers by three time constants
in a row, the largest of which leans on the wind, while an estimator will think of one. A slow disturbance
per section and one common to all (eddies, snow, a neighbour's car) act on rubber and metal. Sizes are
common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logger.virtual.draws import Draw, FloatArray, LogUniform, Normal, Uniform, one
from logger.virtual.series import lagged, wandering
from logger.virtual.weather import HOUR_S, Sky

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class ThermalPriors:
    """How heat is drawn; temperatures in K, times in s."""

    shop_K: Draw = Uniform(289.15, 295.15)
    roll_out_s: Draw = Uniform(300.0, 1800.0)
    driven_probability: float = 0.5  # the car came in from a drive shortly before
    warmer_common_K: Draw = Uniform(0.0, 7.0)  # gas over shop at the beginning, after a drive
    warmer_section_K: Draw = Normal(0.0, 1.5)
    rested_section_K: Draw = Normal(0.0, 0.5)  # gas over shop, if not driven
    engine_front_K: Draw = Uniform(0.0, 10.0)  # excess of the arch air at the beginning, after a drive
    engine_rear_K: Draw = Uniform(0.0, 1.5)
    engine_decay_s: Draw = LogUniform(1.5 * HOUR_S, 5.0 * HOUR_S)
    gas_lag_s: Draw = LogUniform(
        20 * 60.0, 130 * 60.0
    )  # of gas behind arch air, both time constants together
    inner_lag_s: Draw = Uniform(2 * 60.0, 8 * 60.0)  # of gas behind rubber and metal
    envelope_lag_s: Draw = Uniform(3 * 60.0, 12 * 60.0)  # of arch air behind outside air
    wind_effect: Draw = Uniform(0.0, 0.25)  # lag ∝ wind^−effect
    sun_K: Draw = Uniform(0.0, 4.0)  # of the arch on the sunny flank, clear sky, best hour
    wander_sd_K: Draw = Uniform(0.3, 0.8)
    wander_correlation_s: Draw = LogUniform(1 * HOUR_S, 4 * HOUR_S)
    shared_sd_K: Draw = Uniform(0.1, 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class Heat:
    """Temperatures on the grid, and what was drawn for them."""

    gas_K: FloatArray  # (n, k)
    arch_K: FloatArray  # (n, k)
    around_K: FloatArray  # (n,) air where the rig's ambient sensor hangs
    roll_out_s: float
    drawn: dict[str, FloatArray]


def daylight(hour: FloatArray, flank: float) -> FloatArray:
    """Sun on a flank, 0…1, over a winter's day of nine hours; −1 faces the morning, +1 the afternoon."""
    day = (np.mod(hour, 24.0) - 7.5) / 9.0
    height = np.where((day > 0.0) & (day < 1.0), np.sin(np.clip(day, 0.0, 1.0) * math.pi), 0.0)
    return height * np.clip(0.5 + flank * (day - 0.5) * 1.6, 0.0, 1.0)


def soak_heat(
    priors: ThermalPriors,
    sections: tuple[str, ...],
    time_s: FloatArray,
    first_hour: float,
    sky: Sky,
    rng: np.random.Generator,
    arch_steps_K: FloatArray,
    given_first_K: Mapping[str, float],
) -> Heat:
    """Follow the heat of every section; `arch_steps_K` (n, k) are extra excesses (a car that was moved)."""
    count, width, step = len(time_s), len(sections), float(time_s[1] - time_s[0])
    front = np.array([name.startswith("front") for name in sections])
    left = np.array([name.endswith("left") for name in sections])

    shop = one(priors.shop_K, rng)
    roll_out = one(priors.roll_out_s, rng)
    driven = rng.random() < priors.driven_probability
    common = one(priors.warmer_common_K, rng)
    warm = np.where(driven, np.maximum(0.0, common + priors.warmer_section_K.sample(rng, width)), 0.0)
    rested = priors.rested_section_K.sample(rng, width)
    drawn_first = shop + (warm if driven else rested)
    first_gas = np.array(
        [given_first_K.get(name, value) for name, value in zip(sections, drawn_first, strict=True)]
    )

    # both front arches share one engine bay; the sides differ a little
    engine = np.where(front, one(priors.engine_front_K, rng), one(priors.engine_rear_K, rng))
    engine = engine * rng.uniform(0.7, 1.0, width) * float(driven)
    decay = one(priors.engine_decay_s, rng)
    flank = rng.choice([-1.0, 1.0])
    sunny_left = rng.random() < 0.5
    sun = one(priors.sun_K, rng) * rng.uniform(0.7, 1.0, width) * (left == sunny_left)

    lag = priors.gas_lag_s.sample(rng, width)
    inner = np.minimum(priors.inner_lag_s.sample(rng, width), 0.3 * lag)
    envelope = priors.envelope_lag_s.sample(rng, width)
    lean = one(priors.wind_effect, rng)
    sd = priors.wander_sd_K.sample(rng, width)
    correlation = priors.wander_correlation_s.sample(rng, width)
    shared_sd = one(priors.shared_sd_K, rng)
    shared_correlation = one(priors.wander_correlation_s, rng)

    inside = time_s < roll_out
    around = np.where(inside, shop, sky.temperature_K)
    light = daylight(first_hour + time_s / HOUR_S, flank) * sky.clearness * ~inside
    excess = engine * np.exp(-time_s / decay)[:, None] + sun * light[:, None] + arch_steps_K
    arch = lagged(around[:, None] + excess, step, envelope, around[0] + excess[0])

    wander = wandering(rng, count, step, sd, correlation, settled=False)
    wander = wander + wandering(
        rng, count, step, np.array([shared_sd]), np.array([shared_correlation]), settled=False
    )
    outer = (lag - inner) * np.clip(sky.wind, 0.2, 5.0)[:, None] ** -lean
    body = lagged(arch, step, outer, first_gas)
    gas = lagged(body + wander, step, inner, first_gas)
    drawn = {
        "shop_K": np.array([shop]),
        "roll_out_s": np.array([roll_out]),
        "first_gas_K": first_gas,
        "engine_K": engine,
        "engine_decay_s": np.array([decay]),
        "sun_K": sun,
        "gas_lag_s": lag,
        "inner_lag_s": inner,
        "envelope_lag_s": envelope,
        "wander_sd_K": sd,
        "wander_correlation_s": correlation,
        "shared_sd_K": np.array([shared_sd]),
    }
    return Heat(gas, arch, around, roll_out, drawn)
