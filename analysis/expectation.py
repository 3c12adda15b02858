"""What is to be expected of a soak that has not begun: readings of a tight car, and the time to tell, as plain data."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.how_long import Forecast, at_the_end, needed, planned_scene, with_one_more
from analysis.tape import DEVIATION_m
from analysis.threshold import limit_of
from analysis.tight import Change, HIGHEST_Pa, LOWEST_Pa, absolute_Pa, tight_pressure, tight_sink
from analysis.typed import meant, read_option
from logger import units
from logger.errors import PlainError
from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.outlook import Scene
    from analysis.tight import Reading
    from logger.settings import Settings

LOWEST_GAUGE_Pa: Final = 1e5
"""No air spring carries a car on less (common practice, no source)."""
LONE: Final = "section"
"""What the only section is called when nothing names one."""


@dataclass(frozen=True)
class Evening:
    """What is known in the evening; fills by section as typed ("" for all others), SI else."""

    fills: Mapping[str, str]
    from_K: float
    cold_K: float
    day_K: float
    begin_hour: float
    hours: float
    barometer_Pa: float | None = None
    barometer_then_Pa: float | None = None
    fitted: frozenset[str] = frozenset()
    driven: bool = False

    @property
    def change(self) -> Change:
        """From the shut-off to the reading."""
        return Change(self.from_K, self.cold_K, self.hours, self.barometer_Pa, self.barometer_then_Pa)

    @property
    def forecast(self) -> Forecast:
        """The air to come."""
        return Forecast(self.from_K, self.cold_K, self.day_K, self.begin_hour, self.driven)


def expected(settings: Settings, evening: Evening) -> dict[str, Any]:
    """Return readings and times; raises PlainError where a fill is impossible or something needed is missing."""
    names = list(settings.sections) or [name for name in evening.fills if name] or [LONE]
    unknown = [name for name in evening.fills if name and name not in names]
    if unknown:
        raise PlainError(f"--fill: the settings have no section '{unknown[0]}', but {', '.join(names)}")
    fills = {name: _fill(settings, evening, name) for name in names}
    change = evening.change
    absolute = np.array(
        [absolute_Pa(fills[name], settings.sensor_of(name), change.atmosphere_Pa) for name in names]
    )
    limits = [
        limit_of(
            settings.threshold_of(name),
            p,
            settings.section(name).volume_m3,
            settings.section(name).gas_column_m,
        )
        for name, p in zip(names, absolute, strict=True)
    ]
    for limit in limits:
        if limit.loss_per_s is None:
            raise PlainError(limit.reason)
    limit_per_s = np.array([limit.loss_per_s for limit in limits], dtype=np.float64)
    sections = [
        _section(settings, evening, name, fills[name], float(limit))
        for name, limit in zip(names, limit_per_s, strict=True)
    ]
    scene = planned_scene(settings, names, absolute, evening.forecast, _fitted(settings, names, evening))
    half = at_the_end(scene, evening.hours)
    for section, one in zip(sections, half, strict=True):
        section["interval_half_width_per_day"] = _round(float(one))
    if scene.standing and any(not section["height_sensor"] for section in sections):
        taped = at_the_end(replace(scene, by_tape_m=DEVIATION_m), evening.hours)
        for section, one in zip(sections, taped, strict=True):
            section["by_tape_half_width_per_day"] = _round(float(one))
    return {
        "cornerhold": "expectation/1",
        "support": settings.soak.support,
        "gas": settings.soak.gas,
        "from_degC": round(evening.from_K - ZERO_CELSIUS_K, 2),
        "to_degC": round(evening.cold_K - ZERO_CELSIUS_K, 2),
        "begin_hour": round(evening.begin_hour, 3),
        "hours": round(evening.hours, 3),
        "fitted": {"barometer": scene.barometer, "gas_thermometer": scene.probe},
        "sections": sections,
        "stand": _times(scene, evening, limit_per_s, settings, names, absolute),
        "barometer_forecast": evening.barometer_then_Pa is not None,
    }


def _fill(settings: Settings, evening: Evening, name: str) -> float:
    """Return the reading of a section now, Pa of its transducer's kind; what can't be is refused."""
    text = evening.fills.get(name, evening.fills.get(""))
    if text is None:
        raise PlainError(f'--fill: nothing is given for {name}; write "7 bar" for all or "{name}=7 bar"')
    sensor, section = settings.sensor_of(name), settings.section(name)
    atmosphere = evening.change.atmosphere_Pa
    offset = absolute_Pa(0.0, sensor, atmosphere)
    low = max(LOWEST_Pa, LOWEST_GAUGE_Pa + atmosphere) - offset
    high = min(sensor.full_scale_Pa, HIGHEST_Pa - offset)
    value = read_option("--fill", text, units.PRESSURE, low, high)
    gauge = value + offset - atmosphere
    if section.limit_Pa is not None and gauge > section.limit_Pa:
        raise PlainError(
            f"--fill: {text} is over {name}'s limit of {_bar(section.limit_Pa)}"
            f"{meant(text, units.PRESSURE, low, section.limit_Pa)}"
        )
    if section.floor_Pa is not None and gauge < section.floor_Pa:
        raise PlainError(
            f"--fill: {text} is under {name}'s floor of {_bar(section.floor_Pa)}"
            f"{meant(text, units.PRESSURE, section.floor_Pa, high)}"
        )
    return value


def _section(settings: Settings, evening: Evening, name: str, reading: float, limit: float) -> dict[str, Any]:
    section, sensor, gas = settings.section(name), settings.sensor_of(name), settings.soak.gas
    change = evening.change
    out: dict[str, Any] = {
        "name": name,
        "fill_kPa": round(reading / 1e3, 2),
        "reference": sensor.reference,
        "tight_kPa": None,
        "tight_range_kPa": None,
        "tight_sink_mm": None,
        "tight_sink_range_mm": None,
        "at_threshold": None,
        "seen_by_eye_per_day": None,
        "threshold_per_day": _round(limit * SECONDS_PER_DAY),
        "height_sensor": f"{name}.height" in settings.channels,
        "by_tape_half_width_per_day": None,
        "notes": [],
    }
    lost = limit * evening.hours * 3600.0
    if settings.soak.support == "blocked":
        tight = tight_pressure(reading, change, sensor, gas)
        then = absolute_Pa(tight.value, sensor, change.atmosphere_then_Pa)
        out["tight_kPa"], out["tight_range_kPa"] = _shown(tight, 1e3)
        out["at_threshold"] = round((tight.value - then * lost) / 1e3, 1)
        out["seen_by_eye_per_day"] = _round((tight.value - tight.low) / then / evening.hours * 24.0)
        out["notes"] += _warnings(settings, evening, name, reading)
        return out
    column = section.gas_column_m
    if column is None:
        raise PlainError(f"a standing section sinks by its gas column: set sections.{name}.gas_column")
    if column > 1.0:
        raise PlainError(
            f"sections.{name}.gas_column: {column * 1e3:.0f} mm is more than a car is high off the road; "
            f"did you mean {column * 1e2:.0f} mm?"
        )
    gauge = absolute_Pa(reading, sensor, change.atmosphere_Pa) - change.atmosphere_Pa
    sink = tight_sink(gauge, change, column, section.gas_column_uncertainty, gas)
    out["tight_sink_mm"], out["tight_sink_range_mm"] = _shown(sink, 1e-3)
    out["at_threshold"] = round((sink.value + column * lost) / 1e-3, 1)
    out["seen_by_eye_per_day"] = _round((sink.high - sink.value) / column / evening.hours * 24.0)
    return out


def _warnings(settings: Settings, evening: Evening, name: str, reading: float) -> list[str]:
    """Return what a tight section would come to that it must not."""
    section, sensor = settings.section(name), settings.sensor_of(name)
    out = []
    tight = tight_pressure(reading, evening.change, sensor, settings.soak.gas)
    then = evening.change.atmosphere_then_Pa
    gauge = absolute_Pa(tight.low, sensor, then) - then
    if section.floor_Pa is not None and gauge < section.floor_Pa:
        out.append(
            f"By cooling alone it may come under its floor of {_bar(section.floor_Pa)}: fill it higher, within its limit."
        )
    warm = tight_pressure(
        reading, replace(evening.change, to_K=evening.day_K, hours=0.0), sensor, settings.soak.gas
    )
    gauge = absolute_Pa(warm.high, sensor, then) - then
    if section.limit_Pa is not None and gauge > section.limit_Pa:
        out.append(f"By day it may come over its limit of {_bar(section.limit_Pa)}: fill it lower.")
    return out


def _fitted(settings: Settings, names: list[str], evening: Evening) -> frozenset[str]:
    """Return what is fitted to the rig, by the settings' channels and by what was said."""
    found = set(evening.fitted)
    if "ambient.pressure" in settings.channels:
        found.add("barometer")
    if all(f"{name}.gas_temperature" in settings.channels for name in names):
        found.add("gas thermometer")
    return frozenset(found)


