"""Is the rig ready for a soak? The checks that readings, disk and clock allow, each with a sentence; pure.

`no` forbids the soak, `care` doesn't, `ok` is as it should be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.autocorrelation import believed, effective_number, slope_inflation
from analysis.regression import fit_polynomial
from analysis.tight import absolute_Pa
from logger.units import ZERO_CELSIUS_K, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from logger.settings import Settings

Array = NDArray[np.float64]
State = Literal["ok", "care", "no"]

FAST_per_min: Final = 0.002
"""Share of the gas per minute that a two-minute hold must rule out: 0.2 %, which leak spray finds (own choice)."""
SETTLED_min: Final = 30.0
"""How long gas and rubber are left after a fill (common practice, no source)."""
FILL: Final = 0.02
"""A rise of the absolute pressure by this share within a minute or a sample is a fill, not weather (own choice)."""
NEIGHBOURS_K: Final = 15.0
AMBIENT_K: Final = 40.0
PRESSURES: Final = 3.0
"""How many times the neighbours' middle a pressure may be, or a part of it (own choice)."""
LOW_SUPPLY_V: Final = 4.7
STILL: Final = 30
STILL_s: Final = 60.0
"""A pressure whose count stays the same over so many readings and so long may be stuck (own choice)."""
LEAST_DISK_bytes: Final = 500_000_000
OLD_s: Final = 30.0


@dataclass(frozen=True)
class Check:
    """One thing that was looked at."""

    what: str
    state: State
    sentence: str


@dataclass(frozen=True)
class Seen:
    """The last hour: times (n,) in s, good values by channel (n,), SI, NaN = none; why the newest is not good.

    `still`: by channel, how many of the newest readings have one and the same count.
    """

    time_s: Array
    values: Mapping[str, Array]
    faults: Mapping[str, str]
    still: Mapping[str, int] = field(default_factory=dict)

    def newest(self, name: str) -> float:
        """Return the middle of the last ten readings, NaN if there is none."""
        last = self.values[name][-10:]
        good = last[np.isfinite(last)]
        return float(np.median(good)) if len(good) else math.nan


def sections_of(seen: Seen) -> list[str]:
    """Return the sections that the rig reads."""
    return [
        n.removesuffix(".pressure")
        for n in seen.values
        if n.endswith(".pressure") and n != "ambient.pressure"
    ]


def check_readings(seen: Seen, settings: Settings, hold_s: float) -> list[Check]:
    """Look at all that the readings tell."""
    sections = sections_of(seen)
    checks = [_alive(name, seen) for name in seen.values]
    checks += [
        Check(name, "no", "the settings name this section, and the rig has no pressure channel for it")
        for name in settings.sections
        if name not in sections
    ]
    checks += _temperatures(seen)
    checks += _pressures(seen, sections, settings)
    # of a channel that is dead its plug is all there is to say
    live = [name for name in sections if f"{name}.pressure" not in seen.faults]
    checks += [_settled(seen, name, settings) for name in live]
    checks += [hold(seen, name, settings, hold_s) for name in live]
    if "rig.supply_voltage" in seen.values and (volts := seen.newest("rig.supply_voltage")) < LOW_SUPPLY_V:
        checks.append(Check("supply", "no", f"{volts:.2f} V is under {LOW_SUPPLY_V} V: charge or mend it"))
    if settings.soak.support == "standing":
        checks += [
            Check(
                name,
                "care",
                "no height sensor: without heights by hand, at the begin and at the end (tape add), no verdict",
            )
            for name in sections
            if f"{name}.height" not in seen.values
        ]
        checks += [
            Check(name, "no", f"a standing section needs sections.{name}.gas_column in the settings")
            for name in sections
            if settings.section(name).gas_column_m is None
        ]
    if "ambient.temperature" not in seen.values and not any(
        n.endswith(".gas_temperature") for n in seen.values
    ):
        checks.append(
            Check("ambient", "no", "without an air or gas temperature cooling can't be told from leaking")
        )
    return checks


def _alive(name: str, seen: Seen) -> Check:
    if name in seen.faults:
        return Check(name, "no", f"{seen.faults[name]}: look at its plug and wire")
    recent = seen.values[name][seen.time_s >= seen.time_s[-1] - 120.0]
    share = float(np.isfinite(recent).mean())
    if share < 0.5:
        return Check(name, "no", f"only {100 * share:.0f} % of its readings of the last two minutes are good")
    if share < 0.95:
        return Check(
            name, "care", f"{100 * (1 - share):.0f} % of its readings of the last two minutes are missing"
        )
    same = seen.still.get(name, 0)
    if name.removesuffix(".pressure") in sections_of(seen) and same >= STILL:
        still_s = float(seen.time_s[-1] - seen.time_s[-same])
        if still_s >= STILL_s:
            return Check(
                name,
                "care",
                f"its count hasn't moved once in {_span(still_s)}: stuck? A live one never stands still",
            )
    return Check(name, "ok", "alive")


