"""Quantities as options of the command line: read, kept within what is possible, refused with a sentence that helps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from logger import units
from logger.errors import PlainError

if TYPE_CHECKING:
    from logger.units import Kind

# What is typed for one another, and how: a slip that is tried before a value is called impossible.
SLIPS: Final = {
    "bar": ("psi", "kPa"),
    "psi": ("bar",),
    "kPa": ("hPa", "bar"),
    "MPa": ("bar",),
    "Pa": ("kPa", "hPa"),
    "hPa": ("kPa",),
    "cm": ("mm",),
    "m": ("mm",),
    "mm": ("cm",),
    "degF": ("degC",),
    "K": ("degC",),
    "degC": ("degF", "K"),
    "L": ("mL",),
    "mL": ("L",),
}


def read_option(
    option: str, text: str, kind: Kind, low: float | None = None, high: float | None = None
) -> float:
    """Return an option's value in SI; PlainError if it can't be read or isn't within `low` to `high`.

    >>> round(read_option("--fill", "7 bar", units.PRESSURE, 0.0, 2e6))
    700000
    """
    try:
        value = units.quantity(text, kind)
    except units.UnitError as error:
        raise PlainError(f"{option}: {error}") from None
    if (low is None or value >= low) and (high is None or value <= high):
        return value
    raise PlainError(f"{option}: {text} is implausible{meant(text, kind, low, high)}")


def meant(text: str, kind: Kind, low: float | None = None, high: float | None = None) -> str:
    """Return which other unit would make the typed number possible, as the end of a sentence; or nothing.

    >>> meant("116 bar", units.PRESSURE, 0.0, 1.6e6)
    '; did you mean 116 psi?'
    """
    number, _, unit = text.strip().partition(" ")
    for other in SLIPS.get(unit.strip(), ()):
        slip = f"{number} {other}"
        value = units.quantity(slip, kind)
        if (low is None or value >= low) and (high is None or value <= high):
            return f"; did you mean {slip}?"
    return ""
