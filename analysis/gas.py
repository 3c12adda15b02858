"""Real nitrogen and dry air between 220 K and 340 K, up to 2.2 MPa.

Equation of state: p = rho·R·T·(1 + B·rho + C·rho² + D·rho³), the virial series in amount density.
B, C and D were fitted here to the reference equations as computed by CoolProp 8: nitrogen by Span et al.,
J. Phys. Chem. Ref. Data 29 (2000) 1361; dry air by Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000) 331.
Largest |ΔZ| against them over 220-340 K and 0.05-2.2 MPa: 3e-6 (tests/external/test_gas.py holds it).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Both reference equations use this value (not CODATA 2018); in ratios of amounts it cancels.
GAS_CONSTANT_J_PER_MOL_K: Final = 8.31451


@dataclass(frozen=True)
class Virial:
    """Virial coefficients as polynomials in x = 300 K / T, lowest power first."""

    second_cm3_per_mol: tuple[float, float, float, float]
    third_cm6_per_mol2: tuple[float, float, float]
    fourth_cm9_per_mol3: float


NITROGEN: Final = Virial((41.3109, -33.2613, -13.6851, 1.08144), (1432.41, -699.091, 677.521), 2370.07)
DRY_AIR: Final = Virial((38.9292, -34.5639, -12.9713, 0.843531), (1360.38, 163.248, 280.441), -136603.0)

GASES: Final[dict[str, Virial]] = {
    "nitrogen": NITROGEN,
    "dry air": DRY_AIR,
    # Water is not in the equation: analysis.water bounds what it can do (at most its saturation pressure).
    "shop air": DRY_AIR,
}


def _series(density_mol_per_m3: Array, temperature_K: Array, gas: Virial) -> Array:
    """Return Z = 1 + B·rho + C·rho² + D·rho³."""
    x = 300.0 / temperature_K
    b = gas.second_cm3_per_mol
    c = gas.third_cm6_per_mol2
    second = (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) * 1e-6
    third = (c[0] + x * (c[1] + x * c[2])) * 1e-12
    fourth = gas.fourth_cm9_per_mol3 * 1e-18
    return 1.0 + density_mol_per_m3 * (second + density_mol_per_m3 * (third + density_mol_per_m3 * fourth))


def compressibility(pressure_Pa: Array, temperature_K: Array, gas: Virial) -> Array:
    """Return Z = p / (rho·R·T); shapes broadcast; absolute pressure.

    Range 220-340 K, 0-2.2 MPa. Four fixed-point steps from Z = 1 leave less than 1e-7.

    >>> round(float(compressibility(np.array(1.0e6), np.array(293.15), NITROGEN)), 6)  # CoolProp 8
    0.997815
    """
    ideal_density = pressure_Pa / (GAS_CONSTANT_J_PER_MOL_K * temperature_K)
    factor = np.ones_like(ideal_density)
    for _ in range(4):
        factor = _series(ideal_density / factor, temperature_K, gas)
    return factor


def log_density(pressure_Pa: Array, temperature_K: Array, gas: Virial) -> Array:
    """Return ln of the amount density in mol/m³: ln(p / (Z·R·T))."""
    factor = compressibility(pressure_Pa, temperature_K, gas)
    return np.log(pressure_Pa / (factor * GAS_CONSTANT_J_PER_MOL_K * temperature_K))


def thermal_sensitivity_per_K(pressure_Pa: Array, temperature_K: Array, gas: Virial) -> Array:
    """Return -d ln(rho)/dT at constant pressure, about 1/T: what one kelvin of error costs in ln(amount)."""
    step_K = 0.5
    warmer = log_density(pressure_Pa, temperature_K + step_K, gas)
    colder = log_density(pressure_Pa, temperature_K - step_K, gas)
    return (colder - warmer) / (2.0 * step_K)


def isochoric_pressure_Pa(
    pressure_Pa: float, temperature_K: float, final_temperature_K: float, gas: Virial
) -> float:
    """Return the absolute pressure of a sealed rigid volume after its gas went to another temperature.

    Solves rho(p2, T2) = rho(p1, T1) by evaluating the equation of state at the fixed density.

    >>> round(isochoric_pressure_Pa(0.8e6, 293.15, 263.15, NITROGEN))  # 716507 Pa by CoolProp 8
    716507
    """
    density = np.exp(log_density(np.array(pressure_Pa), np.array(temperature_K), gas))
    final_K = np.array(final_temperature_K)
    return float(density * GAS_CONSTANT_J_PER_MOL_K * final_K * _series(density, final_K, gas))
