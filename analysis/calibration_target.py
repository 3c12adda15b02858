"""Which channel is calibrated, what its datasheet demands, and what of the result goes where in the settings."""

from __future__ import annotations

import difflib
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from analysis.calibration_model import Calibrated, CalibrationError, Demands
from analysis.calibration_words import coefficient_text, settings_keys
from analysis.quantities import DISPLAYS
from logger import units
from logger.channel_settings import default_channel, quantity_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from logger.settings import Calibration, ChannelQuantity, ChannelSettings, Settings

    Tables = dict[tuple[str, ...], dict[str, Any]]

_SHARE_OF_RANGE = 0.005
"""Largest residual of a pressure transducer where nothing is said: 0.5 % of its range (common practice, no source)."""
_RESIDUAL_LIMITS: Mapping[ChannelQuantity, float] = {
    "temperature_K": 0.5,
    "length_m": 2e-3,
    "voltage_V": 0.05,
}
"""The same for other channels, SI (own choice)."""
_MOST_OFF = 0.05
_MOST_OFF_Pa = 80e3
"""A pressure correction beyond this share of the range, or near one atmosphere, is a mix-up (own choice)."""
_MOST_OFF_K = 5.0
_TEMPERATURES_K = (233.15, 333.15)
"""The weather of a soak, with room."""


def find_channel(settings: Settings, name: str) -> ChannelSettings:
    """The channel as the settings have it, or its default; raises CalibrationError for a name that is none."""
    if quantity_of(name) is None:
        known = sorted({*settings.channels, *(f"{section}.pressure" for section in settings.sections)})
        near = difflib.get_close_matches(name, known, 1, 0.5)
        raise CalibrationError(
            f"'{name}' is no channel like front_left.pressure"
            + (f"; did you mean '{near[0]}'?" if near else "")
        )
    section = name.rpartition(".")[0]
    if settings.sections and section not in settings.sections and section not in {"ambient", "rig"}:
        near = difflib.get_close_matches(section, list(settings.sections), 1, 0.7)
        if near:
            raise CalibrationError(f"the settings have no section '{section}'; did you mean '{near[0]}'?")
    channel = settings.channels.get(name) or default_channel(name, settings.sensor_of(section))
    if channel is None:  # quantity_of has found a quantity, so that there is a default
        raise CalibrationError(f"'{name}' is no channel")
    return channel


def demands_of(
    settings: Settings, name: str, channel: ChannelSettings, datasheet: str | None, reference: str | None
) -> Demands:
    """What the points must satisfy: by the options, else by the defaults of this module."""
    quantity = channel.quantity
    full_scale, span = None, None
    if channel.range is not None:
        full_scale, span = max(channel.range), abs(channel.range[1] - channel.range[0])
    elif quantity == "pressure_Pa" and name != "ambient.pressure":
        full_scale = span = settings.sensor_of(name.rpartition(".")[0]).full_scale_Pa
    limit = _RESIDUAL_LIMITS.get(quantity, _SHARE_OF_RANGE * (span or 1e5))
    if datasheet is not None:
        limit = _limit(datasheet, quantity, span)
    most = math.inf
    if quantity == "pressure_Pa":
        most = min(_MOST_OFF * (span or 1e5), _MOST_OFF_Pa)
    elif quantity == "temperature_K":
        most = _MOST_OFF_K
    return Demands(
        quantity,
        residual_limit=limit,
        correction_limit=max(most, limit),
        ends=_ends(channel, full_scale),
        full_scale=full_scale,
        plausible=_plausible(channel),
        reference_uncertainty=0.0
        if reference is None
        else _difference(reference, quantity, "--reference-uncertainty"),
    )


def _ends(channel: ChannelSettings, full_scale: float | None) -> tuple[float, float] | None:
    """The range in which a soak uses the channel; None where any correction may be right (a height, a divider)."""
    if channel.quantity == "temperature_K":
        return _TEMPERATURES_K
    if channel.quantity != "pressure_Pa":
        return None
    return channel.range or (None if full_scale is None else (0.0, full_scale))


def keep_span(demands: Demands, calibration: Calibration) -> Demands:
    """The same for the zero alone: the span that the settings have stays."""
    if calibration.points:
        raise CalibrationError(
            "the channel is calibrated by points: --shape zero can't move those, take them anew"
        )
    return replace(demands, kept_span=calibration.span)


def _plausible(channel: ChannelSettings) -> tuple[float, float]:
    if channel.limits is not None:
        return channel.limits
    if channel.range is None:
        return -math.inf, math.inf
    low, high = sorted(channel.range)
    return low - _MOST_OFF * (high - low), high + _MOST_OFF * (high - low)


def _limit(text: str, quantity: ChannelQuantity, span: float | None) -> float:
    if text.strip().endswith("%"):
        if span is None:
            raise CalibrationError(f"--datasheet '{text}': the channel has no range to take a share of")
        try:
            limit = units.quantity(text, units.FRACTION) * span
        except units.UnitError as error:
            raise CalibrationError(f"--datasheet: {error}") from None
    else:
        limit = _difference(text, quantity, "--datasheet")
    if not limit > 0.0:
        raise CalibrationError(f"--datasheet '{text}': must be above zero")
    return limit


def _difference(text: str, quantity: ChannelQuantity, option: str) -> float:
    try:
        value = units.quantity(text, DISPLAYS[quantity].difference_kind)
    except units.UnitError as error:
        raise CalibrationError(f"{option}: {error}") from None
    if not value >= 0.0:
        raise CalibrationError(f"{option} '{text}': can't be below zero")
    return value


def changes(
    found: Calibrated,
    settings: Settings,
    name: str,
    quantity: ChannelQuantity,
    made_on: date,
    reference: str,
) -> tuple[Tables, list[str]]:
    """Tables and keys to set in the settings, and what a person should be told about them."""
    keys = settings_keys(found, quantity, made_on, reference)
    tables: Tables = {("channels", name, "calibration"): keys}
    section, _, ending = name.rpartition(".")
    if found.drift is None or ending != "pressure" or section == "ambient":
        return tables, []
    present = settings.sensor_of(section).temperature_coefficient_per_K
    bound = found.drift.bound_per_K
    if found.drift.span_per_K is None and bound <= present:
        stays = f"Temperature coefficient stays at {100.0 * present:.3g} %/K"
        why = "the drift of the span was not measured (it takes two pressures at two temperatures)"
        return tables, [f"{stays}: {why}."]
    text = coefficient_text(bound)
    tables["sections", section, "pressure_sensor"] = {"temperature_coefficient": text}
    beyond = ", more than the settings' datasheet value: is the part sound?" if bound > present else ""
    return tables, [
        f"Temperature coefficient of {section}: {text} (was {100.0 * present:.3g} %/K){beyond or '.'}"
    ]
