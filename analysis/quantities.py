"""SI values of a channel as people read and the settings take them: "403.2 kPa", "-12.3 degC", "0.4 mm"."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple

from logger import units
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.settings import ChannelQuantity


class Display(NamedTuple):
    """How a quantity is written: shown = (SI − offset)/factor, with so many decimals."""

    unit: str
    difference_unit: str
    factor: float
    offset: float
    decimals: int
    kind: units.Kind
    difference_kind: units.Kind


DISPLAYS: Final[Mapping[ChannelQuantity, Display]] = MappingProxyType(
    {
        "pressure_Pa": Display("kPa", "kPa", 1e3, 0.0, 3, units.PRESSURE, units.PRESSURE),
        "temperature_K": Display(
            "degC", "K", 1.0, ZERO_CELSIUS_K, 3, units.TEMPERATURE, units.TEMPERATURE_INTERVAL
        ),
        "length_m": Display("mm", "mm", 1e-3, 0.0, 3, units.LENGTH, units.LENGTH),
        "voltage_V": Display("V", "V", 1.0, 0.0, 4, units.VOLTAGE, units.VOLTAGE),
    }
)


def shown(value: float, quantity: ChannelQuantity) -> str:
    """Return a value with its unit.

    >>> shown(4.032e5, "pressure_Pa"), shown(260.85, "temperature_K")
    ('403.2 kPa', '-12.3 degC')
    """
    display = DISPLAYS[quantity]
    return f"{_number((value - display.offset) / display.factor, display.decimals)} {display.unit}"


def shown_difference(value: float, quantity: ChannelQuantity, more: int = 0) -> str:
    """Return a difference with its unit, with `more` decimals than a value has.

    >>> shown_difference(-0.1712, "temperature_K"), shown_difference(350.0, "pressure_Pa")
    ('-0.171 K', '0.35 kPa')
    """
    display = DISPLAYS[quantity]
    return f"{_number(value / display.factor, display.decimals + more)} {display.difference_unit}"


def fixed(value: float, display: Display, difference: bool = False) -> str:
    """Return the number alone, with all its decimals, for a column.

    >>> fixed(4.032e5, DISPLAYS["pressure_Pa"])
    '403.200'
    """
    offset = 0.0 if difference else display.offset
    return f"{round((value - offset) / display.factor, display.decimals) + 0.0:.{display.decimals}f}"


def _number(value: float, decimals: int) -> str:
    # adding zero takes the sign off a rounded zero
    text = f"{round(value, decimals) + 0.0:.{decimals}f}"
    return text.rstrip("0").rstrip(".")
