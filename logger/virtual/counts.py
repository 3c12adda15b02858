"""From SI to the raw counts of the rig's converters: the inverse of logger/channels.py, default settings.

Also what faulty wiring does to counts: an open signal wire falls to 0 V (or, at a digital sensor, isn't
read), a short to the supply reads the supply, a stuck sensor repeats itself. Counts are float arrays (n,
k): NaN = not read, ±inf = beyond the converter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.channel_settings import SUPPLY_CHANNEL, default_channel
from logger.protocol import OVER, UNDER, Value
from logger.virtual.transducer import hold

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from logger.settings import ChannelSettings, PressureSensorSettings
    from logger.virtual.draws import FloatArray

CONVERTER_TOP = 32767.0  # 16 bit, signed
_OPEN_COUNT = 3.0  # a pin pulled to ground still shows the converter's offset
_PLAIN_SUPPLY_V = 5.0


def to_counts(
    measured: Mapping[str, FloatArray], channels: Sequence[str], sensor: PressureSensorSettings
) -> FloatArray:
    """Counts (n, k) of the named channels."""
    supply = measured[SUPPLY_CHANNEL] if SUPPLY_CHANNEL in channels else None
    columns = [_column(name, measured[name], _settings(name, sensor), supply) for name in channels]
    return np.stack(columns, axis=1)


def _settings(name: str, sensor: PressureSensorSettings) -> ChannelSettings:
    settings = default_channel(name, sensor)
    if settings is None:
        raise ValueError(f"{name} is no standard channel name")
    return settings


def _supply_counts(settings: ChannelSettings, supply_V: FloatArray | None, count: int) -> FloatArray:
    volts = np.full(count, _PLAIN_SUPPLY_V) if supply_V is None else supply_V
    return np.asarray(np.round(volts / (settings.adc_step_V * settings.divider)))


def _column(
    name: str, values: FloatArray, settings: ChannelSettings, supply_V: FloatArray | None
) -> FloatArray:
    if settings.converter == "digital":
        return np.asarray(np.round((values - settings.offset) / settings.step))
    if settings.converter == "ratiometric" and settings.range is not None:
        bottom, top = settings.range
        low, high = settings.signal
        share = low + (values - bottom) / (top - bottom) * (high - low)
        volts = np.clip(share, 0.0, 1.0) * (_PLAIN_SUPPLY_V if supply_V is None else supply_V)
    elif settings.converter == "linear" and settings.range is None:
        volts = values
    else:
        raise ValueError(f"{name}: the virtual rig has no {settings.converter} converter")
    counts = np.round(volts / (settings.adc_step_V * settings.divider))
    counts = np.where(counts > CONVERTER_TOP, np.inf, counts)
    return np.asarray(np.where(counts < -CONVERTER_TOP - 1.0, -np.inf, counts))


def open_wire(
    counts: FloatArray, at: np.ndarray[tuple[int], np.dtype[np.bool_]], channel: str, column: int
) -> None:
    """Break a channel's wire where `at` holds."""
    read = ~np.isnan(counts[at, column]) & _analogue(channel)
    counts[at, column] = np.where(read, _OPEN_COUNT, np.nan)


def _analogue(channel: str) -> bool:
    return channel.endswith((".pressure", ".supply_voltage")) and channel != "ambient.pressure"


def short_wire(
    counts: FloatArray,
    at: np.ndarray[tuple[int], np.dtype[np.bool_]],
    channels: Sequence[str],
    column: int,
    sensor: PressureSensorSettings,
) -> None:
    """Short a channel's wire to the supply where `at` holds; a digital sensor then reads beyond its range."""
    settings = _settings(channels[column], sensor)
    if settings.converter == "ratiometric":
        if SUPPLY_CHANNEL in channels:
            counts[at, column] = counts[at, list(channels).index(SUPPLY_CHANNEL)]
        else:
            counts[at, column] = _supply_counts(settings, None, int(at.sum()))
    else:
        counts[at, column] = np.inf


def stick(counts: FloatArray, at: np.ndarray[tuple[int], np.dtype[np.bool_]], column: int) -> None:
    """Repeat the last count before the fault."""
    counts[:, column] = hold(counts[:, column], at)


def sag(
    counts: FloatArray, at: np.ndarray[tuple[int], np.dtype[np.bool_]], channels: Sequence[str], volts: float
) -> None:
    """Let the supply sag where `at` holds: it, and every ratiometric signal with it, in proportion."""
    for column, name in enumerate(channels):
        if _analogue(name):
            counts[at, column] = np.round(counts[at, column] * volts / _PLAIN_SUPPLY_V)


def values_of(row: FloatArray) -> tuple[Value, ...]:
    """Turn one row of counts into the values of a sample."""
    return tuple(_value(count) for count in row.tolist())


def _value(count: float) -> Value:
    if count != count:  # noqa: PLR0124  NaN: not read
        return None
    if count in {np.inf, -np.inf}:
        return OVER if count > 0 else UNDER
    return int(count)
