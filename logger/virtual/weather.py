"""Weather: an invented winter at any time resolution, or hourly records brought to the simulator's grid.

The invented winter adds a mean, a slow synoptic wander, a diurnal wave that is larger under a clear sky,
correlated hourly noise and fronts (a drop within an hour or two); the barometer is a smooth slow wander
that swings 5–20 hPa over a weekend; cloud and wind wander as well. Sizes are common knowledge of
temperate winters, no source; a test checks the swings.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logger.bounded import file_bytes
from logger.errors import PlainError
from logger.virtual.draws import Draw, Fixed, FloatArray, Uniform, one
from logger.virtual.series import lagged, wandering

if TYPE_CHECKING:
    from pathlib import Path

HOUR_S = 3600.0
_MOST_BYTES = 16 * 2**20
_LONGEST_CELL = 60
_POSSIBLE = {
    "elapsed_h": (-1e6, 1e6),
    "temperature_degC": (-100.0, 70.0),
    "pressure_kPa": (30.0, 120.0),
    "clearness": (0.0, 1.0),
    "wind": (0.0, 100.0),
}


class WeatherError(PlainError, ValueError):
    """Records that don't fit the soak."""


@dataclass(frozen=True, slots=True)
class Sky:
    """What the car stands in, on the simulator's grid (n,)."""

    temperature_K: FloatArray
    pressure_Pa: FloatArray
    clearness: FloatArray  # 0 overcast … 1 clear
    wind: FloatArray  # 1 = usual


@dataclass(frozen=True, slots=True)
class InventedWinter:
    """Priors of the synthetic weather."""

    mean_K: Draw = Uniform(259.15, 279.15)
    trend_K_per_day: Draw = Uniform(-3.0, 3.0)
    synoptic_sd_K: Draw = Fixed(2.5)
    synoptic_correlation_s: Draw = Fixed(40 * HOUR_S)
    diurnal_K: Draw = Uniform(1.0, 4.5)  # half swing under a clear sky
    hourly_sd_K: Draw = Uniform(0.2, 0.7)
    hourly_correlation_s: Draw = Uniform(0.7 * HOUR_S, 2.0 * HOUR_S)
    fronts_per_day: Draw = Fixed(0.33)
    front_drop_K: Draw = Uniform(2.0, 7.0)
    front_duration_s: Draw = Uniform(0.7 * HOUR_S, 2.5 * HOUR_S)
    pressure_Pa: Draw = Uniform(99_000.0, 102_800.0)
    pressure_sd_Pa: Draw = Uniform(300.0, 1000.0)
    pressure_correlation_s: Draw = Fixed(40 * HOUR_S)


@dataclass(frozen=True, slots=True, eq=False)
class HourlyRecord:
    """Hourly (or other) records, taken linear in between.

    A fine noise stands for what an hourly record can't show.
    """

    time_s: FloatArray  # from the beginning of the recording, rising
    temperature_K: FloatArray
    pressure_Pa: FloatArray | None = None  # none: the invented barometer
    clearness: FloatArray | None = None
    wind: FloatArray | None = None
    fine_sd_K: float = 0.15
    fine_correlation_s: float = 900.0

    def __post_init__(self) -> None:
        """Refuse what can't be interpolated."""
        for name in ("time_s", "temperature_K", "pressure_Pa", "clearness", "wind"):
            column = getattr(self, name)
            if column is None:
                continue
            if len(column) != len(self.time_s) or not np.all(np.isfinite(column)):
                raise ValueError(
                    f"weather: {name} needs one finite value for each of the {len(self.time_s)} times"
                )
        if len(self.time_s) < 2 or np.any(np.diff(self.time_s) <= 0.0):
            raise ValueError("weather: at least two records in rising order of time are needed")


Weather = InventedWinter | HourlyRecord


def read_hourly(path: Path) -> HourlyRecord:
    """Read a weather file: CSV with `elapsed_h`, `temperature_degC`.

    Optional columns are `pressure_kPa`, `clearness` (0…1) and `wind` (1 = usual).

    Raises ValueError with file, row and reason.
    """
    try:
        text = file_bytes(path, _MOST_BYTES).decode("utf-8-sig")
        columns = _columns(path, io.StringIO(text, newline=None), tuple(_POSSIBLE))
    except UnicodeDecodeError:
        raise ValueError(f"{path}: is not UTF-8 text") from None
    except csv.Error as fault:
        raise ValueError(f"{path}: is no CSV table ({fault})") from None
    data = {name: np.array(values) for name, values in columns.items()}
    try:
        return HourlyRecord(
            time_s=data["elapsed_h"] * HOUR_S,
            temperature_K=data["temperature_degC"] + 273.15,
            pressure_Pa=data["pressure_kPa"] * 1e3 if "pressure_kPa" in data else None,
            clearness=data.get("clearness"),
            wind=data.get("wind"),
        )
    except ValueError as fault:
        raise ValueError(f"{path}: {fault}") from None


