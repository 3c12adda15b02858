"""Weighted least squares of a polynomial or of given columns, with covariance, lack-of-fit test and prediction.

numpy does the algebra (QR) and scipy the distributions. What is ours is what those leave open: columns scaled and
polynomials centred, so that the digits survive (the institute's reference sets, tests/external/test_regression.py), a
refusal where the data can't tell the parameters apart, and the covariance by either view: from the scatter of
the points, or from uncertainties that are known beforehand.

All functions are pure; x and y are in whatever unit the caller has, the results in the units that follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import fdtrc, gammaincc, stdtrit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


_WIDEST = 1e9
"""Uncertainties that differ by more than this leave no digits to the rest (own choice)."""


class RegressionError(ValueError):
    """Data to which this model can't be fitted; the text is the reason, in one line."""


@dataclass(frozen=True)
class Fit:
    """What least squares found: n points, k parameters."""

    coefficients: Floats
    """(k,)"""
    covariance: Floats
    """(k, k), of the coefficients; from the scatter, or from the uncertainties if those were given."""
    residuals: Floats
    """(n,) y − fitted, not weighted."""
    degrees: int
    """Degrees of freedom, n − k; with 0 and no uncertainties the covariance is NaN."""
    deviation: float
    """Residual standard deviation; with uncertainties the ratio of what is to what they promise (Birge)."""
    r_squared: float
    """Share of the variance explained: about the mean if the columns hold a constant one, else about zero."""
    f_value: float
    """Of the whole regression; infinite for a perfect fit."""

    @property
    def standard_errors(self) -> Floats:
        """(k,) standard uncertainty of each coefficient."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Floats:
        """(k, k) correlation of the coefficients."""
        errors = self.standard_errors
        return np.asarray(self.covariance / np.outer(errors, errors), np.float64)

    def coverage_factor(self, probability: float = 0.95) -> float:
        """Student's t for a two-sided interval with this fit's degrees of freedom.

        >>> line = fit_polynomial([0.0, 1.0, 2.0, 3.0], [0.0, 1.1, 1.9, 3.0])
        >>> round(line.fit.coverage_factor(), 4)  # two degrees of freedom
        4.3027
        """
        return float(stdtrit(self.degrees, (1.0 + probability) / 2.0)) if self.degrees else math.inf


def fit_columns(columns: ArrayLike, y: ArrayLike, uncertainties: ArrayLike | None = None) -> Fit:
    """Least squares of y (n,) on columns (n, k), weighted by 1/uncertainty² (n,) if uncertainties are given.

    min Σ ((yᵢ − Σ_j Xᵢⱼ·bⱼ)/uᵢ)², by QR of the columns scaled to length one and one step of refinement.
    Without uncertainties the covariance is s²·(XᵀX)⁻¹ with s from the scatter; with them it is (XᵀU⁻²X)⁻¹, and
    `deviation` says whether the scatter agrees (about 1). Raises RegressionError.

    >>> fit = fit_columns([[1.0], [2.0], [4.0]], [2.0, 4.0, 8.0])
    >>> fit.coefficients.round(12).tolist(), fit.degrees
    ([2.0], 2)
    """
    X, Y = np.atleast_2d(np.asarray(columns, np.float64)), np.asarray(y, np.float64)
    u = np.ones(len(Y)) if uncertainties is None else np.asarray(uncertainties, np.float64)
    _check(X, Y, u)
    n, k = X.shape
    # relative to the largest, so that their size alone moves no digit
    largest = float(u.max())
    u = u / largest
    A, b = X / u[:, None], Y / u
    lengths = np.sqrt((A**2).sum(axis=0))
    if not (lengths > 0.0).all():
        raise RegressionError("a column is zero throughout")
    A = A / lengths
    Q, R = np.linalg.qr(A)
    if np.abs(np.diag(R)).min() < n * np.finfo(np.float64).eps:
        raise RegressionError("the points can't tell the parameters apart")
    scaled = np.linalg.solve(R, Q.T @ b)
    scaled += np.linalg.solve(R, Q.T @ (b - A @ scaled))
    inverse = np.linalg.inv(R)
    covariance = inverse @ inverse.T / np.outer(lengths, lengths)
    weighted = b - A @ scaled
    residuals = weighted * u
    if uncertainties is not None:
        weighted, covariance = weighted / largest, covariance * largest**2
    square = float(weighted @ weighted)
    degrees = n - k
    variance = square / degrees if degrees else math.nan
    constant = bool((np.ptp(X, axis=0) == 0.0).any())
    about = float((b / u).sum() / (1.0 / u**2).sum()) if constant else 0.0
    total = float((((Y - about) / u) ** 2).sum()) / (1.0 if uncertainties is None else largest**2)
    explained, freedom = total - square, k - constant
    return Fit(
        coefficients=scaled / lengths,
        covariance=covariance if uncertainties is not None else covariance * variance,
        residuals=residuals,
        degrees=degrees,
        deviation=math.sqrt(variance),
        r_squared=explained / total if total else math.nan,
        f_value=_ratio(explained / freedom, variance) if freedom else math.nan,
    )


def _check(X: Floats, Y: Floats, u: Floats) -> None:
    n, k = X.shape
    if Y.shape != (n,) or u.shape != (n,):
        raise RegressionError(f"{n} rows of columns, but {len(Y)} values and {len(u)} uncertainties")
    if n < k:
        raise RegressionError(f"{n} point{'s' * (n != 1)} can't fix {k} parameters")
    if not (np.isfinite(X).all() and np.isfinite(Y).all()):
        raise RegressionError("a value is no finite number")
    if not (np.isfinite(u).all() and (u > 0.0).all()):
        raise RegressionError("an uncertainty is not above zero")
    if u.max() > _WIDEST * u.min():
        raise RegressionError("the uncertainties differ beyond all reason")


def _ratio(above: float, below: float) -> float:
    return math.inf if below == 0.0 else above / below


@dataclass(frozen=True)
class Polynomial:
    """A fitted polynomial; inside it is one of z = (x − centre)/scale, which keeps its digits."""

    fit: Fit
    """In powers of z."""
    centre: float
    scale: float

    def coefficients_about(self, origin: float = 0.0) -> tuple[Floats, Floats]:
        """Coefficients (k,) of the powers of (x − origin), and their covariance (k, k).

        From Σ aⱼ·zʲ with z = ((x − o) + (o − centre))/scale, by the binomial theorem.
        """
        k = len(self.fit.coefficients)
        shift = origin - self.centre
        to_powers = np.array(
            [
                [_binomial(j, i) * shift ** (j - i) / self.scale**j if j >= i else 0.0 for j in range(k)]
                for i in range(k)
            ]
        )
        return to_powers @ self.fit.coefficients, to_powers @ self.fit.covariance @ to_powers.T

    def predict(self, x: ArrayLike) -> tuple[Floats, Floats]:
        """Value of the polynomial at x (m,) and the standard uncertainty of that value (m,).

        u² = rᵀ·C·r with the row r of powers; GUM (JCGM 100) H.3.5 for the straight line. The scatter of a
        further reading is not in it.
        """
        rows = _powers((np.asarray(x, np.float64) - self.centre) / self.scale, len(self.fit.coefficients))
        variance = np.einsum("mi,ij,mj->m", rows, self.fit.covariance, rows)
        return rows @ self.fit.coefficients, np.sqrt(variance)


def _binomial(n: int, k: int) -> float:
    return float(math.comb(n, k))


def _powers(z: Floats, k: int) -> Floats:
    return np.asarray(np.atleast_1d(z)[:, None] ** np.arange(k), np.float64)


def fit_polynomial(
    x: ArrayLike, y: ArrayLike, degree: int = 1, uncertainties: ArrayLike | None = None
) -> Polynomial:
    """Fit a polynomial of this degree to y (n,) over x (n,); see `fit_columns`. Raises RegressionError.

    x is centred on the middle of its range and scaled to about ±1. Both numbers are taken round in binary, so that
    no digit of x is lost by it.

    >>> line = fit_polynomial([1.0, 2.0, 3.0], [5.0, 7.0, 9.0])
    >>> line.coefficients_about(0.0)[0].round(12).tolist()
    [3.0, 2.0]
    """
    x = np.asarray(x, np.float64)
    if not np.isfinite(x).all():
        raise RegressionError("a value is no finite number")
    distinct = len(np.unique(x))
    if distinct <= degree:
        raise RegressionError(
            f"a polynomial of degree {degree} needs {degree + 1} different x; there "
            f"{'is' if distinct == 1 else 'are'} {distinct}"
        )
    low, high = float(x.min()), float(x.max())
    scale = 2.0 ** math.ceil(math.log2((high - low) / 2.0)) if degree else 1.0
    centre = round((low + high) / 2.0 / scale * 16.0) * scale / 16.0 if degree else 0.0
    return Polynomial(fit_columns(_powers((x - centre) / scale, degree + 1), y, uncertainties), centre, scale)


class LackOfFit(NamedTuple):
    """Does the model describe the points? `probability`: of a misfit at least as large if it does."""

    statistic: float
    probability: float
    degrees: tuple[int, int]
    """Of the misfit, and of the scatter that it is held against (0: against known uncertainties)."""


def lack_of_fit(x: ArrayLike, residuals: ArrayLike, parameters: int) -> LackOfFit | None:
    """F test of the misfit against the scatter of repeated points; None without repeats or with no freedom left.

    Residuals of points with the same x (n,) are split into their scatter about the common mean and the rest:
    F = (SS_rest/(m − k)) / (SS_scatter/(n − m)) with m different x. Draper & Smith, Applied Regression Analysis,
    chapter 2 (from memory); checked against statsmodels.

    >>> lack_of_fit([1.0, 1.0, 2.0, 2.0, 3.0, 3.0], [0.1, -0.1, 0.1, -0.1, 0.1, -0.1], 2).probability
    1.0
    """
    r = np.asarray(residuals, np.float64)
    _, group, counts = np.unique(np.asarray(x, np.float64), return_inverse=True, return_counts=True)
    means = np.bincount(group, r) / counts
    rest, scatter = float((counts * means**2).sum()), float(((r - means[group]) ** 2).sum())
    free, repeats = len(counts) - parameters, len(r) - len(counts)
    if free < 1 or repeats < 1:
        return None
    value = _ratio(rest / free, scatter / repeats) if rest else 0.0
    probability = 0.0 if math.isinf(value) else float(fdtrc(free, repeats, value))
    return LackOfFit(value, probability, (free, repeats))


def chi_square(fit: Fit) -> LackOfFit | None:
    """χ² test of a fit made with known uncertainties; None with no degree of freedom."""
    if not fit.degrees:
        return None
    value = fit.deviation**2 * fit.degrees
    return LackOfFit(value, float(gammaincc(fit.degrees / 2.0, value / 2.0)), (fit.degrees, 0))
