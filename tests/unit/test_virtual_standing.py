"""The car on four air springs: the figures a practitioner can check, and equilibrium itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from logger.virtual import gas
from logger.virtual.standing import G_M_PER_S2, Standing
from logger.virtual.support import Filling, State

if TYPE_CHECKING:
    from logger.virtual.draws import FloatArray

FILL_PA, AROUND_PA, WARM_K = 800e3, 101_325.0, 293.15


def car(**changes: float) -> Standing:
    """2 t on four springs with a gas column of 250 mm, anti-roll bars of the usual stiffness."""
    load = np.full(4, 2000.0 * G_M_PER_S2 / 4.0)
    values = {"area_slope_per_m": 0.0, "front_bar_N_per_m": 18e3, "rear_bar_N_per_m": 10e3, **changes}
    return Standing(
        load_N=load,
        area_m2=load / FILL_PA,
        column_m=np.full(4, 0.25),
        height_m=np.full(4, 0.36),
        bump_clearance_m=0.08,
        **values,
    )


def settle(body: Standing, share: FloatArray, temperature_K: float, around_Pa: float = AROUND_PA) -> State:
    temperatures = np.stack([np.full(4, WARM_K), np.full(4, temperature_K)])
    filling = Filling.of("nitrogen", temperatures, np.ones(4))
    density = gas.density_mol_per_m3("nitrogen", np.full(4, FILL_PA + AROUND_PA), np.full(4, WARM_K))
    amount = density * body.area_m2 * body.column_m
    around = np.array([AROUND_PA, around_Pa])
    return body.solve(np.stack([amount, amount * share]), filling, np.ones((2, 4)), around)


def changes(state: State) -> tuple[FloatArray, FloatArray]:
    assert state.height_m is not None
    return state.pressure_Pa[1] / state.pressure_Pa[0] - 1.0, 1e3 * (state.height_m[1] - state.height_m[0])


def test_starts_level_at_its_fill() -> None:
    state = settle(car(), np.ones(4), WARM_K)
    np.testing.assert_allclose(state.pressure_Pa[0], FILL_PA + AROUND_PA, rtol=1e-9)
    np.testing.assert_allclose(state.height_m, 0.36, atol=1e-9)


# The three figures below are common practice, no source: a rigid body of 2 t on four rolling-lobe springs
# with anti-roll bars, gas column 250 mm. The second and third follow from pV = nRT and a constant load too.


def test_one_corner_loses_a_tenth() -> None:
    pressure, height = changes(settle(car(), np.array([0.9, 1.0, 1.0, 1.0]), WARM_K))
    assert pressure[0] == pytest.approx(-0.04, abs=0.004)
    assert pressure[1] == pytest.approx(0.04, abs=0.004)  # the tight neighbour's pressure rises
    assert height[1] == pytest.approx(-10.0, abs=1.0)  # and it sinks


def test_both_fronts_lose_a_tenth() -> None:
    pressure, height = changes(settle(car(), np.array([0.9, 0.9, 1.0, 1.0]), WARM_K))
    np.testing.assert_allclose(pressure, 0.0, atol=1e-9)
    np.testing.assert_allclose(height, [-25.0, -25.0, 0.0, 0.0], atol=0.1)


def test_cooling_sinks_the_car_and_leaves_the_pressures() -> None:
    pressure, height = changes(settle(car(), np.ones(4), WARM_K - 33.0))
    np.testing.assert_allclose(pressure, 0.0, atol=1e-9)
    # ideal gas 250·33/293 = 28.1 mm, the real gas shrinks a little more
    np.testing.assert_allclose(height, -28.5, atol=0.6)


def test_forces_balance_whatever_happens() -> None:
    body = car(area_slope_per_m=-0.5)
    state = settle(body, np.array([0.85, 0.95, 1.0, 0.97]), 270.0, around_Pa=99_000.0)
    assert state.height_m is not None
    d = state.height_m[1] - 0.36
    spring = (state.pressure_Pa[1] - 99_000.0) * body.area_m2 * (1.0 - 0.5 * d)
    total = spring - body.bars() @ d
    assert total.sum() == pytest.approx(body.load_N.sum(), rel=1e-9)
    assert total[[0, 2]].sum() == pytest.approx(total[[1, 3]].sum(), rel=1e-9)  # about the length
    assert total[:2].sum() == pytest.approx(total[2:].sum(), rel=1e-9)  # about the breadth
    # a rigid body: both diagonals have the same mean height
    assert d[0] + d[3] == pytest.approx(d[1] + d[2], abs=1e-12)


def test_small_stroke_rate() -> None:
    # k = p_abs·A²/V for slow (isothermal) changes of a spring of constant area, the trade's formula;
    # here the gas is real: bulk modulus ρ·dp/dρ in place of p, 0.2 % apart
    body = car()
    extra = 100.0
    heavier = Standing(
        load_N=body.load_N + extra / 4.0,
        area_m2=body.area_m2,
        column_m=body.column_m,
        area_slope_per_m=0.0,
        height_m=body.height_m,
        front_bar_N_per_m=0.0,
        rear_bar_N_per_m=0.0,
        bump_clearance_m=0.08,
    )
    _, height = changes(settle(body, np.ones(4), WARM_K))
    state = settle(heavier, np.ones(4), WARM_K)
    assert state.height_m is not None
    sink = 0.36 - state.height_m[1, 0]
    rate = (FILL_PA + AROUND_PA) * body.area_m2[0] / 0.25
    assert height[0] == pytest.approx(0.0, abs=1e-9)
    assert extra / 4.0 / sink == pytest.approx(rate, rel=0.01)


def test_an_empty_corner_rests_on_its_stop() -> None:
    state = settle(car(), np.array([1e-3, 1.0, 1.0, 1.0]), WARM_K)
    assert state.height_m is not None
    assert np.all(np.isfinite(state.pressure_Pa))
    assert 0.36 - state.height_m[1, 0] > 0.08
    assert np.all(state.volume_m3 > 0.0)
