"""What is refused as a calibration, and why: too few points, wrong order, what the datasheet does not allow."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING

from analysis.calibration_model import CalibrationError
from analysis.quantities import DISPLAYS, shown, shown_difference
from logger.units import STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from analysis.calibration_model import Point, Shape
    from logger.settings import ChannelQuantity

    Floats = NDArray[np.float64]

_LEAST = {"zero": 1, "line": 2, "points": 2}
"""Different true values that a shape needs at least."""


_MOST, _MOST_K = 1e10, 2000.0
"""No reference is larger in any SI unit, no temperature higher (own choice): squares and products have an end."""
_LEAST_UNCERTAINTY = 1e-12
"""Less than this, in whatever SI unit, is zero."""


def check_points(
    points: Sequence[Point], shape: Shape, plausible: tuple[float, float], quantity: ChannelQuantity
) -> None:
    """Refuse too few points, and readings that the channel can't give."""
    if not points:
        raise CalibrationError("no point is given")
    different = len({point.true for point in points})
    if different < _LEAST[shape]:
        values = "value" if different == 1 else "values"
        raise CalibrationError(
            f"{different} {values} of the reference can't fix a {'line' if shape == 'line' else 'curve'}: "
            "at least 2 are needed (for the zero alone: --shape zero)"
        )
    for name, what in (("uncertainty", "uncertainty"), ("temperature_K", "temperature")):
        given = [getattr(point, name) is not None for point in points]
        if any(given) and not all(given):
            number = given.index(False) + 1
            raise CalibrationError(f"point {number} has no {what} while others have; give it for all or none")
    low, high = plausible
    for number, point in enumerate(points, 1):
        if not (math.isfinite(point.read) and math.isfinite(point.true)):
            raise CalibrationError(f"point {number}: is no number")
        if point.uncertainty is not None and not _LEAST_UNCERTAINTY < point.uncertainty < _MOST:
            raise CalibrationError(f"point {number}: an uncertainty must be above zero, and possible")
        if abs(point.true) > _MOST or not 0.0 <= (point.temperature_K or 0.0) <= _MOST_K:
            raise CalibrationError(f"point {number}: reference or temperature is beyond what can be")
        if not low <= point.read <= high:
            raise CalibrationError(
                f"point {number}: {shown(point.read, quantity)} is no reading of this channel, which goes from "
                f"{shown(low, quantity)} to {shown(high, quantity)}"
            )


def check_order(points: Sequence[Point], limit: float, quantity: ChannelQuantity) -> None:
    """Refuse readings that do not rise with the reference: columns or points mixed up, or a wire.

    Points of nearly the same reference, within what the datasheet allows, may stand in any order.
    """
    ordered = sorted(points, key=lambda point: point.true)
    # the highest reading among those far enough below: of many thousands not every pair is looked at
    below, low = 0, ordered[0]
    for high in ordered:
        while high.true - ordered[below].true > 2.0 * limit:
            low = max(low, ordered[below], key=lambda point: point.read)
            below += 1
        if below and not high.read > low.read:
            falls = "falls" if high.read < low.read else "stays"
            raise CalibrationError(
                f"wrong order: while the reference rises from {shown(low.true, quantity)} to "
                f"{shown(high.true, quantity)} the reading {falls}, {shown(low.read, quantity)} to "
                f"{shown(high.read, quantity)}; are points or columns mixed up, or does the sensor not read?"
            )


def check_corrections(points: Sequence[Point], limit: float, quantity: ChannelQuantity) -> None:
    """Refuse corrections that are no calibration but a fault or a mix-up."""
    worst = max(points, key=lambda point: abs(point.true - point.read))
    off = worst.true - worst.read
    if abs(off) <= limit:
        return
    number = list(points).index(worst) + 1
    hint = "a wrong range, unit or sensor in the settings?"
    if all(abs(abs(p.true - p.read) - STANDARD_ATMOSPHERE_Pa) < 0.1 * STANDARD_ATMOSPHERE_Pa for p in points):
        hint = "about one atmosphere throughout: is a gauge held against an absolute transducer?"
    raise CalibrationError(
        f"point {number}: {shown_difference(abs(off), quantity)} between reading and reference is more than a "
        f"calibration may take off ({shown_difference(limit, quantity)}); {hint}"
    )


def check_ends(corrections: Mapping[float, float], limit: float, quantity: ChannelQuantity) -> None:
    """Refuse a fit that runs wild within the range: points too near one another say nothing of the span."""
    end, off = max(corrections.items(), key=lambda item: abs(item[1]))
    if abs(off) > limit:
        raise CalibrationError(
            f"at {shown(end, quantity)} the correction would be {shown_difference(off, quantity)}, more than a "
            f"calibration may take off ({shown_difference(limit, quantity)}): the points are too near one another "
            "for a line, or the sensor is faulty"
        )


def check_knots(knots: Floats, quantity: ChannelQuantity) -> None:
    """Refuse knots (n, 2) that could not be told apart, or would change places, where they are written rounded."""
    least = DISPLAYS[quantity].factor * 10.0 ** -DISPLAYS[quantity].decimals
    steps = knots[1:] - knots[:-1]
    if (steps < least).any():
        raise CalibrationError(
            f"two of the points lie less than {shown_difference(least, quantity)} apart, or in the wrong order"
        )


def check_residuals(
    points: Sequence[Point], residuals: Floats, limit: float, quantity: ChannelQuantity
) -> None:
    """Refuse points that lie farther off the fit than the datasheet allows."""
    worst = max(range(len(points)), key=lambda i: abs(float(residuals[i])))
    off = abs(float(residuals[worst]))
    if off > limit:
        point = points[worst]
        raise CalibrationError(
            f"point {worst + 1} (read {shown(point.read, quantity)}, reference {shown(point.true, quantity)}) lies "
            f"{shown_difference(off, quantity)} off the fit, the datasheet allows {shown_difference(limit, quantity)}: "
            "a slip in this point, a leak at the manifold, or a sensor that is not straight"
        )


def temperature_span_K(points: Sequence[Point]) -> float:
    """From the coldest to the warmest point; 0 where a temperature is not known."""
    known = [point.temperature_K for point in points if point.temperature_K is not None]
    return max(known) - min(known) if len(known) == len(points) else 0.0


def hysteresis(points: Sequence[Point]) -> float | None:
    """Largest difference between the readings on the way up and on the way down, SI; None if no value was met both ways.

    A point is on the way up if the reference had risen from the point before; the first one is.
    """
    ways: defaultdict[float, dict[bool, list[float]]] = defaultdict(lambda: {True: [], False: []})
    before = -math.inf
    rising = True
    for point in points:
        if point.true != before:
            rising = point.true > before
        ways[point.true][rising].append(point.read)
        before = point.true
    both = [way for way in ways.values() if way[True] and way[False]]
    if not both:
        return None
    return max(abs(sum(w[True]) / len(w[True]) - sum(w[False]) / len(w[False])) for w in both)