def _times(
    scene: Scene,
    evening: Evening,
    limit_per_s: np.ndarray[Any, np.dtype[np.float64]],
    settings: Settings,
    names: list[str],
    absolute: np.ndarray[Any, np.dtype[np.float64]],
) -> list[dict[str, Any]]:
    """Return the times for the slowest section: as the rig is, with more on it, and begun half a day later."""
    later = replace(evening.forecast, begin_hour=(evening.begin_hour + 12.0) % 24.0)
    fitted = _fitted(settings, names, evening)
    rigs = {"": scene, **with_one_more(scene)}
    if settings.soak.support == "standing":
        rigs |= {"the gas column known to 2 %": _known_column(scene)}
    out = [_one(rig, evening.begin_hour, what, limit_per_s) for what, rig in rigs.items()]
    out.append(
        _one(planned_scene(settings, names, absolute, later, fitted), later.begin_hour, "", limit_per_s)
    )
    return out


def _known_column(scene: Scene) -> Scene:
    return replace(scene, sections=tuple(replace(s, gas_column_uncertainty=0.02) for s in scene.sections))


def _one(
    scene: Scene, begin_hour: float, what: str, limit: np.ndarray[Any, np.dtype[np.float64]]
) -> dict[str, Any]:
    length = needed(scene, limit)
    even, sure = float(length.even.max()), float(length.sure.max())
    return {
        "with": what,
        "begin_hour": round(begin_hour, 3),
        "even_hours": even if math.isfinite(even) else None,
        "sure_hours": sure if math.isfinite(sure) else None,
    }


def _shown(reading: Reading, unit: float) -> tuple[float, list[float]]:
    return round(reading.value / unit, 1), [round(reading.low / unit, 1), round(reading.high / unit, 1)]


def _round(value: float) -> float:
    return float(f"{value:.4g}")


def _bar(pressure_Pa: float) -> str:
    return f"{pressure_Pa / 1e5:g} bar"
