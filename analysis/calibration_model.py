"""A channel's calibration as data: points, what is demanded, and what was found. All values are SI."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import PlainError

if TYPE_CHECKING:
    from analysis.regression import Fit, LackOfFit
    from logger.settings import ChannelQuantity

Floats = NDArray[np.float64]

Shape = Literal["line", "zero", "points"]
PROBABILITY = 0.95


class CalibrationError(PlainError, ValueError):
    """Points from which no calibration is made; the text is the reason, in one line."""


@dataclass(frozen=True, slots=True)
class Point:
    """One comparison with the reference: SI values of the channel's quantity."""

    read: float
    true: float
    uncertainty: float | None = None
    """Standard uncertainty of the reference at this point, of its own (not shared with the other points)."""
    temperature_K: float | None = None
    scatter: float | None = None
    """Standard uncertainty of `read` if it is a mean of readings."""
    readings: int = 1
    noise: float | None = None
    """Standard deviation of the single readings behind that mean."""


@dataclass(frozen=True, slots=True)
class Demands:
    """What a calibration must satisfy; SI."""

    quantity: ChannelQuantity
    residual_limit: float
    """Largest departure from the fit that the datasheet allows."""
    correction_limit: float = math.inf
    """A larger correction is a fault, and no calibration."""
    ends: tuple[float, float] | None = None
    """Where else the correction must be within its limit: the range over which the channel is used."""
    full_scale: float | None = None
    """Upper end of the channel's range; drifts are shares of it."""
    plausible: tuple[float, float] = (-math.inf, math.inf)
    """What the channel can read at all."""
    reference_uncertainty: float = 0.0
    """Standard uncertainty of the reference that all points share (its certificate)."""
    kept_span: float = 1.0
    """The span that stays where the zero alone is looked for."""


@dataclass(frozen=True, slots=True)
class Drift:
    """What temperature does to the reading: of the full scale per kelvin, with standard uncertainties."""

    zero_per_K: float
    zero_uncertainty: float
    span_per_K: float | None
    span_uncertainty: float | None
    between_K: tuple[float, float]
    factor: float
    """Coverage factor for 95 %."""

    @property
    def bound_per_K(self) -> float:
        """The larger drift with its uncertainty, 95 %: what the settings call the temperature coefficient."""
        zero = abs(self.zero_per_K) + self.factor * self.zero_uncertainty
        if self.span_per_K is None or self.span_uncertainty is None:
            return zero
        return max(zero, abs(self.span_per_K) + self.factor * self.span_uncertainty)


@dataclass(frozen=True)
class Calibrated:
    """A calibration that was found; corrected = zero + span·read, or straight between `knots`."""

    shape: Shape
    points: tuple[Point, ...]
    zero: float
    span: float
    knots: tuple[tuple[float, float], ...]
    residuals: Floats
    """(n,) true − corrected, by point."""
    fit: Fit
    """Of the correction over (1, (read − centre)/scale, …); with shape "points" of a mean for each of them."""
    centre: float
    scale: float
    common: float
    """Standard uncertainty that all points share."""
    lack: LackOfFit | None
    hysteresis: float | None
    drift: Drift | None
    at_K: float | None
    """The temperature for which zero and span hold, if it is known."""
    remarks: tuple[str, ...] = field(default=())

    def correction_at(self, read: float) -> tuple[float, float, float]:
        """Correction at a reading, its standard uncertainty, and the effective degrees of freedom (Welch–Satterthwaite).

        u² = u_fit² + u_common²; ν = u⁴/(u_fit⁴/ν_fit): GUM H.3.5, H.3.6 and G.4.1.
        """
        if self.shape == "points":
            return self._between_knots(read)
        row = np.zeros(len(self.fit.coefficients))
        row[0] = 1.0
        if self.shape == "line":
            row[1] = (read - self.centre) / self.scale
        # what a span that was kept takes off is no part of the fit
        kept = (self.span - 1.0) * read if self.shape == "zero" else 0.0
        return float(row @ self.fit.coefficients) + kept, *self._total(float(row @ self.fit.covariance @ row))

    def _between_knots(self, read: float) -> tuple[float, float, float]:
        x, y = np.array(self.knots).T
        j = int(np.clip(np.searchsorted(x, read, side="right") - 1, 0, len(x) - 2))
        share = (read - x[j]) / (x[j + 1] - x[j])
        corrected = y[j] + share * (y[j + 1] - y[j])
        variances = np.diag(self.fit.covariance)[j : j + 2]
        variance = float((1.0 - share) ** 2 * variances[0] + share**2 * variances[1])
        return (float(corrected - read), *self._total(variance))

    def _total(self, variance: float) -> tuple[float, float]:
        total = variance + self.common**2
        if not variance > 0.0:  # the fit is exact, or nobody knows how good it is
            return math.sqrt(total), math.inf if variance == 0.0 else 0.0
        return math.sqrt(total), self.fit.degrees * (total / variance) ** 2

    @property
    def deviation(self) -> float:
        """Standard deviation of the residuals, SI; NaN with no degree of freedom."""
        return (
            math.sqrt(float(self.residuals @ self.residuals) / self.fit.degrees)
            if self.fit.degrees
            else math.nan
        )

    def expanded_at(self, read: float) -> float:
        """What one corrected reading is good to, 95 %: the correction, scatter of the points, noise; NaN if unknown."""
        _, uncertainty, _ = self.correction_at(read)
        return self.factor * math.hypot(uncertainty, self.deviation, self.noise)

    @property
    def noise(self) -> float:
        """Standard deviation of one reading about the mean at its point, 0 where the points are no means."""
        squares = [point.noise**2 for point in self.points if point.noise is not None]
        return math.sqrt(sum(squares) / len(squares)) if squares else 0.0

    @property
    def factor(self) -> float:
        """Student's t for 95 % with the fit's degrees of freedom."""
        return self.fit.coverage_factor(PROBABILITY)

    @property
    def worst(self) -> float:
        """The largest `expanded_at` over the points."""
        return max(self.expanded_at(point.read) for point in self.points)

    @property
    def span_uncertainty(self) -> float:
        """Standard uncertainty of the span; 0 where none was fitted."""
        return float(self.fit.standard_errors[1] / self.scale) if self.shape == "line" else 0.0
