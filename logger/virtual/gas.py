"""Real gas for the simulator, in density form: p = ρ·R·T·(1 + B·ρ + C·ρ²).

The coefficients are deliberately *not* those of the estimator: the judge must not be built from the same
equations as the judged. Range 230–330 K, up to 1.2 MPa; against the reference equations of state |ΔZ| stays
below 5e-4 there, and what counts for a soak, the change on cooling, is within 0.03 % (tests/external).

nitrogen  B = 185.4 − 141.8·exp(88.7 K/T) cm³/mol: form and constants as in the tables of Kaye & Laby
          (75–700 K). C = 1500 − 2.5·(T − 270 K) cm⁶/mol²: own rounding of published third coefficients.
dry air   Hyland & Wexler 1983 (from memory): B = 34.9568 − 6687.72/T − 2101410/T² + 92474600/T³ cm³/mol,
          C = 1259.75 − 190905/T + 63246700/T² cm⁶/mol².
shop air  dry air, and water vapour that condenses on cooling (`vapour_pressure_Pa`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from logger.virtual.draws import FloatArray

Gas = Literal["nitrogen", "dry air", "shop air"]

R_J_PER_MOL_K = 8.314462618  # CODATA 2018, exact since the SI of 2019


def second_virial_m3_per_mol(gas: Gas, temperature_K: FloatArray) -> FloatArray:
    """B(T); see the module's head for source and range."""
    T = temperature_K
    if gas == "nitrogen":
        return 1e-6 * (185.4 - 141.8 * np.exp(88.7 / T))
    return 1e-6 * (34.9568 - 6687.72 / T - 2101410.0 / T**2 + 92474600.0 / T**3)


def third_virial_m6_per_mol2(gas: Gas, temperature_K: FloatArray) -> FloatArray:
    """C(T); see the module's head for source and range."""
    T = temperature_K
    if gas == "nitrogen":
        return 1e-12 * (1500.0 - 2.5 * (T - 270.0))
    return 1e-12 * (1259.75 - 190905.0 / T + 63246700.0 / T**2)


def pressure_Pa(gas: Gas, density_mol_per_m3: FloatArray, temperature_K: FloatArray) -> FloatArray:
    """Absolute pressure from density and temperature: p = ρ·R·T·(1 + B·ρ + C·ρ²)."""
    rho = density_mol_per_m3
    B = second_virial_m3_per_mol(gas, temperature_K)
    C = third_virial_m6_per_mol2(gas, temperature_K)
    return rho * R_J_PER_MOL_K * temperature_K * (1.0 + rho * (B + rho * C))


def density_mol_per_m3(gas: Gas, pressure: FloatArray, temperature_K: FloatArray) -> FloatArray:
    """Density at a pressure, by fixed-point iteration on Z; |Bρ| < 0.03, so 12 turns end in rounding."""
    B = second_virial_m3_per_mol(gas, temperature_K)
    C = third_virial_m6_per_mol2(gas, temperature_K)
    ideal = pressure / (R_J_PER_MOL_K * temperature_K)
    rho = ideal
    for _ in range(12):
        rho = ideal / (1.0 + rho * (B + rho * C))
    return rho


def compressibility(gas: Gas, pressure: FloatArray, temperature_K: FloatArray) -> FloatArray:
    """Z = p/(ρ·R·T)."""
    rho = density_mol_per_m3(gas, pressure, temperature_K)
    return pressure / (rho * R_J_PER_MOL_K * temperature_K)


def saturation_pressure_Pa(temperature_K: FloatArray) -> FloatArray:
    """Saturation pressure of water (above 0 °C) or ice (below), Magnus form, good to 0.5 % over −40…50 °C.

    e = 611.2·exp(17.62·t/(243.12 + t)) over water, 611.2·exp(22.46·t/(272.62 + t)) over ice, t in °C
    (WMO guide no. 8, from memory).
    """
    t = np.asarray(temperature_K) - 273.15
    water = 611.2 * np.exp(17.62 * t / (243.12 + t))
    ice = 611.2 * np.exp(22.46 * t / (272.62 + t))
    return np.where(t >= 0.0, water, ice)


def vapour_pressure_Pa(
    relative_humidity: FloatArray, temperature_K: FloatArray, first_K: FloatArray
) -> FloatArray:
    """Partial pressure of the water in a fill of known humidity at its first temperature, in a fixed volume.

    It follows p ∝ T until it saturates; what is over condenses or freezes. `relative_humidity` is that of the
    compressed gas.
    """
    vapour = relative_humidity * saturation_pressure_Pa(first_K) * temperature_K / first_K
    return np.minimum(vapour, saturation_pressure_Pa(temperature_K))
