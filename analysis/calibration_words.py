"""A calibration for people (table and sentences), for scripts (one object), and for the settings (keys and values)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from rich.table import Table

from analysis.calibration import SUSPICIOUS, interval_factor
from analysis.quantities import DISPLAYS, fixed, shown, shown_difference
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analysis.calibration_model import Calibrated, Drift
    from logger.settings import ChannelQuantity

_BAR = 7
"""Characters on each side of the middle of the residuals' bar."""
_FINER = 1 / 3
"""Residuals within this share of what the datasheet allows are drawn on a scale of their own."""
_COVERED = 0.6
"""Points over a smaller share of the range than this leave much of it to the line (own choice)."""


def table_of(found: Calibrated, quantity: ChannelQuantity, channel: str, limit: float) -> Table:
    """Return the points with their residuals, drawn to what the datasheet allows, or finer if far within it."""
    display = DISPLAYS[quantity]
    largest = float(abs(found.residuals).max())
    scale = largest if 1e-6 * limit < largest <= _FINER * limit else limit
    table = Table(
        title=f"{channel}, {len(found.points)} point{'s' * (len(found.points) != 1)}", title_justify="left"
    )
    warm = any(point.temperature_K is not None for point in found.points)
    unit, difference = _people(display.unit), display.difference_unit
    heads = (f"read,\n{unit}", f"reference,\n{unit}", *(["at,\n°C"] if warm else []))
    for head in (*heads, f"correction,\n{difference}", f"residual,\n{difference}"):
        table.add_column(head, justify="right")
    table.add_column(f"\n±{shown_difference(scale, quantity)}", justify="center", no_wrap=True)
    for point, residual in zip(found.points, found.residuals.tolist(), strict=True):
        at = "" if point.temperature_K is None else f"{point.temperature_K - ZERO_CELSIUS_K:.1f}"
        table.add_row(
            fixed(point.read, display),
            fixed(point.true, display),
            *([at] if warm else []),
            fixed(point.true - point.read, display, difference=True),
            fixed(residual, display, difference=True),
            residual_bar(residual / scale),
        )
    return table


def _people(text: str) -> str:
    return text.replace("degC", "°C")


def residual_bar(share: float) -> str:
    """A residual as a place between the limits, for a terminal.

    >>> residual_bar(0.5), residual_bar(-1.0)
    ('       │   ●   ', '●      │       ')
    """
    place = _BAR + round(max(-1.0, min(1.0, share)) * _BAR)
    cells = [" "] * (2 * _BAR + 1)
    cells[_BAR] = "│"
    cells[place] = "●"
    return "".join(cells)


def sentences(found: Calibrated, quantity: ChannelQuantity, full_scale: float | None) -> list[str]:
    """Return what a person should know, a sentence a line."""
    lines = [_headline(found, quantity)]
    worst = found.worst
    if math.isfinite(worst):
        lines.append(
            f"A corrected reading is good to ±{shown_difference(worst, quantity)} at the worst of these points (95 %, "
            f"{found.fit.degrees} degree{'s' * (found.fit.degrees != 1)} of freedom"
            + (
                ", the reference's own uncertainty included)."
                if found.common
                else "; the reference taken as exact)."
            )
        )
    else:
        lines.append(
            "As many unknowns as points: nothing is left to judge the calibration by. Take more points."
        )
    if found.hysteresis is not None:
        lines.append(f"Up and down differ by at most {shown_difference(found.hysteresis, quantity)}.")
    lines += _about_lack(found)
    lines += _about_range(found, quantity, full_scale)
    if found.drift is not None:
        lines.append(drift_words(found.drift))
    lines += [f"{remark[0].upper()}{remark[1:]}." for remark in found.remarks]
    return lines


def _headline(found: Calibrated, quantity: ChannelQuantity) -> str:
    if found.shape == "points":
        return f"Straight pieces through {len(found.knots)} points."
    at = "" if found.at_K is None else f" at {found.at_K - ZERO_CELSIUS_K:.0f} °C"
    zero = shown_difference(found.zero, quantity, 2)
    if found.shape == "zero":
        kept = "read" if found.span == 1.0 else f"{found.span:.6f} × read, the span as it was"
        return f"corrected = {zero} + {kept}{at}."
    return f"corrected = {zero} + {found.span:.6f} × read{at}."


def _about_lack(found: Calibrated) -> list[str]:
    if found.lack is None or found.lack.probability >= SUSPICIOUS:
        return []
    against = "they repeat" if found.lack.degrees[1] else "their uncertainties allow"
    advice = "; --shape points follows them" if found.shape == "line" and found.lack.degrees[1] else ""
    model = "line" if found.shape == "line" else "constant"
    probability = f"(p = {found.lack.probability:.2g})"
    return [f"The points lie farther off a {model} than {against} {probability}{advice}."]


def _about_range(found: Calibrated, quantity: ChannelQuantity, full_scale: float | None) -> list[str]:
    values = [point.true for point in found.points]
    if found.shape == "zero" or full_scale is None or max(values) - min(values) >= _COVERED * full_scale:
        return []
    reach = f"from {_people(shown(min(values), quantity))} to {_people(shown(max(values), quantity))}"
    model = "line" if found.shape == "line" else "last piece"
    whole = _people(shown(full_scale, quantity))
    return [f"The points reach {reach} of {whole}; beyond them the {model} goes on, unproven."]


