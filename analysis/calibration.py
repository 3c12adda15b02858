"""A channel's calibration: from points (read, true) to zero and span, their uncertainty, and reasons to refuse them.

What is fitted is the correction, true − read, over what was read; so the calibration of annex H.3 of the GUM (JCGM
100:2008) is this one, number by number. `read` is what the channel says without any calibration. All values are SI.
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from analysis.calibration_checks import (
    check_corrections,
    check_ends,
    check_knots,
    check_order,
    check_points,
    check_residuals,
    hysteresis,
    temperature_span_K,
)
from analysis.calibration_model import PROBABILITY, Calibrated, CalibrationError, Demands, Drift, Point, Shape
from analysis.regression import Fit, RegressionError, chi_square, fit_columns, lack_of_fit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LEAST_SPAN_K = 5.0
"""Points over fewer kelvins than this say nothing of a drift with temperature (own choice)."""
FAR_APART = 0.25
"""Values whose difference is a smaller share of the largest one say nothing of a span's drift (own choice)."""
SUSPICIOUS = 0.05
"""A misfit less probable than this is said (common practice, no source)."""


def interval_factor(degrees: float) -> float:
    """Student's t for 95 % and so many, not always whole, degrees of freedom (GUM G.4.1 cuts them down to whole ones).

    >>> round(interval_factor(9.0), 3), round(interval_factor(math.inf), 3)
    (2.262, 1.96)
    """
    if math.isnan(degrees) or degrees < 1.0:
        return math.inf
    return float(stdtrit(math.floor(min(degrees, 1e6)), (1.0 + PROBABILITY) / 2.0))


def calibrate(points: Sequence[Point], shape: Shape, demands: Demands) -> Calibrated:
    """Fit one channel's calibration; raises CalibrationError with the reason if the points are no good for it."""
    points = tuple(points)
    check_points(points, shape, demands.plausible, demands.quantity)
    at_K = _main_temperature_K(points)
    check_order(_near(points, at_K), demands.residual_limit, demands.quantity)
    check_corrections(points, demands.correction_limit, demands.quantity)
    read, true = (np.array([getattr(point, name) for point in points]) for name in ("read", "true"))
    if shape == "points":
        found = _by_knots(points, read, true, demands)
    else:
        found = _by_line(points, read, true, shape, at_K, demands)
    if shape == "line":
        check_span(found.span)
    if shape != "zero" and demands.ends is not None:
        at_ends = {end: found.correction_at(end)[0] for end in demands.ends}
        check_ends(at_ends, demands.correction_limit, demands.quantity)
    check_residuals(points, found.residuals, demands.residual_limit, demands.quantity)
    return found


def check_span(span: float) -> None:
    """Refuse a span that the settings would refuse."""
    if not 0.5 <= span <= 2.0:
        raise CalibrationError(f"the span would be {span:.3g}: that is a wrong range or unit, no calibration")


def _main_temperature_K(points: tuple[Point, ...]) -> float | None:
    """The mean temperature of the largest group of points within 2 K of one another; None if it is not known of all."""
    known = [point.temperature_K for point in points if point.temperature_K is not None]
    if len(known) < len(points):
        return None
    groups = [[t for t in known if abs(t - middle) <= 1.0] for middle in known]
    largest = max(groups, key=len)
    return sum(largest) / len(largest)


def _near(points: tuple[Point, ...], at_K: float | None) -> tuple[Point, ...]:
    if at_K is None:
        return points
    return tuple(point for point in points if abs((point.temperature_K or at_K) - at_K) <= LEAST_SPAN_K)


def _weights(points: tuple[Point, ...]) -> Floats | None:
    """Standard uncertainties of the corrections where the reference has one at every point; else equal weights."""
    own = [point.uncertainty for point in points]
    if any(u is None for u in own):
        return None
    return np.array([math.hypot(point.uncertainty or 0.0, point.scatter or 0.0) for point in points])


def _fit(columns: Floats, correction: Floats, weights: Floats | None) -> Fit:
    try:
        fit = fit_columns(columns, correction, weights)
    except RegressionError as error:
        raise CalibrationError(str(error)) from None
    if weights is None or not fit.degrees or fit.deviation <= 1.0:
        return fit
    # points that scatter more than their uncertainties allow are not as good as those say
    return Fit(
        fit.coefficients,
        fit.covariance * fit.deviation**2,
        fit.residuals,
        fit.degrees,
        fit.deviation,
        fit.r_squared,
        fit.f_value,
    )


