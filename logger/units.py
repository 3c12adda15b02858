"""Quantities as people type them ("16 bar", "2 %/day", "-12 degC"), to bare SI floats; shared constants.

Everything inside the project is SI with the unit in the name. Only here does pint appear, and only when a
text is really read (importing it costs a quarter of a second). The registry is a small one of our own: it
knows the units of this trade and no others, so that a slip such as `bra` or `C` is refused with a hint
instead of being taken for some unit nobody meant.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.errors import PlainError

if TYPE_CHECKING:
    import pint

SECONDS_PER_DAY = 86400.0
ZERO_CELSIUS_K = 273.15
"""0 °C on the thermodynamic scale, exact by definition (ITS-90)."""
STANDARD_ATMOSPHERE_Pa = 101325.0
"""One standard atmosphere, exact by definition (CGPM 1954)."""
GAS_CONSTANT_J_PER_mol_K = 8.31446261815324
"""Molar gas constant, exact since the SI of 2019 (product of the defined k and N_A)."""
SCCM_mol_per_s = STANDARD_ATMOSPHERE_Pa * 1e-6 / 60.0 / (GAS_CONSTANT_J_PER_mol_K * ZERO_CELSIUS_K)
"""One standard cubic centimetre per minute at 0 °C and 101325 Pa, as the US metrology institute has it."""

_DEFINITIONS = """
metre = [length] = m = meter
second = [time] = s = sec
kilogram = [mass] = kg
kelvin = [temperature]; offset: 0 = K = degK
ampere = [current] = A
gram = 0.001 kilogram = g
degree_Celsius = kelvin; offset: 273.15 = °C = degC = celsius
degree_Fahrenheit = 5 / 9 * kelvin; offset: 255.37222222222223 = °F = degF = fahrenheit
percent = 0.01 = pct
per_mille = 0.001 = permille
minute = 60 * second = min
hour = 3600 * second = h = hr
day = 86400 * second = d
week = 604800 * second
millimetre = 0.001 metre = mm = millimeter
centimetre = 0.01 metre = cm = centimeter
micrometre = 1e-6 metre = um = micrometer
inch = 0.0254 metre = in
foot = 0.3048 metre = ft
litre = 0.001 metre ** 3 = L = l = liter
millilitre = 1e-6 metre ** 3 = mL = ml = cc
newton = kilogram * metre / second ** 2 = N
pound_force = 4.4482216152605 newton = lbf
pascal = newton / metre ** 2 = Pa
hectopascal = 100 pascal = hPa
kilopascal = 1000 pascal = kPa
megapascal = 1e6 pascal = MPa
bar = 1e5 pascal
millibar = 100 pascal = mbar
microbar = 0.1 pascal = ubar
psi = 4.4482216152605 newton / (0.0254 metre) ** 2
atmosphere = 101325 pascal = atm
torr = 101325 / 760 pascal = Torr
volt = kilogram * metre ** 2 / second ** 3 / ampere = V
millivolt = 0.001 volt = mV
microvolt = 1e-6 volt = uV
milliampere = 0.001 ampere = mA
ohm = volt / ampere = Ω
kiloohm = 1000 ohm = kohm = kΩ
millisecond = 0.001 second = ms
millikelvin = 0.001 kelvin = mK
""".strip().splitlines()


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: what it is called, its SI unit, and an example for the person who got it wrong."""

    name: str
    si: str
    example: str
    is_difference: bool = False
    """True for a temperature interval, where 1 degC means 1 K and not 274.15 K."""


PRESSURE = Kind("a pressure", "Pa", "16 bar")
TEMPERATURE = Kind("a temperature", "K", "-12 degC")
TEMPERATURE_INTERVAL = Kind("a temperature difference", "K", "2 K", is_difference=True)
LENGTH = Kind("a length", "m", "250 mm")
VOLUME = Kind("a volume", "m**3", "3.2 L")
DURATION = Kind("a length of time", "s", "14 h")
VOLTAGE = Kind("a voltage", "V", "187.5 uV")
RESISTANCE = Kind("a resistance", "ohm", "10 kohm")
FRACTION = Kind("a share", "", "10 %")
PER_KELVIN = Kind("a share per kelvin", "1/K", "0.02 %/K")
LOSS = Kind("a share per time", "1/s", "2 %/day")
SINKING = Kind("a length per time", "m/s", "5 mm/day")
PRESSURE_LOSS = Kind("a pressure per time", "Pa/s", "0.2 bar/day")
LEAK = Kind("a leak rate", "Pa*m**3/s", "1e-3 mbar*L/s")
MASS = Kind("a mass", "kg", "5 kg")
CURRENT = Kind("a current", "A", "4 mA")

_KINDS = (
    PRESSURE, TEMPERATURE, LENGTH, VOLUME, DURATION, VOLTAGE, RESISTANCE, CURRENT, MASS,
    PER_KELVIN, LOSS, SINKING, PRESSURE_LOSS, LEAK, FRACTION,
)  # fmt: skip

MOST_LETTERS = 80
"""No quantity takes more to type."""
_NUMBER_AND_UNIT = re.compile(
    r"([+-]?(?:\d++(?:\.\d*+)?|\.\d++)(?:[eE][+-]?\d++)?)\s*+(.*)", re.ASCII | re.DOTALL
)
_UNIT_CHARACTERS = re.compile(r"(?!\d(?!/))[\w%‰°·×⋅²³µμΩ*/^()\s-]*")
_NUMBER_IN_UNIT = re.compile(r"\A1\s*/|\*\*\s*[+-]?[1-9]\b(?!\s*\*\*)", re.ASCII)
"""Where a plain unit may have a number: `1/K`, `m**3`."""
_NO_UNIT = re.compile(r"\*\*|\)\s*\^|(?<!\w)\d", re.ASCII)
"""What it may not have besides: powers of powers, which would be worked out however large they are, and numbers."""


