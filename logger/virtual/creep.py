"""Slow growth of the volume: rubber creeps after a fill.

V(t) = V₀·(1 + c·log10(1 + t/t_c)), t from the fill: order 0.2 % of the volume per decade of time (common
practice, no source). It looks like a leak early and not late.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.virtual.draws import Draw, FloatArray, LogNormal, LogUniform, Uniform, one


@dataclass(frozen=True, slots=True)
class CreepPriors:
    """How creep is drawn."""

    per_decade: Draw = LogNormal(0.002, 0.35)
    onset_s: Draw = LogUniform(120.0, 900.0)  # t_c
    fill_age_s: Draw = Uniform(300.0, 1800.0)  # from the fill to the first sample


def growth(
    priors: CreepPriors, width: int, time_s: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Relative volume (n, k), 1 at the first sample, and what was drawn."""
    per_decade = priors.per_decade.sample(rng, width)
    onset = priors.onset_s.sample(rng, width)
    age = one(priors.fill_age_s, rng)
    decades = np.log10(1.0 + (time_s[:, None] + age) / onset)
    relative = 1.0 + per_decade * (decades - decades[0])
    return relative, {"creep_per_decade": per_decade, "creep_onset_s": onset, "fill_age_s": np.array([age])}
