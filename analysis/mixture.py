"""Mixtures of normal distributions: probabilities and quantiles."""

from __future__ import annotations

from math import erf, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_erf = np.frompyfunc(erf, 1, 1)


def normal_cdf(z: Array) -> Array:
    """Return the standard normal distribution function.

    >>> round(float(normal_cdf(np.array([1.96]))[0]), 4)
    0.975
    """
    clipped = np.clip(z, -38.0, 38.0)
    return 0.5 * (1.0 + np.asarray(_erf(clipped / sqrt(2.0)), dtype=np.float64))


def quantile(weight: Array, mean: Array, deviation: Array, probability: float) -> float:
    """Return the quantile of sum w·N(mean, deviation²), found by bisection; arrays of one shape, weights sum to one.

    >>> round(quantile(np.array([1.0]), np.array([2.0]), np.array([3.0]), 0.975), 4)
    7.8799
    """
    keep = weight > 1e-7
    w, m, d = weight[keep], mean[keep], deviation[keep]
    w = w / w.sum()
    low, high = float((m - 40.0 * d).min()), float((m + 40.0 * d).max())
    for _ in range(80):
        middle = 0.5 * (low + high)
        if float((w * normal_cdf((middle - m) / d)).sum()) < probability:
            low = middle
        else:
            high = middle
        if high - low <= 1e-12 * max(abs(low), abs(high)):
            break
    return 0.5 * (low + high)
