"""When and how a section loses gas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logger.virtual.leaks import Leak, cumulative, gate, law_factor, simple_loss

TIME_S = np.arange(0.0, 36_000.0, 60.0)


def test_a_constant_leak_loses_its_fraction() -> None:
    leak = Leak("a", 0.02 / 86400.0)
    loss = simple_loss((leak,), ("a", "b"), TIME_S, np.full((len(TIME_S), 2), 290.0))
    lost = cumulative(loss, 60.0)
    assert lost[-1, 0] == pytest.approx(0.02 * TIME_S[-1] / 86400.0, rel=1e-12)
    assert not lost[:, 1].any()


def test_leaks_of_one_section_add_up() -> None:
    leaks = (Leak("a", 1e-6), Leak("a", 2e-6, begin_s=18_000.0))
    loss = simple_loss(leaks, ("a",), TIME_S, np.full((len(TIME_S), 1), 290.0))
    assert loss[0, 0] == pytest.approx(1e-6)
    assert loss[-1, 0] == pytest.approx(3e-6)


def test_a_late_leak_opens_when_it_should() -> None:
    opened = gate(Leak("a", 1e-6, begin_s=600.0, rise_s=600.0), TIME_S, np.full(len(TIME_S), 290.0))
    assert opened[10] == 0.0
    assert opened[15] == pytest.approx(0.5)
    assert opened[20] == 1.0


def test_cold_onset() -> None:
    gas_K = np.linspace(280.0, 256.0, len(TIME_S))
    opened = gate(Leak("a", 1e-6, below_K=268.0, width_K=0.5), TIME_S, gas_K)
    assert opened[gas_K > 269.0].max() < 1e-3
    assert opened[gas_K < 267.0].min() > 1.0 - 1e-3
    assert np.interp(-268.0, -gas_K, opened) == pytest.approx(0.5, abs=0.02)
    # 10 % to 90 % within the width
    assert np.interp(-267.75, -gas_K, opened) == pytest.approx(0.9, abs=0.01)


def test_hysteresis_keeps_a_leak_open_on_the_way_back() -> None:
    gas_K = np.concatenate([np.linspace(275.0, 265.0, 300), np.linspace(265.0, 275.0, 300)])
    leak = Leak("a", 1e-6, below_K=268.0, width_K=0.1, hysteresis_K=2.0)
    opened = gate(leak, TIME_S, gas_K)
    at_269 = np.abs(gas_K - 269.0) < 0.02
    down, up = opened[:300][at_269[:300]], opened[300:][at_269[300:]]
    assert down.max() < 0.01
    assert up.min() > 0.99
    assert opened[-1] < 0.01


def test_laws_begin_at_one_and_end_at_nothing() -> None:
    for law in ("porous", "orifice"):
        assert law_factor(law, 9e5, 1e5, 9e5, 1.0) == pytest.approx(1.0)  # type: ignore[arg-type]
        assert law_factor(law, 1e5, 1e5, 9e5, 0.1) == 0.0  # type: ignore[arg-type]
    assert law_factor("fraction", 1e5, 1e5, 9e5, 0.1) == 1.0


def test_porous_flow_goes_with_the_difference_of_squares() -> None:
    # laminar flow of a gas ∝ p² − p_a², so at half the absolute pressure (25 − 1)/(100 − 1) of the flow
    assert law_factor("porous", 5e5, 1e5, 10e5, 0.5) == pytest.approx(24.0 / 99.0 / 0.5)


def test_choked_flow_goes_with_the_pressure() -> None:
    # an ideal nozzle, κ = 1.4, chokes at p_a/p = 0.528 (any textbook); above, flow ∝ p
    assert law_factor("orifice", 4e5, 1e5, 8e5, 0.5) == pytest.approx(1.0)
    assert law_factor("orifice", 1.88e5, 1e5, 8e5, 1.88 / 8.0) < 1.0
    assert law_factor("orifice", 1.90e5, 1e5, 8e5, 1.90 / 8.0) == pytest.approx(1.0)


def test_impossible_leaks_are_refused() -> None:
    with pytest.raises(ValueError, match="can't be negative"):
        Leak("a", -1e-6)
    assert math.isclose(Leak("a", 0.0).loss_per_s, 0.0)