def _temperatures(seen: Seen) -> list[Check]:
    """Hold temperatures against one another."""
    names = [n for n in seen.values if n.endswith("temperature") and np.isfinite(seen.newest(n))]
    values = np.array([seen.newest(n) for n in names])
    checks = []
    for name, value in zip(names, values, strict=True):
        if abs(value - ZERO_CELSIUS_K - 10.0) > AMBIENT_K + 10.0:
            checks.append(Check(name, "no", f"{value - ZERO_CELSIUS_K:.0f} °C is no air or gas to soak in"))
        elif len(names) > 2 and abs(value - float(np.median(values))) > NEIGHBOURS_K:
            off = value - float(np.median(values))
            checks.append(Check(name, "care", f"{off:+.0f} K off the others: is it where it should be?"))
    return checks


def _gauge_Pa(seen: Seen, name: str, settings: Settings) -> float:
    atmosphere = _atmosphere_Pa(seen)
    return absolute_Pa(seen.newest(f"{name}.pressure"), settings.sensor_of(name), atmosphere) - atmosphere


def _atmosphere_Pa(seen: Seen) -> float:
    if "ambient.pressure" not in seen.values or not np.isfinite(seen.newest("ambient.pressure")):
        return STANDARD_ATMOSPHERE_Pa
    return seen.newest("ambient.pressure")


def _pressures(seen: Seen, sections: Sequence[str], settings: Settings) -> list[Check]:
    """Hold fills against floor, limit and one another."""
    checks = []
    atmosphere = _atmosphere_Pa(seen)
    if not 6e4 < atmosphere < 1.1e5:
        checks.append(
            Check("ambient.pressure", "no", f"{atmosphere / 100:.0f} hPa is no barometer's reading")
        )
    gauges = {name: _gauge_Pa(seen, name, settings) for name in sections}
    middle = (
        float(np.nanmedian(list(gauges.values()))) if any(map(math.isfinite, gauges.values())) else math.nan
    )
    for name, gauge in gauges.items():
        if not math.isfinite(gauge):
            continue
        section, said = settings.section(name), f"{gauge / 1e5:.2f} bar"
        if section.floor_Pa is not None and gauge < section.floor_Pa:
            checks.append(
                Check(name, "no", f"{said} is under its floor of {section.floor_Pa / 1e5:g} bar: not filled?")
            )
        elif section.limit_Pa is not None and gauge > section.limit_Pa:
            checks.append(
                Check(name, "no", f"{said} is over its limit of {section.limit_Pa / 1e5:g} bar: let gas out")
            )
        elif gauge < 0.5e5:
            checks.append(Check(name, "no", f"{said}: there is hardly any gas in it; fill it"))
        elif len(gauges) > 1 and not middle / PRESSURES < gauge < middle * PRESSURES:
            checks.append(
                Check(name, "care", f"{said} beside {middle / 1e5:.2f} bar of its neighbours: is that right?")
            )
        else:
            checks.append(Check(f"{name} fill", "ok", said))
    return checks


def log_amount(seen: Seen, name: str, settings: Settings, *, pressure_only: bool = False) -> Array:
    """Return ln of the amount but for temperature, (n,): by the pressure, on a standing car by the height too."""
    absolute = seen.values[f"{name}.pressure"] + absolute_Pa(
        0.0, settings.sensor_of(name), _atmosphere_Pa(seen)
    )
    out = np.log(np.maximum(absolute, 1000.0))
    column = settings.section(name).gas_column_m
    standing = settings.soak.support == "standing" and not pressure_only
    if standing and column is not None and f"{name}.height" in seen.values:
        height = seen.values[f"{name}.height"]
        out = out + np.log(np.maximum(1.0 + (height - np.nanmedian(height)) / column, 0.01))
    return np.asarray(out)


def _settled(seen: Seen, name: str, settings: Settings) -> Check:
    """Say how long ago it was filled, by the last rise of its pressure."""
    log = log_amount(seen, name, settings)
    good = np.isfinite(log)
    time_s, log = seen.time_s[good], log[good]
    what = f"{name} settled"
    if len(log) < 3:
        return Check(what, "care", "too few readings to see when it was filled")
    # the middle of each three: a single spike, up or down, is no fill
    log = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(log, 1, mode="reflect"), 3), axis=1)
    minute = np.searchsorted(time_s, time_s - 60.0)
    before = log[np.minimum(minute, np.maximum(np.arange(len(log)) - 1, 0))]
    rises = np.flatnonzero(log - before > FILL)
    span = float(time_s[-1] - time_s[0]) / 60.0
    if len(rises) == 0 and span < SETTLED_min:
        return Check(
            what, "care", f"only {span:.0f} min of readings: whether it was filled just before isn't seen"
        )
    if len(rises) == 0:
        return Check(what, "ok", f"no fill within the last {span:.0f} min of readings")
    ago = float(time_s[-1] - time_s[rises[-1]]) / 60.0
    if ago < SETTLED_min:
        left = SETTLED_min - ago
        return Check(
            what, "care", f"filled {ago:.0f} min ago: leave it {left:.0f} min more, gas and rubber still move"
        )
    return Check(what, "ok", f"filled {ago:.0f} min ago")


