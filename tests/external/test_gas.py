"""analysis.gas against the reference equations of state (CoolProp) and published points; doctests of small modules."""

from __future__ import annotations

import doctest
import importlib

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from analysis.gas import (
    DRY_AIR,
    GAS_CONSTANT_J_PER_MOL_K,
    GASES,
    NITROGEN,
    Virial,
    compressibility,
    isochoric_pressure_Pa,
    log_density,
    thermal_sensitivity_per_K,
)

# Nitrogen: Span et al., J. Phys. Chem. Ref. Data 29 (2000) 1361; air: Lemmon et al., the same volume, 331.
FLUIDS = {"Nitrogen": NITROGEN, "Air": DRY_AIR}
TEMPERATURES_K = np.linspace(230.0, 330.0, 11)
PRESSURES_PA = np.linspace(1e5, 2e6, 8)


def reference(output: str, pressure_Pa: float, temperature_K: float, fluid: str) -> float:
    return float(PropsSI(output, "T", temperature_K, "P", pressure_Pa, fluid))


@pytest.mark.parametrize("fluid", FLUIDS)
def test_compressibility_over_the_working_range(fluid: str) -> None:
    # CoolProp's amount density with the equations' own R (8.31451): with CODATA's R, Z would be off by 5.7e-6
    worst = 0.0
    for temperature_K in TEMPERATURES_K:
        for pressure_Pa in PRESSURES_PA:
            density = reference("DMOLAR", pressure_Pa, temperature_K, fluid)
            expected = pressure_Pa / (density * 8.31451 * temperature_K)
            ours = compressibility(np.array(pressure_Pa), np.array(temperature_K), FLUIDS[fluid])
            worst = max(worst, abs(float(ours) - expected))
    assert worst <= 1e-4  # what the design asks for
    assert worst <= 4e-6  # what the module says of itself


@pytest.mark.parametrize("fluid", FLUIDS)
def test_what_the_module_says_of_its_wider_range(fluid: str) -> None:
    for temperature_K in (220.0, 225.0, 335.0, 340.0):
        for pressure_Pa in (0.05e6, 1.0e6, 2.2e6):
            expected = pressure_Pa / (
                reference("DMOLAR", pressure_Pa, temperature_K, fluid) * 8.31451 * temperature_K
            )
            ours = compressibility(np.array(pressure_Pa), np.array(temperature_K), FLUIDS[fluid])
            assert float(ours) == pytest.approx(expected, abs=4e-6)


@pytest.mark.parametrize("fluid", FLUIDS)
def test_the_gas_constant_is_the_one_of_the_equations(fluid: str) -> None:
    # CoolProp gives the molar gas constant of each equation; CODATA 2018 is 8.314462618, 5.7e-6 less
    assert reference("GAS_CONSTANT", 1e6, 293.15, fluid) == pytest.approx(GAS_CONSTANT_J_PER_MOL_K, rel=1e-9)


def test_shop_air_and_dry_air_are_air() -> None:
    assert set(GASES) == {"nitrogen", "dry air", "shop air"}
    assert GASES["nitrogen"] is NITROGEN
    assert GASES["dry air"] is GASES["shop air"] is DRY_AIR


@pytest.mark.parametrize(
    ("gas", "temperature_K", "pressure_Pa", "mol_per_L", "half_digit"),
    [
        # Younglove, J. Phys. Chem. Ref. Data 11 (1982), appendix I, nitrogen, as quoted by a public test collection
        (NITROGEN, 240.0, 0.02e6, 0.01002, 1e-5),  # a digit: the two equations differ in the fifth
        (NITROGEN, 260.0, 0.3e6, 0.1390, 0.5e-4),
        # Younglove 1982 and Jacobsen et al. 1986, nitrogen, quoted likewise
        (NITROGEN, 300.0, 101_325.0, 0.04063, 0.5e-5),
    ],
)
def test_published_densities(
    gas: Virial, temperature_K: float, pressure_Pa: float, mol_per_L: float, half_digit: float
) -> None:
    density = float(np.exp(log_density(np.array(pressure_Pa), np.array(temperature_K), gas))) / 1000.0
    assert density == pytest.approx(mol_per_L, abs=half_digit)