def _by_line(
    points: tuple[Point, ...], read: Floats, true: Floats, shape: Shape, at_K: float | None, demands: Demands
) -> Calibrated:
    centre, scale = float(read.min() + read.max()) / 2.0, float(np.ptp(read)) / 2.0 or 1.0
    z = (read - centre) / scale
    base = [np.ones(len(z)), z] if shape == "line" else [np.ones(len(z))]
    kept = demands.kept_span if shape == "zero" else 1.0
    correction, weights = true - kept * read, _weights(points)
    fit, with_drift = _fit_with_drift(points, base, correction, weights, at_K, read)
    slope = float(fit.coefficients[1]) / scale if shape == "line" else 0.0
    drift, remarks = (
        (None, ()) if with_drift == 0 or at_K is None else _drift(points, fit, len(base), with_drift, demands)
    )
    lack = None
    if not with_drift:
        lack = chi_square(fit) if weights is not None else lack_of_fit(true, fit.residuals, len(base))
    return Calibrated(
        shape,
        points,
        zero=float(fit.coefficients[0]) - slope * centre,
        span=kept + slope,
        knots=(),
        residuals=fit.residuals,
        fit=fit,
        centre=centre,
        scale=scale,
        common=demands.reference_uncertainty,
        lack=lack,
        hysteresis=hysteresis(points) if not with_drift else None,
        drift=drift,
        at_K=at_K,
        remarks=remarks,
    )


def _fit_with_drift(
    points: tuple[Point, ...],
    base: list[Floats],
    correction: Floats,
    weights: Floats | None,
    at_K: float | None,
    read: Floats,
) -> tuple[Fit, int]:
    """Fit with as many drift columns (0 to 2: zero, span) as the points can tell apart."""
    if at_K is None or temperature_span_K(points) < LEAST_SPAN_K:
        return _fit(np.column_stack(base), correction, weights), 0
    warmer_K = np.array([point.temperature_K for point in points], np.float64) - at_K
    drifts = [warmer_K, warmer_K * read]
    for count in (2, 1) if _values_at_two_temperatures(points) else (1,):
        columns = np.column_stack([*base, *drifts[:count]])
        try:
            return _fit(columns, correction, weights), count
        except CalibrationError:
            continue
    raise CalibrationError(
        "the points can't tell the drift with temperature from the rest: repeat some of them"
    )


def _values_at_two_temperatures(points: tuple[Point, ...]) -> bool:
    """Whether at two temperatures at least, apart enough, values far enough apart were held to see the span."""
    held: defaultdict[int, list[float]] = defaultdict(list)
    for point in points:
        held[round((point.temperature_K or 0.0) / 2.0)].append(point.true)
    wide = FAR_APART * max(abs(point.true) for point in points)
    with_span = sorted(k for k, values in held.items() if max(values) - min(values) > wide)
    return len(with_span) > 1 and 2.0 * (with_span[-1] - with_span[0]) >= LEAST_SPAN_K


def _drift(
    points: tuple[Point, ...], fit: Fit, base: int, count: int, demands: Demands
) -> tuple[Drift | None, tuple[str, ...]]:
    if demands.full_scale is None:
        return None, ("the channel has no range, so that its drift with temperature has no share of it",)
    if not fit.degrees:
        return None, ("as many points as unknowns: nobody can say how good the drift with temperature is",)
    # the correction goes against the drift
    values, errors = -fit.coefficients[base:], fit.standard_errors[base:]
    temperatures = [point.temperature_K for point in points if point.temperature_K is not None]
    drift = Drift(
        zero_per_K=float(values[0]) / demands.full_scale,
        zero_uncertainty=float(errors[0]) / demands.full_scale,
        span_per_K=float(values[1]) if count == 2 else None,
        span_uncertainty=float(errors[1]) if count == 2 else None,
        between_K=(min(temperatures), max(temperatures)),
        factor=fit.coverage_factor(PROBABILITY),
    )
    return drift, ()


def _by_knots(points: tuple[Point, ...], read: Floats, true: Floats, demands: Demands) -> Calibrated:
    """A knot for each true value, at the mean of what was read there."""
    if temperature_span_K(points) >= LEAST_SPAN_K:
        raise CalibrationError("points of one temperature are needed for a curve through them")
    values, place = np.unique(true, return_inverse=True)
    columns = (place[:, None] == np.arange(len(values))).astype(float)
    fit = _fit(columns, true - read, _weights(points))
    knots = np.column_stack([values - fit.coefficients, values])
    check_knots(knots, demands.quantity)
    return Calibrated(
        "points",
        points,
        zero=0.0,
        span=1.0,
        knots=tuple((float(r), float(t)) for r, t in knots),
        residuals=fit.residuals,
        fit=fit,
        centre=0.0,
        scale=1.0,
        common=demands.reference_uncertainty,
        lack=None,
        hysteresis=hysteresis(points),
        drift=None,
        at_K=_main_temperature_K(points),
    )
