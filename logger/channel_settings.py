"""Channel tables: how one channel's counts become SI, and the defaults for the standard names.

A channel table overrides only what it names; the rest comes from the default for the channel's ending:

| ending | default |
|---|---|
| `pressure` | ratiometric 0.5–4.5 V for 0…full scale of the section's transducer, read by a 16-bit \
converter at ±6.144 V (187.5 µV per count); the supply as measured by `rig.supply_voltage` where the rig has \
it, else 5 V; 20 min of identical counts mean stuck |
| `height` | digital, 0.1 mm per count |
| `gas_temperature`, `temperature` | digital, 1/16 °C per count (count 0 is 0 °C), −60…+84.9 °C plausible: \
such sensors report exactly 85 °C when they have only just been switched on |
| `ambient.pressure` | digital, 1 Pa per count, 500…1200 hPa plausible |
| `supply_voltage` | linear, the pin's volts, read by the same converter |

Example:

    [channels."front_left.pressure"]
    converter = "ratiometric"
    adc_step = "187.5 uV"                  # or adc_full_scale = "6.144 V", and adc_bits if not 16
    supply = "rig.supply_voltage"          # or a fixed "5 V"
    range = ["0 bar", "16 bar"]

    [channels."front_left.pressure".calibration]
    date = 2026-11-02
    reference = "dead weight tester, certificate 114"
    zero = "-0.4 kPa"                      # corrected = zero + span * read
    span = 1.0021
    # or: points = [["0.02 bar", "0 bar"], ["8.03 bar", "8 bar"]]    [read, true]
    # for people, as `cornerhold calibrate` writes them:
    residuals = ["0.2 kPa", "-0.2 kPa"]    # at each point
    uncertainty = "0.6 kPa"                # of one corrected reading, 95 %
    zero_drift = "0.004 %/K"               # measured, of full scale; and span_drift
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, cast

from logger import units
from logger.settings import (
    QUANTITY_OF_ENDING,
    SECTION_NAME,
    Calibration,
    ChannelQuantity,
    ChannelSettings,
    ConverterKind,
    Idle,
    PressureSensorSettings,
    Settings,
)
from logger.settings_table import Table, hint
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping

SUPPLY_CHANNEL = "rig.supply_voltage"
_CONVERTERS = ("ratiometric", "current_loop", "thermistor", "pt1000", "digital", "linear")
_KIND_OF_QUANTITY: Mapping[ChannelQuantity, units.Kind] = MappingProxyType(
    {
        "pressure_Pa": units.PRESSURE,
        "temperature_K": units.TEMPERATURE,
        "length_m": units.LENGTH,
        "voltage_V": units.VOLTAGE,
    }
)
_INTERVAL_OF_QUANTITY: Mapping[ChannelQuantity, units.Kind] = MappingProxyType(
    {**_KIND_OF_QUANTITY, "temperature_K": units.TEMPERATURE_INTERVAL}
)
NTC_10K = (1.129241e-3, 2.341077e-4, 8.775468e-8)
"""Steinhart–Hart coefficients of the common 10 kΩ curve 3, as a probe's manual prints them."""


def converter_step_V(full_scale_V: float, bits: int = 16) -> float:
    """Volts per count of a converter that spans ±full scale with so many bits: FS / 2^(bits − 1).

    >>> converter_step_V(6.144)
    0.0001875
    """
    return float(full_scale_V / 2 ** (bits - 1))


def quantity_of(name: str) -> ChannelQuantity | None:
    """What a channel measures by its standard name; None for a name of another pattern.

    >>> quantity_of("front_left.pressure"), quantity_of("front_left.humidity")
    ('pressure_Pa', None)
    """
    section, _, ending = name.rpartition(".")
    return QUANTITY_OF_ENDING.get(ending) if SECTION_NAME.fullmatch(section) else None


def default_channel(name: str, sensor: PressureSensorSettings) -> ChannelSettings | None:
    """The settings of a channel that has no table; None if its name is no standard one."""
    quantity = quantity_of(name)
    if quantity is None:
        return None
    if quantity == "voltage_V":
        return ChannelSettings("linear", quantity, limits=(0.0, 40.0))
    if quantity == "length_m":
        return ChannelSettings("digital", quantity, step=1e-4)
    if quantity == "temperature_K":
        return ChannelSettings(
            "digital",
            quantity,
            step=1.0 / 16.0,
            offset=ZERO_CELSIUS_K,
            limits=(ZERO_CELSIUS_K - 60.0, ZERO_CELSIUS_K + 84.9),
        )
    if name == "ambient.pressure":
        return ChannelSettings("digital", quantity, step=1.0, limits=(5e4, 1.2e5))
    return ChannelSettings(
        "ratiometric",
        quantity,
        supply_channel=SUPPLY_CHANNEL,
        range=(0.0, sensor.full_scale_Pa),
        stuck_after_s=1200.0,
    )


