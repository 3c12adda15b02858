"""The amount of gas in a rigid vessel against solved problems of open textbooks (OpenStax, all read in their sources).

The books take the ideal gas and round 273.15 to 273, so that they hold our chain to some 0.2 % at low pressure, and to
the real gas beyond; what they check is signs, absolute against gauge, kelvin against Celsius and units.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.gas import DRY_AIR, NITROGEN, Virial, isochoric_pressure_Pa, log_density
from logger import units

ATM = 101325.0
# far below any density at which the virial terms show: the ideal gas out of the same code
THIN = 1e-6


def pressure(text: str) -> float:
    return units.quantity(text, units.PRESSURE)


def kelvin(degC: float) -> float:
    return units.quantity(f"{degC} degC", units.TEMPERATURE)


def amount_mol(pressure_Pa: float, volume_m3: float, temperature_K: float, gas: Virial) -> float:
    return volume_m3 * float(np.exp(log_density(np.array(pressure_Pa), np.array(temperature_K), gas)))


@pytest.mark.parametrize(
    ("before", "warm_degC", "cold_degC", "gas", "after", "printed_to"),
    [
        # Chemistry 2e, 9.2: spray can; nitrogen in 45.0 mL
        ("360 kPa", 24.0, 50.0, DRY_AIR, "390 kPa", 5e3),
        ("600 Torr", 27.0, -73.0, NITROGEN, "400 Torr", 70.0),
        # University Physics 2, 2.1, worked example: a tyre warms up
        ("7.00e5 Pa", 18.0, 35.0, DRY_AIR, "7.41e5 Pa", 700.0),
    ],
)
def test_a_vessel_changes_its_temperature(
    before: str, warm_degC: float, cold_degC: float, gas: Virial, after: str, printed_to: float
) -> None:
    got = isochoric_pressure_Pa(pressure(before), kelvin(warm_degC), kelvin(cold_degC), gas)
    assert got == pytest.approx(pressure(after), abs=printed_to)


def test_the_gauge_reads_what_it_reads() -> None:
    # College Physics, 13.3, problem 1: a tyre at 2.50e5 Pa gauge and 35 °C, then -40 °C: 1.62 atm gauge
    cold = isochoric_pressure_Pa(2.50e5 + ATM, kelvin(35.0), kelvin(-40.0), DRY_AIR)
    assert (cold - ATM) / ATM == pytest.approx(1.62, abs=0.006)
    # taking the gauge pressure for the absolute one would give 1.87, wrong by a seventh (computed)
    assert isochoric_pressure_Pa(2.50e5, kelvin(35.0), kelvin(-40.0), DRY_AIR) / ATM == pytest.approx(
        1.87, abs=0.01
    )


def test_gas_is_let_out_of_a_tyre() -> None:
    # University Physics 2, 2.1: 2.00 L at 7.00e5 Pa absolute and 18.0 °C; 100 cm³ measured at 1 atm are let out:
    # 6.95e5 Pa = 6.86 atm
    held = amount_mol(7.00e5, 2.00e-3, kelvin(18.0), DRY_AIR)
    let_out = amount_mol(ATM, 100e-6, kelvin(18.0), DRY_AIR)
    # what is left is a loss of 0.72 %, and the pressure falls by the same share
    loss = -math.log1p(-let_out / held)
    left_Pa = 7.00e5 * math.exp(-loss)
    assert left_Pa == pytest.approx(6.95e5, abs=700.0)
    assert left_Pa / ATM == pytest.approx(6.86, abs=0.005)


def test_cooling_and_a_leak_are_told_apart() -> None:
    # University Physics 2, 2.1 and College Physics 13: 50.0 L at 1.40e7 Pa, 25.0 to -78.5 °C: 9.14e6 Pa; with a tenth
    # of the gas gone 8.22e6 or 8.23e6 Pa (the two books). An ideal gas: our code in the limit of a thin one
    warm_K, cold_K = kelvin(25.0), kelvin(-78.5)
    cooled_Pa = isochoric_pressure_Pa(1.40e7 * THIN, warm_K, cold_K, DRY_AIR) / THIN
    assert cooled_Pa == pytest.approx(9.14e6, rel=2e-3)
    assert 0.9 * cooled_Pa == pytest.approx(8.225e6, rel=2e-3)
    # and the chain of the analysis finds the tenth in the printed pressures: ln n from p and T before and after
    before, after = (
        float(log_density(np.array(p * THIN), np.array(T), DRY_AIR))
        for p, T in ((1.40e7, warm_K), (8.225e6, cold_K))
    )
    assert 1.0 - math.exp(after - before) == pytest.approx(0.1, abs=2e-3)


def test_the_bulb() -> None:
    # University Physics 2, 2.1: a bulb filled to 1 atm at 20 °C is at 60 °C: 0.137 atm gauge (the other book: 0.136)
    warm = isochoric_pressure_Pa(ATM, kelvin(20.0), kelvin(60.0), NITROGEN)
    assert warm / ATM - 1.0 == pytest.approx(0.1365, abs=6e-4)


def test_a_bottle_fills_a_volume() -> None:
    # Chemistry 2e, 9.2, scuba: 13.2 L at 153 atm and 27 °C give 667 L at 3.13 atm and 37 °C (ideal gas: thin limit)
    there = amount_mol(153 * ATM * THIN, 13.2e-3, kelvin(27.0), DRY_AIR)
    per_m3 = amount_mol(3.13 * ATM * THIN, 1.0, kelvin(37.0), DRY_AIR)
    assert there / per_m3 * 1e3 == pytest.approx(667.0, rel=2e-3)


def test_the_amount_in_a_bottle() -> None:
    # Chemistry 2e, 9.2: 2520 mol in 180 L at 27 °C: 350 bar (of an ideal gas: thin limit)
    per_Pa = amount_mol(1.0, 180e-3, kelvin(27.0), NITROGEN)
    assert 2520.0 / per_Pa == pytest.approx(pressure("350 bar"), rel=2e-3)
