"""Readings that resemble the one before say less than their number: first-order autocorrelation, AR(1).

With correlation ρ^|i−j| between readings i and j the variance of a mean, or of a fitted slope, is larger than for
independent readings by a factor that these functions give exactly for a finite number of equally spaced readings.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

HIGHEST = 0.99
"""A correlation that was estimated from few readings is not believed beyond this (own choice)."""


def lag_one(values: ArrayLike) -> float:
    """Lag-one autocorrelation Σ(xᵢ−x̄)(xᵢ₊₁−x̄)/Σ(xᵢ−x̄)², n − 1 products over n squares; NaN without scatter.

    As NIST certifies it for its univariate reference sets.

    >>> round(lag_one([10000001.0, 10000003.0, 10000002.0]), 12)  # StRD, NumAcc1
    -0.5
    """
    x = np.asarray(values, np.float64)
    apart = x - x.mean()
    square = float(apart @ apart)
    return float(apart[1:] @ apart[:-1]) / square if square else math.nan


def mean_inflation(rho: float, n: int) -> float:
    """By how much the variance of a mean of n readings is larger than σ²/n.

    1 + 2·Σ_{k<n} (1 − k/n)·ρᵏ = (1+ρ)/(1−ρ) − 2ρ(1−ρⁿ)/(n·(1−ρ)²), |ρ| < 1; formula from memory, held against the
    sum and an independent table.

    >>> round(mean_inflation(0.9, 100), 6)
    17.200048
    """
    _check(rho, n)
    return (1.0 + rho) / (1.0 - rho) - 2.0 * rho * (1.0 - rho**n) / (n * (1.0 - rho) ** 2)


def effective_number(rho: float, n: int) -> float:
    """How many independent readings would give as good a mean as these n.

    >>> round(effective_number(0.5, 100), 4)
    33.7838
    """
    return n / mean_inflation(rho, n)


def slope_inflation(rho: float, n: int) -> float:
    """By how much the variance of a least-squares slope over n equally spaced readings is larger than σ²/Σd².

    Σᵢⱼ dᵢ·dⱼ·ρ^|i−j| / Σ d² with d = i − mean; each reading adds what the ones before hand on, so one pass does it.
    Few readings and a strong correlation may give less than 1: then the error is mostly one of the level.

    >>> round(slope_inflation(0.9, 100), 4)
    13.7942
    """
    _check(rho, n)
    d = np.arange(n) - (n - 1) / 2.0
    handed_on = crossed = 0.0
    for before, here in itertools.pairwise(d):
        handed_on = rho * (handed_on + float(before))
        crossed += float(here) * handed_on
    square = float(d @ d)
    return 1.0 + 2.0 * crossed / square if square else 1.0


def _check(rho: float, n: int) -> None:
    if not -1.0 < rho < 1.0 or n < 1:
        raise ValueError("the correlation must lie between -1 and 1, and one reading at least be there")


def believed(values: ArrayLike) -> float:
    """Return the correlation of neighbours in a row (n,) of readings or residuals, 0 to `HIGHEST`; 0 without scatter.

    ρ = lag_one + (1 + 4·lag_one)/n: the estimate from a short row is too low by about that (Kendall, Biometrika 41
    (1954) 403; from memory, a simulation in the tests holds it).

    >>> believed([1.0, 1.0, 1.0])
    0.0
    """
    x = np.asarray(values, np.float64)
    seen = lag_one(x)
    return 0.0 if math.isnan(seen) else min(max(seen + (1.0 + 4.0 * seen) / len(x), 0.0), HIGHEST)


class Mean(NamedTuple):
    """Mean of readings in a row, the standard uncertainty of that mean, and what the readings were worth."""

    value: float
    uncertainty: float
    """NaN for a single reading, of which nobody knows the scatter."""
    deviation: float
    effective: float


def mean_of(values: ArrayLike) -> Mean:
    """Mean of readings taken one after the other (n,), its uncertainty widened for their autocorrelation.

    u² = s²/n·inflation(ρ), ρ as of `believed`.

    >>> mean_of([1.0, 1.0, 1.0]).uncertainty
    0.0
    """
    x = np.asarray(values, np.float64)
    n = len(x)
    if n < 2:
        return Mean(float(x[0]), math.nan, math.nan, 1.0)
    deviation = float(x.std(ddof=1))
    rho = believed(x)
    effective = effective_number(rho, n)
    return Mean(float(x.mean()), deviation / math.sqrt(effective), deviation, effective)