class UnitError(PlainError, ValueError):
    """A text that is no quantity of the wanted kind; the message is the reason, in one line."""


@functools.cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint  # noqa: PLC0415  a quarter of a second that most commands never need

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(None, autoconvert_offset_to_baseunit=False)
    registry.load_definitions(_DEFINITIONS)
    return registry


@functools.cache
def _known_names() -> tuple[str, ...]:
    return tuple(str(name) for name in _registry()._units)  # noqa: SLF001  pint has no public list of names


def _plain_unit(text: str) -> str:
    """The unit text in the spelling that pint reads: ASCII operators, `%` as a name, `m3` as `m**3`."""
    for typed, plain in (
        ("%", " percent "),
        ("‰", " per_mille "),
        ("°C", "degC"),
        ("°F", "degF"),
        ("Ω", "ohm"),
        ("µ", "u"),
        ("μ", "u"),
        ("·", "*"),
        ("⋅", "*"),
        ("×", "*"),
        ("²", "**2"),
        ("³", "**3"),
        ("^", "**"),
    ):
        text = text.replace(typed, plain)
    if text.startswith("/"):
        text = "1" + text
    return re.sub(r"\b((?:[mc]?m)|in|ft)([23])\b", r"\1**\2", text).strip()


def _unit(text: str) -> pint.Unit:
    import pint  # noqa: PLC0415  see _registry

    plain = _plain_unit(text)
    bare = _NUMBER_IN_UNIT.sub("^", plain)
    if not _UNIT_CHARACTERS.fullmatch(text) or _NO_UNIT.search(bare):
        raise UnitError(f"'{text}' is no unit")
    try:
        return _registry().parse_units(plain)
    except pint.UndefinedUnitError as error:
        names = error.unit_names
        unknown = names if isinstance(names, str) else next(iter(names))
        close = difflib.get_close_matches(unknown, _known_names(), n=1, cutoff=0.6)
        hint = f"; did you mean '{close[0]}'?" if close else ""
        raise UnitError(f"unknown unit '{unknown}'{hint}") from None
    except Exception:  # noqa: BLE001  pint's parser lets tokenizer, type and assertion errors through
        raise UnitError(f"'{text}' is no unit") from None


def _split(text: str) -> tuple[float, str]:
    if len(text) > MOST_LETTERS:
        raise UnitError(f"'{text[:30]}…' is too long for a quantity")
    match = _NUMBER_AND_UNIT.fullmatch(text.strip())
    if match is None:
        raise UnitError(f"'{text}' does not begin with a number")
    value = float(match[1])
    if not math.isfinite(value):
        raise UnitError(f"'{text}' is beyond any number")
    return value, match[2]


def _describe(unit: pint.Unit) -> str:
    for kind in _KINDS:
        if _registry().parse_units(kind.si).dimensionality == unit.dimensionality:
            return kind.name
    return "something else"


def quantity(text: str, kind: Kind) -> float:
    """Read a typed quantity of one kind and return it in SI.

    >>> quantity("16 bar", PRESSURE)
    1600000.0
    >>> round(quantity("-12 degC", TEMPERATURE), 2)
    261.15
    >>> quantity("0.02 %/K", PER_KELVIN)
    0.0002
    """
    value, unit_text = _split(text)
    if not unit_text and kind.si:
        raise UnitError(f"'{text}' has no unit; write {kind.name} like '{kind.example}'")
    unit = _unit(unit_text)
    target = _registry().parse_units(kind.si)
    if unit.dimensionality != target.dimensionality:
        raise UnitError(f"'{text}' is {_describe(unit)}; needed is {kind.name} like '{kind.example}'")
    try:
        si = float(_registry().Quantity(value, unit).to(target).magnitude)
        if kind.is_difference:
            si -= float(_registry().Quantity(0.0, unit).to(target).magnitude)
    except OverflowError:
        raise UnitError(f"'{text}' is beyond any number") from None
    if not math.isfinite(si):
        raise UnitError(f"'{text}' is beyond any number")
    return si


def quantity_of_any(text: str, kinds: tuple[Kind, ...]) -> tuple[Kind, float]:
    """Read a quantity that may be of several kinds (a threshold); return its kind and its SI value."""
    _, unit_text = _split(text)
    dimension = _unit(unit_text).dimensionality
    for kind in kinds:
        if _registry().parse_units(kind.si).dimensionality == dimension:
            return kind, quantity(text, kind)
    needed = ", ".join(f"'{kind.example}'" for kind in kinds)
    raise UnitError(f"'{text}' is {_describe(_unit(unit_text))}; write it like one of {needed}")


def leak_sccm(leak_Pa_m3_per_s: float, temperature_K: float) -> float:
    """A leak rate as standard cubic centimetres per minute (0 °C, 101325 Pa).

    A throughput pV/t in Pa·m³/s fixes an amount of gas only together with its temperature: n' = q / (R·T).
    Leaving the temperature out costs 7 % between 0 °C and 20 °C.

    >>> round(leak_sccm(1.68875e-3, 273.15), 6)
    1.0
    """
    return leak_Pa_m3_per_s / (GAS_CONSTANT_J_PER_mol_K * temperature_K) / SCCM_mol_per_s