def drift_words(drift: Drift) -> str:
    """Return the drift with temperature in a sentence."""
    low, high = (t - ZERO_CELSIUS_K for t in drift.between_K)

    def one(value: float, uncertainty: float) -> str:
        expanded = 100.0 * drift.factor * uncertainty
        digits = max(4, 1 - math.floor(math.log10(expanded))) if 0.0 < expanded < math.inf else 4
        return f"{100.0 * value:.{digits}f} ± {expanded:.{digits}f} %/K"

    zero = one(drift.zero_per_K, drift.zero_uncertainty)
    words = f"With temperature ({low:.0f} to {high:.0f} °C) the zero moves by {zero}"
    if drift.span_per_K is not None and drift.span_uncertainty is not None:
        words += f", the span by {one(drift.span_per_K, drift.span_uncertainty)}"
    return words + " of full scale (95 %)."


def settings_keys(
    found: Calibrated, quantity: ChannelQuantity, made_on: date, reference: str
) -> dict[str, Any]:
    """Return the keys of the channel's calibration table; None takes an old key away.

    The span is rounded first and the zero fits the rounded span at the middle of the points, so that rounding moves no
    corrected reading by more than some hundredths of a pascal.
    """
    keys: dict[str, Any] = {
        "date": made_on,
        "reference": reference,
        "zero": None,
        "span": None,
        "points": None,
        "residuals": [shown_difference(float(r), quantity, 1) for r in found.residuals],
        "uncertainty": shown_difference(found.worst, quantity, 1) if math.isfinite(found.worst) else None,
    }
    if found.drift is not None or found.shape != "zero":
        # else what is known of the drift stays
        keys |= {"zero_drift": None, "span_drift": None}
    if found.drift is not None:
        keys["zero_drift"] = share_per_K(found.drift.zero_per_K)
        if found.drift.span_per_K is not None:
            keys["span_drift"] = share_per_K(found.drift.span_per_K)
    if found.shape == "points":
        keys["points"] = [[_exact(read, quantity), _exact(true, quantity)] for read, true in found.knots]
        return keys
    span = round(found.span, 7)
    middle = found.centre if found.shape == "line" else 0.0
    keys["zero"] = shown_difference(found.zero + (found.span - span) * middle, quantity, 3)
    if found.shape == "line":
        keys["span"] = span
    else:
        del keys["span"]  # it stays as it was
    return keys


def _exact(value: float, quantity: ChannelQuantity) -> str:
    display = DISPLAYS[quantity]
    number = round((value - display.offset) / display.factor, display.decimals + 2) + 0.0
    return f"{number:.10g} {display.unit}"


def share_per_K(value: float) -> str:
    """A drift as the settings take it.

    >>> share_per_K(1.234e-4)
    '0.01234 %/K'
    """
    return f"{round(100.0 * value, 5) + 0.0:.5f}".rstrip("0").rstrip(".") + " %/K"


def coefficient_text(bound_per_K: float) -> str:
    """A bound as a temperature coefficient, rounded up to two digits.

    >>> coefficient_text(1.234e-4)
    '0.013 %/K'
    """
    percent = 100.0 * bound_per_K
    digits = max(2, 1 - math.floor(math.log10(percent))) if percent > 0.0 else 4
    return f"{math.ceil(round(percent * 10**digits, 6)) / 10**digits:.{digits}f} %/K"


def object_of(
    found: Calibrated, channel: str, quantity: ChannelQuantity, at: Sequence[float]
) -> dict[str, Any]:
    """Return the calibration as one JSON object, SI throughout; what can't be known is null."""
    drift = found.drift
    return {
        "cornerhold": "calibration/1",
        "channel": channel,
        "quantity": quantity,
        "shape": found.shape,
        "zero": found.zero,
        "span": found.span,
        "span_uncertainty": _null(found.span_uncertainty),
        "knots": [list(knot) for knot in found.knots],
        "points": [
            {
                "read": point.read,
                "true": point.true,
                "temperature_K": point.temperature_K,
                "readings": point.readings,
                "correction": point.true - point.read,
                "residual": residual,
            }
            for point, residual in zip(found.points, found.residuals.tolist(), strict=True)
        ],
        "deviation": _null(found.deviation),
        "degrees_of_freedom": found.fit.degrees,
        "noise": found.noise,
        "expanded_uncertainty": _null(found.worst),
        "hysteresis": found.hysteresis,
        "lack_of_fit": None
        if found.lack is None
        else {"statistic": _null(found.lack.statistic), "probability": found.lack.probability},
        "drift": None
        if drift is None
        else {
            "zero_per_K": drift.zero_per_K,
            "zero_uncertainty_per_K": drift.zero_uncertainty,
            "span_per_K": drift.span_per_K,
            "span_uncertainty_per_K": drift.span_uncertainty,
            "bound_per_K": drift.bound_per_K,
        },
        "at": [_at(found, read) for read in at],
        "remarks": list(found.remarks),
    }


def _at(found: Calibrated, read: float) -> dict[str, Any]:
    correction, uncertainty, degrees = found.correction_at(read)
    return {
        "read": read,
        "correction": correction,
        "uncertainty": _null(uncertainty),
        "degrees_of_freedom": _null(degrees),
        "expanded_uncertainty": _null(uncertainty * interval_factor(degrees)),
    }


def _null(value: float) -> float | None:
    return value if math.isfinite(value) else None


def at_words(found: Calibrated, read: float, quantity: ChannelQuantity) -> str:
    """Return the correction at one reading in a sentence."""
    correction, uncertainty, degrees = found.correction_at(read)
    expanded = uncertainty * interval_factor(degrees)
    known = (
        f"± {shown_difference(expanded, quantity, 1)} (95 %)"
        if math.isfinite(expanded)
        else "(uncertainty not known)"
    )
    return f"At {_people(shown(read, quantity))} the correction is {shown_difference(correction, quantity, 1)} {known}."