def _base(name: str, kind: ConverterKind | None, sensor: PressureSensorSettings) -> ChannelSettings | None:
    """The defaults from which a table starts: the channel's own, or those of another kind of converter."""
    standard = default_channel(name, sensor)
    if standard is None or kind is None or kind == standard.converter:
        return standard
    base = ChannelSettings(
        kind, standard.quantity, limits=standard.limits, stuck_after_s=standard.stuck_after_s
    )
    changes: dict[ConverterKind, dict[str, Any]] = {
        "ratiometric": {"supply_channel": SUPPLY_CHANNEL},
        "current_loop": {"signal": (4e-3, 20e-3), "range": standard.range},
        "thermistor": {"supply_channel": SUPPLY_CHANNEL, "steinhart_hart": NTC_10K},
        "pt1000": {"supply_channel": SUPPLY_CHANNEL, "pull_up_ohm": 1e3},
        "linear": {"signal": (0.5, 4.5), "range": standard.range},
        "digital": {},
    }
    return replace(base, **changes[kind])


def read_channels(table: Table, settings: Settings) -> dict[str, ChannelSettings]:
    """All channel tables."""
    channels: dict[str, ChannelSettings] = {}
    for name in table.names():
        if quantity_of(name) is None:
            ending = name.rpartition(".")[2]
            known = tuple(QUANTITY_OF_ENDING)
            near = hint(ending, known) or f"; it ends in one of {', '.join('.' + k for k in known)}"
            raise table.error(name, f"is no channel name like 'front_left.pressure'{near}")
        section = name.rpartition(".")[0]
        channels[name] = _channel(name, table.table(name), settings.sensor_of(section))
    return channels


def _channel(name: str, table: Table, sensor: PressureSensorSettings) -> ChannelSettings:
    kind = (
        cast("ConverterKind", table.choice("converter", _CONVERTERS, "")) if table.has("converter") else None
    )
    base = _base(name, kind, sensor)
    if base is None:  # read_channels has checked the name
        raise table.error("", "is no channel name")
    table.text("converter", base.converter)
    channel = _READERS[base.converter](table, base)
    if channel.converter in {"thermistor", "pt1000"} and channel.quantity != "temperature_K":
        raise table.error("converter", f"a {channel.converter} measures a temperature")
    if channel.converter in {"ratiometric", "current_loop"} and channel.range is None:
        raise table.error("range", "is missing: what do the two ends of the signal mean?")
    if channel.supply_channel == name:
        raise table.error("supply", "a channel can't be its own supply")
    limits = table.quantity_pair("limits", _KIND_OF_QUANTITY[base.quantity], channel.limits)
    if limits is not None and limits[0] > limits[1]:
        raise table.error("limits", "the lower limit stands first")
    stuck = table.optional_quantity("stuck_after", units.DURATION, 1.0, 30 * 86400.0)
    channel = replace(
        channel,
        limits=limits,
        stuck_after_s=channel.stuck_after_s if stuck is None else stuck,
        calibration=_calibration(table.table("calibration"), base.quantity),
    )
    table.finish()
    return channel


def _pin(table: Table, base: ChannelSettings) -> ChannelSettings:
    step_V = table.quantity("adc_step", units.VOLTAGE, base.adc_step_V, 1e-9, 1.0)
    full_scale_V = table.optional_quantity("adc_full_scale", units.VOLTAGE, 1e-3, 100.0)
    bits = table.whole("adc_bits", 16, 8, 32)
    if full_scale_V is not None:
        if table.has("adc_step"):
            raise table.error("adc_full_scale", "either adc_step, or adc_full_scale with adc_bits, not both")
        step_V = converter_step_V(full_scale_V, bits)
    elif table.has("adc_bits"):
        raise table.error("adc_bits", "means something only with adc_full_scale")
    return replace(
        base,
        adc_step_V=step_V,
        divider=table.number("divider", base.divider, 1e-3, 1e3),
    )