@pytest.mark.parametrize(
    ("temperature_K", "pressure_Pa", "nitrogen", "air"),
    [
        # amount densities in mol/m³, CoolProp 8.0.0, written down once: they hold whatever CoolProp is installed
        (230.0, 0.5e6, 263.0177, 263.2492),
        (230.0, 2.0e6, 1070.0733, 1073.8706),
        (273.15, 101_325.0, 44.6352, 44.6416),
        (293.15, 1.0e6, 411.1719, 411.6966),
        (330.0, 2.0e6, 728.0896, 729.6547),
    ],
)
def test_tabulated_densities(temperature_K: float, pressure_Pa: float, nitrogen: float, air: float) -> None:
    for gas, expected in ((NITROGEN, nitrogen), (DRY_AIR, air)):
        ours = np.exp(log_density(np.array(pressure_Pa), np.array(temperature_K), gas))
        assert float(ours) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(
    ("gas", "first_Pa", "first_K", "final_K", "final_Pa"),
    [
        # CoolProp 8.0.0 at constant density; an ideal gas would go to 718,131 and 1,252,598 Pa
        (NITROGEN, 0.8e6, 293.15, 263.15, 716_507.0),
        (DRY_AIR, 0.8e6, 293.15, 263.15, 716_488.0),
        (NITROGEN, 1.5e6, 303.15, 253.15, 1_244_011.0),
        (DRY_AIR, 1.5e6, 303.15, 253.15, 1_243_893.0),
    ],
)
def test_isochoric_cooling(
    gas: Virial, first_Pa: float, first_K: float, final_K: float, final_Pa: float
) -> None:
    ours = isochoric_pressure_Pa(first_Pa, first_K, final_K, gas)
    assert ours == pytest.approx(final_Pa, abs=6.0)  # 3e-6 of Z on either side
    # no change of amount may be seen over the cooling, to what a day of 0.001 % would be
    before = log_density(np.array(first_Pa), np.array(first_K), gas)
    after = log_density(np.array(ours), np.array(final_K), gas)
    assert float(after - before) == pytest.approx(0.0, abs=1e-6)
    assert isochoric_pressure_Pa(ours, final_K, first_K, gas) == pytest.approx(first_Pa, rel=1e-6)


@pytest.mark.parametrize("gas", [NITROGEN, DRY_AIR])
def test_signs_and_order(gas: Virial) -> None:
    temperature_K, pressure_Pa = np.meshgrid(TEMPERATURES_K, PRESSURES_PA)
    density = log_density(pressure_Pa, temperature_K, gas)
    assert (np.diff(density, axis=1) < 0.0).all(), "warmer gas is thinner"
    assert (np.diff(density, axis=0) > 0.0).all(), "gas under more pressure is denser"
    sensitivity = thermal_sensitivity_per_K(pressure_Pa, temperature_K, gas)
    assert (sensitivity * temperature_K > 0.99).all()
    # 230 K, 2 MPa: 1.113 (nitrogen), 1.118 (air) by CoolProp 8 (ISOBARIC_EXPANSION_COEFFICIENT times T)
    assert (sensitivity * temperature_K < 1.12).all()
    factor = compressibility(pressure_Pa, temperature_K, gas)
    # closer to ideal when thinner, as long as B < 0: below the Boyle temperature (326 K for nitrogen by CoolProp)
    assert (np.diff(factor[:, TEMPERATURES_K < 300.0], axis=0) < 0.0).all()
    assert float(compressibility(np.array(1.0), np.array(250.0), gas)) == pytest.approx(1.0, abs=1e-6)


def test_second_virial_coefficient_of_nitrogen_changes_its_sign_at_the_boyle_temperature() -> None:
    # 326.28 K (nitrogen) by CoolProp 8 from Span et al.; Z - 1 at low pressure has the sign of B
    for temperature_K, positive in ((325.0, False), (327.5, True)):
        factor = compressibility(np.array(2e4), np.array(temperature_K), NITROGEN)
        assert (float(factor) > 1.0) is positive


@pytest.mark.parametrize("fluid", FLUIDS)
def test_thermal_sensitivity(fluid: str) -> None:
    for temperature_K in (235.0, 263.15, 293.15, 325.0):
        for pressure_Pa in (2e5, 8e5, 2e6):
            expected = reference("ISOBARIC_EXPANSION_COEFFICIENT", pressure_Pa, temperature_K, fluid)
            ours = thermal_sensitivity_per_K(np.array(pressure_Pa), np.array(temperature_K), FLUIDS[fluid])
            assert float(ours) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(
    "name", ["gas", "lag", "mixture", "threshold", "verdict", "words"], ids=lambda name: f"analysis.{name}"
)
def test_examples_in_the_docstrings(name: str) -> None:
    result = doctest.testmod(importlib.import_module(f"analysis.{name}"))
    assert result.attempted > 0
    assert result.failed == 0
