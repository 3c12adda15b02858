"""Saturation pressure of water against published formulations, and the bound that it sets on shop air."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.water import condensable_Pa, saturation_pressure_Pa

# t °C and Pa. Over water: IAPWS-95, computed with CoolProp; over ice: the IAPWS sublimation equation of 2011, computed
# with the iapws library 1.5.5. Within the range the Magnus form strays by 0.3 % at most.
WATER = {3.0: 758.08, 20.0: 2339.3}
ICE = {-40.0: 12.841, -30.0: 38.005, -20.0: 103.24, -10.0: 259.87, -5.0: 401.74}


@pytest.mark.parametrize(("t", "expected"), [*WATER.items(), *ICE.items()])
def test_saturation_pressure(t: float, expected: float) -> None:
    assert saturation_pressure_Pa(np.array(t + 273.15)) == pytest.approx(expected, rel=3e-3)


def test_the_two_branches_meet_at_the_triple_point() -> None:
    # 611.657 Pa at 273.16 K, IAPWS
    for T in (273.159, 273.161):
        assert saturation_pressure_Pa(np.array(T)) == pytest.approx(611.657, rel=1e-3)


def test_the_bound_grows_as_it_cools_and_is_never_negative() -> None:
    T = np.linspace(303.15, 243.15, 121)
    bound = condensable_Pa(np.array(293.15), T)
    assert (np.diff(bound) >= 0.0).all()
    assert bound[0] == 0.0
    # all there can be is the saturation pressure at the fill
    assert bound[-1] < saturation_pressure_Pa(np.array(293.15))