def _supplied(table: Table, base: ChannelSettings) -> ChannelSettings:
    """A converter whose signal is a share of its supply: `supply` is a channel's name or a fixed voltage."""
    base = _pin(table, base)
    supply = table.text("supply", "")
    if not supply:
        return base
    if re.match(r"[+-]?[\d.]", supply):
        volts = table.quantity("supply", units.VOLTAGE, base.supply_V, 0.5, 60.0)
        return replace(base, supply_channel=None, supply_V=volts)
    if quantity_of(supply) != "voltage_V":
        raise table.error(
            "supply", f"'{supply}' is neither a voltage like '5 V' nor a channel like 'rig.supply_voltage'"
        )
    return replace(base, supply_channel=supply)


def _ratiometric(table: Table, base: ChannelSettings) -> ChannelSettings:
    base = _supplied(table, base)
    low = table.quantity("signal_low", units.FRACTION, base.signal[0], 0.0, 1.0)
    high = table.quantity("signal_high", units.FRACTION, base.signal[1], 0.0, 1.0)
    if not low < high:
        raise table.error("signal_high", "must be above signal_low")
    return replace(
        base,
        signal=(low, high),
        range=table.quantity_pair("range", _KIND_OF_QUANTITY[base.quantity], base.range),
        idle=cast("Idle", table.choice("idle", ("low", "high"), base.idle)),
    )


def _current_loop(table: Table, base: ChannelSettings) -> ChannelSettings:
    return replace(
        _pin(table, base),
        shunt_ohm=table.quantity("shunt", units.RESISTANCE, base.shunt_ohm, 1.0, 1e4),
        range=table.quantity_pair("range", _KIND_OF_QUANTITY[base.quantity], base.range),
    )


def _thermistor(table: Table, base: ChannelSettings) -> ChannelSettings:
    coefficients = table.numbers("steinhart_hart", 3)
    return replace(
        _supplied(table, base),
        pull_up_ohm=table.quantity("pull_up", units.RESISTANCE, base.pull_up_ohm, 1.0, 1e7),
        steinhart_hart=base.steinhart_hart
        if coefficients is None
        else cast("tuple[float, float, float]", coefficients),
    )


def _pt1000(table: Table, base: ChannelSettings) -> ChannelSettings:
    return replace(
        _supplied(table, base),
        pull_up_ohm=table.quantity("pull_up", units.RESISTANCE, base.pull_up_ohm, 1.0, 1e7),
        lead_ohm=table.quantity("lead", units.RESISTANCE, base.lead_ohm, 0.0, 100.0),
    )


def _digital(table: Table, base: ChannelSettings) -> ChannelSettings:
    step = table.quantity("step", _INTERVAL_OF_QUANTITY[base.quantity], base.step)
    if step == 0:
        raise table.error("step", "can't be zero")
    return replace(
        base,
        step=step,
        offset=table.quantity("offset", _KIND_OF_QUANTITY[base.quantity], base.offset),
        signed_bits=table.optional_whole("signed_bits", 2, 32),
    )


def _linear(table: Table, base: ChannelSettings) -> ChannelSettings:
    base = _pin(table, base)
    signal = table.quantity_pair("signal", units.VOLTAGE, base.signal)
    value_range = table.quantity_pair("range", _KIND_OF_QUANTITY[base.quantity], base.range)
    if value_range is None and base.quantity != "voltage_V":
        raise table.error("range", "is missing: what do the two ends of the signal mean?")
    return replace(base, signal=signal or base.signal, range=value_range)


_READERS = MappingProxyType(
    {
        "ratiometric": _ratiometric,
        "current_loop": _current_loop,
        "thermistor": _thermistor,
        "pt1000": _pt1000,
        "digital": _digital,
        "linear": _linear,
    }
)


def _calibration(table: Table, quantity: ChannelQuantity) -> Calibration:
    points = table.quantity_points("points", _KIND_OF_QUANTITY[quantity])
    if points and (table.has("zero") or table.has("span")):
        raise table.error("points", "either points, or zero and span, not both")
    calibration = Calibration(
        zero=table.quantity("zero", _INTERVAL_OF_QUANTITY[quantity], 0.0),
        span=table.number("span", 1.0, 0.5, 2.0),
        points=points,
        made_on=table.day("date"),
        reference=table.text("reference", ""),
        residuals=table.quantities("residuals", _INTERVAL_OF_QUANTITY[quantity]),
        uncertainty=table.optional_quantity("uncertainty", _INTERVAL_OF_QUANTITY[quantity], 0.0),
        zero_drift_per_K=table.optional_quantity("zero_drift", units.PER_KELVIN),
        span_drift_per_K=table.optional_quantity("span_drift", units.PER_KELVIN),
    )
    table.finish()
    if not math.isfinite(calibration.zero):
        raise table.error("zero", "is beyond any number")
    return calibration
