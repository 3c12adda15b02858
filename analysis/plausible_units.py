"""Nonsense at the door: columns of a recording whose numbers can only be in another unit, or of no car at all.

A column is judged by what it held for most of its time and by its neighbours, never by one reading: a spike, a burst
and an empty corner are readings like others. Where a small number may as well be an empty corner, only its noise tells:
no transducer for springs is quiet to a few pascals. What stays open is a doubt (analysis.plausible), not a refusal.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.plausible_air import is_power_on
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping

Array = NDArray[np.float64]

# Common practice, no source, unless said otherwise. In the column's own unit.
FEWEST: Final = 5  # readings, before anything is said of a column
ENOUGH: Final = 5000
MOST: Final = 0.9  # of the readings must be out
EMPTY_SHARE: Final = 0.05  # of what a column held: below it has burst or was let out
HIGHEST_kPa: Final = 3000.0  # springs are filled to 200–1200 kPa, system lines carry up to 2000
BAR: Final = (1.8, 21.0)  # the same in bar
SURELY_BAR: Final = 4.5  # further from zero than several empty transducers are off together
MEGAPASCAL: Final = (0.18, 1.8)
# Typical change from one reading to the next. A transducer of 16 bar moves by 0.1–1 kPa (converter step 0.06 kPa); the
# same in bar and MPa, written with two decimals or more:
BAR_CHANGE: Final = 0.15
BAR_CHANGE_ALONE: Final = 0.05
MEGAPASCAL_CHANGE: Final = 0.012
MEGAPASCAL_CHANGE_ALONE: Final = 0.003
AIR_degC: Final = (-60.0, 60.0)  # the records are -67.8 and +56.7 °C where people live (WMO)
GAS_degC: Final = (-80.0, 120.0)
KELVIN: Final = (200.0, 400.0)
FAHRENHEIT: Final = 110.0  # up to here a warm shop in °F
BAROMETER_kPa: Final = (50.0, 110.0)  # 5,500 m up; the highest ever measured is 108.5 kPa (WMO)
BAROMETER_UNITS: Final = (
    (0.05, 0.11, "MPa"),
    (0.5, 1.1, "bar"),
    (7.2, 16.0, "psi"),
    (16.0, 32.5, "inHg"),
    (375.0, 500.0, "mmHg"),
    (500.0, 700.0, "hPa (mbar) or mmHg"),
    (700.0, 790.0, "mmHg or hPa (mbar)"),
    (790.0, 1100.0, "hPa (mbar)"),
    (5e4, 1.1e5, "Pa"),
)
HIGHEST_mm: Final = 3000.0
METRES: Final = (0.1, 1.2)
CENTIMETRES: Final = (15.0, 120.0)
INCHES: Final = (5.0, 15.0)
INCHES_UP_TO: Final = 20.0  # between, either may be
# Height sensors have steps of 0.1 mm and noise of 0.1–0.5 mm:
METRE_CHANGE: Final = 0.02
METRE_CHANGE_ALONE: Final = 0.003
CENTIMETRE_CHANGE: Final = 0.06
CENTIMETRE_CHANGE_ALONE: Final = 0.03
# Highest over lowest of the heights of one car; zeros of sensors without a common one differ by more:
ALIKE: Final = 1.5
STILL: Final = 5.0  # a car sinks by some 30 mm in the cold: less than so many centimetres
POWER_ON_RUN_s: Final = 3600.0  # longer is no slip of a bus but a dead thermometer: a doubt
POWER_ON_JUMP_K: Final = 10.0


class Nonsense(NamedTuple):
    """What is wrong: the column, the reading that shows it (its place in the array), and the reason."""

    column: str
    place: int
    reason: str


class _Held(NamedTuple):
    """What a column held for most of its time."""

    level: float
    change: float  # typical, from one reading to the next where they differ; 0 if they never do
    low: float  # nine tenths of what was held lie above
    swing: float
    first: int  # place of the first reading that was held


def nonsense(columns: Mapping[str, Array]) -> Nonsense | None:
    """Return the first column that can't be in its unit, None if all may be.

    `columns`: (n,) numbers by the header's names, in the unit that the name says, NaN = no reading.
    """
    by_ending: dict[str, dict[str, Array]] = {}
    for name, values in columns.items():
        section, _, ending = name.rpartition(".")
        kind = f"ambient.{ending}" if section == "ambient" else ending
        if np.isfinite(values).sum() >= FEWEST:
            by_ending.setdefault(kind, {})[name] = values
    pressures = {name: _held(values) for name, values in by_ending.get("pressure_kPa", {}).items()}
    heights = {name: _held(values) for name, values in by_ending.get("height_mm", {}).items()}
    found = _too_high(pressures) or _small_pressures(pressures) or _heights(heights)
    for name, values in by_ending.get("ambient.pressure_kPa", {}).items():
        found = found or _barometer(name, values)
    for name, values in by_ending.get("ambient.temperature_degC", {}).items():
        found = found or _temperature(name, values, AIR_degC, "where a car is parked")
    for name, values in by_ending.get("gas_degC", {}).items():
        found = found or _temperature(name, values, GAS_degC, "that a spring's rubber bears")
    return found


def _held(values: Array) -> _Held:
    there = np.flatnonzero(np.isfinite(values))
    # a weekend at 1 Hz is judged by some thousand readings and those that follow them
    picked = there[: -1 : 1 + len(there) // ENOUGH]
    after = there[1 :: 1 + len(there) // ENOUGH]
    now, then = values[picked], values[after]
    high = float(np.quantile(now, MOST))
    least = EMPTY_SHARE * high if high > 0.0 else -np.inf
    held = now[now > least]
    changes = np.abs(then - now)[(now > least) & (then > least)]
    changes = changes[changes > 0.0]
    low, top = np.quantile(held, (1.0 - MOST, MOST))
    return _Held(
        float(np.median(held)),
        float(np.median(changes)) if len(changes) else 0.0,
        float(low),
        float(top - low),
        int(there[np.argmax(values[there] > least)]),
    )


def _looks_like(name: str, held: _Held, unit: str, says: str) -> Nonsense:
    return Nonsense(name, held.first, f"looks like {unit}; the column says {says}")


def _too_high(pressures: Mapping[str, _Held]) -> Nonsense | None:
    for name, held in pressures.items():
        if held.low <= HIGHEST_kPa:
            continue
        if held.level > 1e5:
            return _looks_like(name, held, "Pa", "kPa")
        if held.level < 2.5e4:
            return _looks_like(name, held, "hPa (mbar)", "kPa")
        return Nonsense(name, held.first, f"no air spring holds {held.level / 100.0:.0f} bar; check the unit")
    return None


def _small_pressures(pressures: Mapping[str, _Held]) -> Nonsense | None:
    """Bar and MPa: only where no section of the recording holds more."""
    if any(held.level > BAR[1] for held in pressures.values()):
        return None
    for (low, high), sure, change, alone, unit in (
        (BAR, SURELY_BAR, BAR_CHANGE, BAR_CHANGE_ALONE, "bar"),
        (MEGAPASCAL, np.inf, MEGAPASCAL_CHANGE, MEGAPASCAL_CHANGE_ALONE, "MPa"),
    ):
        fit = {name: held for name, held in pressures.items() if low <= held.level <= high}
        several = len(fit) > 1
        far = several and all(held.level >= sure for held in fit.values())
        limit = change if far or (several and unit == "MPa") else alone
        for name, held in fit.items():
            if held.change <= limit and (far or held.change > 0.0):
                return _looks_like(name, held, unit, "kPa")
    return None


def _heights(heights: Mapping[str, _Held]) -> Nonsense | None:
    """All heights of a car are in one unit, and stand alike: zeros of sensors without a common one differ by more."""
    if not heights:
        return None
    all_held = heights.values()
    name, held = next(iter(heights.items()))
    if min(h.low for h in all_held) > HIGHEST_mm:
        return Nonsense(
            name, held.first, f"is {held.level / 1e3:.3g} m, and no car stands so high; check the unit"
        )
    lowest, highest = min(h.level for h in all_held), max(h.level for h in all_held)
    least, most = min(h.change for h in all_held), max(h.change for h in all_held)
    quiet = least > 0.0 and max(h.swing for h in all_held) < STILL
    if not quiet or lowest <= 0.0 or highest > ALIKE * lowest:
        return None
    several = len(heights) > 1
    metre = METRE_CHANGE if several else METRE_CHANGE_ALONE
    centimetre = CENTIMETRE_CHANGE if several else CENTIMETRE_CHANGE_ALONE
    for (low, high), limit, unit in (
        (METRES, metre, "m"),
        (INCHES, centimetre, "inches"),
        (CENTIMETRES, centimetre, "cm" if highest > INCHES_UP_TO else "cm (or inches)"),
    ):
        if low <= lowest and highest <= high and most <= limit:
            return _looks_like(name, held, unit, "mm")
    return None


def _outside(values: Array, limits: tuple[float, float]) -> NDArray[np.intp]:
    """Return the places of readings outside, if nearly all are; else none."""
    there = np.isfinite(values)
    out = there & ((values < limits[0]) | (values > limits[1]))
    return np.flatnonzero(out) if out.sum() >= MOST * there.sum() else np.empty(0, np.intp)


def _temperature(name: str, values: Array, limits: tuple[float, float], where: str) -> Nonsense | None:
    values = np.where(is_power_on(values + ZERO_CELSIUS_K), np.nan, values)
    out = _outside(values, limits)
    if np.isfinite(values).sum() < FEWEST or not len(out):
        return None
    first, level = int(out[0]), float(np.median(values[out]))
    if KELVIN[0] < level < KELVIN[1]:
        return Nonsense(name, first, "looks like kelvin; the column says °C")
    if limits[1] < level < FAHRENHEIT:
        return Nonsense(name, first, "looks like °F; the column says °C")
    return Nonsense(
        name, first, f"is no temperature {where}, and the column stays there; check sensor and unit"
    )


def _barometer(name: str, values: Array) -> Nonsense | None:
    out = _outside(values, BAROMETER_kPa)
    if not len(out):
        return None
    level = float(np.median(values[out]))
    unit = barometer_unit(level)
    if unit:
        return Nonsense(name, int(out[0]), f"looks like {unit}; the column says kPa")
    return Nonsense(name, int(out[0]), "is no air pressure where roads go, and the column stays there")


def barometer_unit(value: float) -> str:
    """Return in which unit a number would be an air pressure; empty if in none.

    >>> barometer_unit(1013.2), barometer_unit(101325.0), barometer_unit(1.013), barometer_unit(2e3)
    ('hPa (mbar)', 'Pa', 'bar', '')
    """
    return next((unit for low, high, unit in BAROMETER_UNITS if low <= value <= high), "")


def slips_of_a_bus(time_s: Array, celsius: Array) -> NDArray[np.intp]:
    """Return the places of readings that a digital thermometer gave without having measured.

    `time_s`, `celsius`: (n,), NaN = no reading. 85.0 and -127.0 count where their neighbours are far off and for at most
    an hour; what stays longer is a dead thermometer, and what comes up to 85 °C may be so.
    """
    there = np.flatnonzero(np.isfinite(celsius))
    marked = is_power_on(celsius[there] + ZERO_CELSIUS_K)
    if not marked.any() or marked.all():
        return np.empty(0, np.intp)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
    out: list[NDArray[np.intp]] = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        beside = [celsius[there[k]] for k in (begin - 1, end) if 0 <= k < len(there)]
        lasted = time_s[there[end - 1]] - time_s[there[begin]]
        far = all(abs(value - celsius[there[begin]]) > POWER_ON_JUMP_K for value in beside)
        if far and lasted <= POWER_ON_RUN_s:
            out.append(there[begin:end])
    return np.concatenate(out) if out else np.empty(0, np.intp)
