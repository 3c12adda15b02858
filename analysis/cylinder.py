"""How much gas a cylinder holds and how many fills are left in it: real nitrogen and air up to cylinder pressures.

Equation of state: Z = 1 + sum of c[k][j]·d^(k+1)·x^j, d = amount density in 10⁴ mol/m³, x = 300 K / T. The
coefficients were fitted here to the reference equations as computed by CoolProp 8 (the same sources as in
analysis.gas, whose series ends at 2.2 MPa: beyond it is wrong by 0.003 of Z at 15 MPa and 0.03 at 30 MPa).
Largest |ΔZ| over 250-335 K and 0.1-35 MPa: 6e-6 nitrogen, 5e-5 air (tests/external/test_cylinder.py holds it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.gas import GAS_CONSTANT_J_PER_MOL_K

Coefficients = tuple[tuple[float, float, float, float], ...]

NITROGEN: Final[Coefficients] = (
    (0.4143000089, -0.3374089682, -0.1307027853, 0.008372520569),
    (0.06383082401, 0.1771956513, -0.1911606192, 0.08929115282),
    (0.1918199093, -0.6225052504, 0.6980800208, -0.2560916112),
    (-0.2240638137, 0.9547468481, -1.113805777, 0.4030648243),
    (0.07431133716, -0.4372085097, 0.5950479245, -0.2351627982),
    (0.01633167077, 0.01901861025, -0.07018149706, 0.03700358248),
)
AIR: Final[Coefficients] = (
    (0.382761978, -0.3217956494, -0.1603133057, 0.02235085926),
    (0.08152916043, 0.1217410221, 0.006897235109, -0.03916068993),
    (0.291400088, -0.9751207925, 0.5842861327, -0.01503323809),
    (-0.5783738596, 2.154976014, -1.736281145, 0.3428653472),
    (0.3954804952, -1.612321003, 1.490211847, -0.3805048159),
    (-0.06136226805, 0.3513915394, -0.3714637657, 0.1084021183),
)
GASES: Final = {"nitrogen": NITROGEN, "dry air": AIR}

COLDEST_K, WARMEST_K, HIGHEST_Pa = 250.0, 335.0, 35e6

NOMINAL_Pa: Final = 14.7 * 6894.757293168362
"""Pressure at which nominal contents in cubic feet are counted: 14.7 psi (trade custom, from memory)."""
# A regulator needs this much over what it delivers (common practice, no source).
REGULATOR_Pa: Final = 3e5


def factor(density_mol_per_m3: float, temperature_K: float, gas: Coefficients) -> float:
    """Return Z at an amount density."""
    d, x = density_mol_per_m3 / 1e4, 300.0 / temperature_K
    return 1.0 + sum(
        d ** (k + 1) * sum(c * x**j for j, c in enumerate(powers)) for k, powers in enumerate(gas)
    )


def density(pressure_Pa: float, temperature_K: float, gas: Coefficients) -> float:
    """Return the amount density in mol/m³ at an absolute pressure. Range 250-335 K, up to 35 MPa.

    Bisection: the pressure grows with the density over the whole range.

    >>> round(density(8e6, 300.0, NITROGEN) / 1000.0, 3)  # 3.206 mol/L by CoolProp 8
    3.206
    """
    if not (COLDEST_K <= temperature_K <= WARMEST_K and 0.0 <= pressure_Pa <= HIGHEST_Pa):
        raise ValueError("outside the range of the equation")
    low, high = 0.0, 2.0 * pressure_Pa / (GAS_CONSTANT_J_PER_MOL_K * temperature_K) + 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        p = middle * factor(middle, temperature_K, gas) * GAS_CONSTANT_J_PER_MOL_K * temperature_K
        low, high = (middle, high) if p < pressure_Pa else (low, middle)
    return 0.5 * (low + high)


def nominal_volume_m3(content_m3: float, rated_gauge_Pa: float) -> float:
    """Return the water volume of a cylinder that is called by its content: the ideal gas's, as ratings are printed.

    The smaller of the two readings of such a label: with real gas the same label would need a larger cylinder.

    >>> round(nominal_volume_m3(79.87 * 0.0283168, 3000 * 6894.757) * 1000.0, 2)  # 11.03 L = 673 in³, from a table
    11.03
    """
    return content_m3 * NOMINAL_Pa / (rated_gauge_Pa + NOMINAL_Pa)


@dataclass(frozen=True)
class Fills:
    """What is left in a cylinder."""

    holds_mol: float
    usable_mol: float
    fill_mol: float
    fills: int
    fills_ideal: int
    """As many as the gas law without Z would promise."""


def fills_left(
    volume_m3: float,
    pressure_Pa: float,
    temperature_K: float,
    gas: Coefficients,
    *,
    filled_m3: float,
    fill_Pa: float,
    from_Pa: float,
    fill_temperature_K: float,
) -> Fills:
    """Return how often `filled_m3` can be brought from `from_Pa` to `fill_Pa`; all pressures absolute.

    The cylinder is left with the fill's pressure and what a regulator needs over it, at its own temperature.
    """
    holds = volume_m3 * density(pressure_Pa, temperature_K, gas)
    stays = volume_m3 * density(fill_Pa + REGULATOR_Pa, temperature_K, gas)
    one = filled_m3 * (density(fill_Pa, fill_temperature_K, gas) - density(from_Pa, fill_temperature_K, gas))
    usable = max(holds - stays, 0.0)
    ideal_mol = volume_m3 * max(pressure_Pa - fill_Pa - REGULATOR_Pa, 0.0) / temperature_K
    ideal_fill = filled_m3 * (fill_Pa - from_Pa) / fill_temperature_K
    # a whole number of fills that rounding has put just under it is still whole
    return Fills(
        holds, usable, one, math.floor(usable / one + 1e-9), math.floor(ideal_mol / ideal_fill + 1e-9)
    )
