"""The simulator's gas against reference equations (CoolProp: Span 2000 for N2, Lemmon 2000 for air)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from logger.virtual import gas

if TYPE_CHECKING:
    from logger.virtual.gas import Gas

FLUID: dict[Gas, str] = {"nitrogen": "Nitrogen", "dry air": "Air"}


@pytest.mark.parametrize("kind", FLUID)
def test_z_agrees_with_the_reference_equation(kind: Gas) -> None:
    for T in np.arange(230.0, 331.0, 10.0):
        for p in (1e5, 3e5, 5e5, 8e5, 1e6, 1.2e6):
            ours = gas.compressibility(kind, np.array(p), np.array(T))
            assert ours == pytest.approx(PropsSI("Z", "T", T, "P", p, FLUID[kind]), abs=5e-4)


@pytest.mark.parametrize("kind", FLUID)
@pytest.mark.parametrize(
    ("p", "warm", "cold"), [(0.8e6, 293.15, 263.15), (1.5e6, 303.15, 253.15), (0.6e6, 300.0, 245.0)]
)
def test_isochoric_cooling(kind: Gas, p: float, warm: float, cold: float) -> None:
    reference = PropsSI(
        "P", "T", cold, "DMOLAR", PropsSI("DMOLAR", "T", warm, "P", p, FLUID[kind]), FLUID[kind]
    )
    rho = gas.density_mol_per_m3(kind, np.array(p), np.array(warm))
    assert gas.pressure_Pa(kind, rho, np.array(cold)) == pytest.approx(reference, rel=3e-4)


def test_cooling_figure_of_a_strut() -> None:
    # CoolProp 8.0.0, nitrogen, 0.8 MPa from 293.15 to 263.15 K at constant volume: 716,507 Pa
    # (an ideal gas: 718,131)
    rho = gas.density_mol_per_m3("nitrogen", np.array(0.8e6), np.array(293.15))
    assert gas.pressure_Pa("nitrogen", rho, np.array(263.15)) == pytest.approx(716_507.0, rel=1e-4)


def test_saturation_pressure_of_water() -> None:
    # triple point 611.657 Pa (IAPWS); 20 °C: 2339 Pa (IAPWS-95 tables, from memory); ice at −20 °C: 103.3 Pa
    # (Goff–Gratch tables, from memory)
    T = np.array([273.16, 293.15, 253.15])
    np.testing.assert_allclose(gas.saturation_pressure_Pa(T), [611.657, 2339.0, 103.3], rtol=5e-3)


def test_density_and_pressure_are_inverse() -> None:
    T, p = np.meshgrid(np.linspace(230.0, 330.0, 11), np.linspace(1e5, 2e6, 11))
    for kind in ("nitrogen", "dry air"):
        back = gas.pressure_Pa(kind, gas.density_mol_per_m3(kind, p, T), T)  # type: ignore[arg-type]
        np.testing.assert_allclose(back, p, rtol=1e-12)
