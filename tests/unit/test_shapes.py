"""The shapes of a leak: curves of what a unit leak has taken, and the law of porous flow."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.bank import new_bank
from analysis.priors import Priors
from analysis.shapes import LEAST_FLOW, LeakShapes, porous_flow
from logger.virtual.leaks import law_factor

PRIORS = Priors(onset_grid_degC=(0.0, -4.0), start_slots=4, start_spacing_s=100.0)


def shapes() -> tuple[LeakShapes, object]:
    made = LeakShapes(PRIORS, 1, 2)
    return made, new_bank(np.zeros((1, 2, 3)), np.zeros((1, 2, 3, 3)), made.number)


def test_curves_add_up_what_was_open() -> None:
    made, bank = shapes()
    warm, cold = np.array([283.15, 283.15]), np.array([271.15, 265.15])  # -2 and -8 °C in the second half
    for i in range(10):
        made.advance(10.0 * (i + 1), 10.0, warm if i < 5 else cold, np.array([0.5]), bank)
    first, second = made.curve[0]
    assert first[made.steady] == pytest.approx([100.0, 50.0])
    # the first model was below 0 °C for 50 s and never below -4 °C, the second below both
    assert first[made.cold[0]] == pytest.approx([50.0, 0.0], abs=3.0)
    assert second[made.cold[0]] == pytest.approx([50.0, 50.0], abs=1.0)
    assert second[made.cold[1]] == pytest.approx([25.0, 25.0], abs=1.0)


def test_a_cold_leak_has_closed_again_only_where_it_was_cold_and_then_warm() -> None:
    made, bank = shapes()
    for i, degC in enumerate((10.0, 10.0, -2.0, -2.0)):
        made.advance(10.0 * (i + 1), 10.0, np.array([273.15 + degC, 265.15]), np.ones(1), bank)
    assert not made.closed.any()
    made.advance(50.0, 10.0, np.array([275.15, 265.15]), np.ones(1), bank)
    # only the first model became warmer again, and it had never been below -4 °C
    assert made.closed.tolist() == [[True, False], [False, False]]


def test_starts_open_on_the_way_and_thin_out() -> None:
    made, bank = shapes()
    for i in range(1, 100):
        made.advance(10.0 * i, 10.0, np.array([283.0, 283.0]), np.ones(1), bank)
    # the slots are full after 400 s: every other start stays, with twice the spacing
    assert list(made.starts_s) == [200.0, 400.0, 600.0, 800.0]
    assert made.curve[0, 0, made.started] == pytest.approx([790.0, 590.0, 390.0, 190.0])


@pytest.mark.parametrize("pressure", [3e5, 6e5, 9e5, 1e6])
@pytest.mark.parametrize("ratio", [0.5, 0.9, 1.0])
def test_porous_flow_is_the_simulators(pressure: float, ratio: float) -> None:
    # the same law written twice: here, and in the simulator
    here = porous_flow(np.array([pressure]), 1e5, np.array([1e6]), np.array([np.log(ratio)]))
    there = law_factor("porous", pressure, 1e5, 1e6, ratio)
    assert here[0] == pytest.approx(max(there, LEAST_FLOW), rel=1e-12)


def test_porous_flow_without_a_pressure_is_unknown() -> None:
    assert np.isnan(porous_flow(np.array([np.nan]), 1e5, np.array([1e6]), np.array([0.0]))[0])