def _columns(path: Path, text: io.StringIO, wanted: tuple[str, ...]) -> dict[str, list[float]]:
    table = csv.DictReader(text)
    present = [name for name in wanted if name in (table.fieldnames or ())]
    for name in wanted[:2]:
        if name not in present:
            raise ValueError(f"{path}: row 1: column {name} is missing")
    columns: dict[str, list[float]] = {name: [] for name in present}
    for row in table:
        for name in present:
            cell = row[name] or ""
            try:
                value = float(cell) if len(cell) <= _LONGEST_CELL else math.nan
            except ValueError:
                value = math.nan
            low, high = _POSSIBLE[name]
            if not low <= value <= high:
                what = "not a number" if math.isnan(value) else "impossible"
                raise ValueError(
                    f"{path}: row {table.line_num}: column {name}: {cell[:_LONGEST_CELL]!r} is {what}"
                )
            columns[name].append(value)
    return columns


def make_sky(weather: Weather, time_s: FloatArray, first_hour: float, rng: np.random.Generator) -> Sky:
    """Make the weather over a grid; `first_hour` is the local solar hour of day at its beginning."""
    if isinstance(weather, HourlyRecord):
        return _recorded(weather, time_s, rng)
    return _invented(weather, time_s, first_hour, rng)


def _recorded(record: HourlyRecord, time_s: FloatArray, rng: np.random.Generator) -> Sky:
    if time_s[0] < record.time_s[0] or time_s[-1] > record.time_s[-1]:
        raise WeatherError(
            f"weather: the record covers {record.time_s[0] / HOUR_S:g} to {record.time_s[-1] / HOUR_S:g} h, "
            f"the soak needs {time_s[0] / HOUR_S:g} to {time_s[-1] / HOUR_S:g} h"
        )
    step = float(time_s[1] - time_s[0])
    fine = _path(rng, len(time_s), step, record.fine_sd_K, record.fine_correlation_s)

    def on_grid(column: FloatArray) -> FloatArray:
        return np.interp(time_s, record.time_s, column)

    clearness, wind = _cloud_and_wind(rng, len(time_s), step)
    barometer = _barometer(InventedWinter(), rng, len(time_s), step)
    return Sky(
        temperature_K=on_grid(record.temperature_K) + fine,
        pressure_Pa=barometer if record.pressure_Pa is None else on_grid(record.pressure_Pa),
        clearness=clearness if record.clearness is None else on_grid(record.clearness),
        wind=wind if record.wind is None else on_grid(record.wind),
    )


def _path(rng: np.random.Generator, count: int, step_s: float, sd: float, correlation_s: float) -> FloatArray:
    return wandering(rng, count, step_s, np.array([sd]), np.array([correlation_s]), settled=True)[:, 0]


def _cloud_and_wind(rng: np.random.Generator, count: int, step_s: float) -> tuple[FloatArray, FloatArray]:
    cloud = _path(rng, count, step_s, 1.5, 10 * HOUR_S) + rng.normal(0.0, 1.0)
    wind = np.exp(_path(rng, count, step_s, 0.4, 5 * HOUR_S))
    return 1.0 / (1.0 + np.exp(-cloud)), wind


def _barometer(winter: InventedWinter, rng: np.random.Generator, count: int, step_s: float) -> FloatArray:
    """Wander of the barometer, smoothed by four hours: air pressure has no kinks from minute to minute."""
    level = one(winter.pressure_Pa, rng)
    rough = _path(
        rng, count, step_s, one(winter.pressure_sd_Pa, rng), one(winter.pressure_correlation_s, rng)
    )
    smooth = lagged(rough[:, None], step_s, np.array([4 * HOUR_S]), rough[:1])
    return level + smooth[:, 0]


def _invented(winter: InventedWinter, time_s: FloatArray, first_hour: float, rng: np.random.Generator) -> Sky:
    count, step = len(time_s), float(time_s[1] - time_s[0])
    clearness, wind = _cloud_and_wind(rng, count, step)
    hour = first_hour + time_s / HOUR_S
    air = one(winter.mean_K, rng) + one(winter.trend_K_per_day, rng) * (time_s - time_s[-1] / 2.0) / 86400.0
    air = air + _path(
        rng, count, step, one(winter.synoptic_sd_K, rng), one(winter.synoptic_correlation_s, rng)
    )
    # warmest about 14:30, a clear sky makes days warmer and nights colder
    air = air + one(winter.diurnal_K, rng) * (0.3 + 0.7 * clearness) * np.cos((hour - 14.5) * math.tau / 24.0)
    air = air + _path(rng, count, step, one(winter.hourly_sd_K, rng), one(winter.hourly_correlation_s, rng))
    fronts = rng.poisson(one(winter.fronts_per_day, rng) * time_s[-1] / 86400.0)
    for _ in range(fronts):
        middle = rng.uniform(0.0, time_s[-1])
        drop = one(winter.front_drop_K, rng)
        # the cold air stays for a day or so, then the old air mass mixes back
        age = (time_s - middle) / one(winter.front_duration_s, rng)
        air = air - drop / (1.0 + np.exp(np.minimum(-4.0 * age, 60.0))) * np.exp(
            -np.maximum(time_s - middle, 0.0) / (30 * HOUR_S)
        )
    return Sky(air, _barometer(winter, rng, count, step), clearness, wind)