class Fall(NamedTuple):
    """A straight line's fall per minute, its standard uncertainty, and the ends of its 95 % interval."""

    value: float
    uncertainty: float
    low: float
    high: float


def fall_per_min(time_s: Array, log: Array) -> Fall | None:
    """Return the fall of ln(amount) per minute by least squares; None if there is too little.

    Neighbouring readings resemble one another when gas still cools or a converter's step is coarse: the uncertainty
    is widened for that, and Student's t is taken for as many readings as they are worth.
    """
    good = np.isfinite(log)
    x, y = time_s[good] / 60.0, log[good]
    if len(x) < 8 or not np.ptp(x) > 0.0:
        return None
    line = fit_polynomial(x, y, 1)
    rho = believed(line.fit.residuals)
    widened = max(slope_inflation(rho, len(x)), 1.0)
    slopes, covariance = line.coefficients_about(0.0)
    deviation = math.sqrt(max(float(covariance[1, 1]), 0.0) * widened)
    degrees = max(effective_number(rho, len(x)) - 2.0, 1.0)
    half = float(stdtrit(degrees, 0.975)) * deviation
    fall = -float(slopes[1])
    return Fall(fall, deviation, fall - half, fall + half)


def hold(seen: Seen, name: str, settings: Settings, hold_s: float) -> Check:
    """Look for a fast leak at the fittings in the last `hold_s`."""
    what = f"{name} hold"
    recent = seen.time_s >= seen.time_s[-1] - hold_s
    if settings.soak.support == "standing" and f"{name}.height" not in seen.values:
        return Check(what, "care", "standing, without a height: the load keeps the pressure, nothing is seen")
    if seen.time_s[-1] - seen.time_s[0] < 0.9 * hold_s:
        return Check(what, "no", f"wait: there are not yet {hold_s / 60.0:g} min of readings")
    fall = fall_per_min(seen.time_s[recent], log_amount(seen, name, settings)[recent])
    if fall is None:
        return Check(what, "no", f"too few readings in {hold_s / 60.0:g} min: hold longer, --hold '10 min'")
    return _told(what, fall)


def _told(what: str, fall: Fall) -> Check:
    value, low, high = (100.0 * x for x in (fall.value, fall.low, fall.high))
    said = f"the gas changes by {-value:+.2f} %/min ({-high:+.2f} to {-low:+.2f})"
    if low > 100.0 * FAST_per_min:
        return Check(
            what, "no", f"{said}: a fitting leaks, or fresh gas still cools; leak spray, then hold again"
        )
    if high < -100.0 * FAST_per_min:
        return Check(what, "care", f"{said}: filled, or warming?")
    if high > 100.0 * FAST_per_min:
        return Check(what, "care", f"{said}: a fast leak isn't ruled out; hold longer")
    return Check(what, "ok", f"{said}: no fast leak")


def check_computer(
    free_bytes: int, now_s: float, newest_s: float | None, settings_s: float | None
) -> list[Check]:
    """Look at disk and clock; times since the epoch: now, of the newest reading, of the settings file's last change."""
    checks = [
        Check("disk", "ok" if free_bytes > LEAST_DISK_bytes else "no", f"{free_bytes / 1e9:.1f} GB free")
    ]
    latest = max((t for t in (newest_s, settings_s) if t is not None), default=0.0)
    if now_s < latest - 60.0:
        checks.append(Check("clock", "no", "it is earlier than what is already written: set it"))
    else:
        checks.append(Check("clock", "ok", "not behind what is already written"))
    if newest_s is None or abs(now_s - newest_s) > OLD_s:
        age = "none" if newest_s is None else f"the newest is {_span(abs(now_s - newest_s))} off the clock"
        checks.append(Check("readings", "no", f"no readings come in ({age}): is the logger running?"))
    else:
        checks.append(Check("readings", "ok", "come in"))
    return checks


def _span(seconds: float) -> str:
    """Return a time as people say it.

    >>> _span(45.0), _span(1800.0), _span(2e5)
    ('45 s', '30 min', '56 h')
    """
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.0f} h"


def by_hand(support: str) -> list[str]:
    """Return what only a person can see."""
    stands = (
        "Body on stands, on solid points, struts hung to their stops"
        if support == "blocked"
        else "Car on its wheels, on level ground, chocked"
    )
    return [
        stands,
        "Every shut-off valve closed, fill hoses off",
        "Nobody under the car, and nobody will go there; it is marked",
        "Doors shut, car locked and asleep, its levelling can't wake",
    ]


def as_dicts(checks: Sequence[Check]) -> list[dict[str, Any]]:
    """For JSON."""
    return [{"what": one.what, "state": one.state, "sentence": one.sentence} for one in checks]
