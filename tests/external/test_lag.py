"""analysis.lag and analysis.effects against closed forms of a first-order system and numerical integration."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from analysis.effects import SUN_PARTS, sun_parts, warmth
from analysis.lag import lag_step


def follow(inputs: np.ndarray, step_s: float, time_constant_s: float, first: float = 0.0) -> np.ndarray:
    """Run the lag over a row of input readings."""
    state, out = np.array(first), [first]
    for start, end in itertools.pairwise(inputs):
        state = lag_step(state, np.array(start), np.array(end), step_s, np.array(time_constant_s))
        out.append(float(state))
    return np.array(out)


@pytest.mark.parametrize("steps", [1, 7, 500])
def test_step(steps: int) -> None:
    # exp(-t/tau) of the step is left (textbook; e.g. Holman, Experimental Methods for Engineers, problem 2.29,
    # tau = 10 s: 90 % after 23.03 s, 99 % after 46.05 s, recomputed as tau·ln 10 and tau·ln 100)
    for time_s, share in ((23.0259, 0.90), (46.0517, 0.99)):
        state = follow(np.ones(steps + 1), time_s / steps, 10.0)[-1]
        assert state == pytest.approx(share, abs=1e-6)


def test_step_of_a_thermometer_bead() -> None:
    # Lienhard, A Heat Transfer Textbook, example 1.4 (read second-hand): bead of tau = 1.116 s, 20 to 200 °C:
    # T = 200 - 180·exp(-t/1.116)
    reading = lag_step(np.array(20.0), np.array(200.0), np.array(200.0), 2.0, np.array(1.116))
    assert float(reading) == pytest.approx(200.0 - 180.0 * math.exp(-2.0 / 1.116), abs=1e-9)


@pytest.mark.parametrize(("minutes", "deviation"), [(0.1, 0.0787), (1.0, 0.1987), (60.0, 0.2)])
def test_ramp(minutes: float, deviation: float) -> None:
    # Coughanowr, Process Systems Analysis and Control: thermometer of tau = 0.2 min in a bath that warms by 1 K/min;
    # it lags by 0.0787 K at 0.1 min, 0.1987 K at 1 min, at most by 0.2 K (problem read, answers recomputed)
    reading = lag_step(np.array(0.0), np.array(0.0), np.array(minutes), minutes * 60.0, np.array(12.0))
    assert minutes - float(reading) == pytest.approx(deviation, abs=5e-5)


@pytest.mark.parametrize("steps", [1, 2, 60])
def test_ramp_after_a_start_elsewhere(steps: int) -> None:
    # y = a + b·(t - tau) + (y0 - a + b·tau)·exp(-t/tau), from tau·dy/dt = a + b·t - y by hand
    a, b, tau, first, end = 5.0, -0.01, 3000.0, 22.0, 7200.0
    got = follow(a + b * np.linspace(0.0, end, steps + 1), end / steps, tau, first)[-1]
    expected = a + b * (end - tau) + (first - a + b * tau) * math.exp(-end / tau)
    assert got == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("tau_s", "period_s", "gain", "delay_s"),
    [
        # Holman, problem 2.30: tau = 10 s at 0.01 Hz: gain 0.84673, phase 32.14° = 8.928 s (problem read, recomputed)
        (10.0, 100.0, 0.84673, 32.142 / 360.0 * 100.0),
        # a day: gain 1/sqrt(1 + (omega·tau)²), delay atan(omega·tau)/omega, computed once and written down
        (3600.0, 86_400.0, 0.96740, 0.978 * 3600.0),
        (7200.0, 86_400.0, 0.88591, 1.842 * 3600.0),
    ],
)
def test_sinusoid(tau_s: float, period_s: float, gain: float, delay_s: float) -> None:
    steps_per_period, periods = 1000, 12
    step_s = period_s / steps_per_period
    time_s = np.arange(steps_per_period * periods + 1) * step_s
    omega = 2.0 * np.pi / period_s
    out = follow(np.sin(omega * time_s), step_s, tau_s)
    last = slice(-steps_per_period, None)
    # amplitude and phase by projection on the two quadratures of the last period
    sine = 2.0 * np.mean(out[last] * np.sin(omega * time_s[last]))
    cosine = 2.0 * np.mean(out[last] * np.cos(omega * time_s[last]))
    assert math.hypot(sine, cosine) == pytest.approx(gain, abs=2e-5)
    assert math.atan2(-cosine, sine) / omega == pytest.approx(delay_s, rel=1e-3)


def test_any_cut_of_a_straight_line_gives_the_same() -> None:
    # exact for a straight input: one step of an hour is sixty of a minute
    once = lag_step(np.array(290.0), np.array(280.0), np.array(270.0), 3600.0, np.array(1900.0))
    many = follow(np.linspace(280.0, 270.0, 61), 60.0, 1900.0, 290.0)[-1]
    assert many == pytest.approx(float(once), rel=1e-13)


def test_no_time_and_much_time() -> None:
    # limits of the equation: nothing happens in no time; after 1000 lags the input is reached, minus the ramp's lag
    same = lag_step(np.array(3.0), np.array(7.0), np.array(7.0), 0.0, np.array([10.0, 1e4]))
    np.testing.assert_array_equal(same, [3.0, 3.0])
    late = lag_step(np.array(3.0), np.array(0.0), np.array(1000.0), 1000.0, np.array(1.0))
    assert float(late) == pytest.approx(999.0, abs=1e-9)


def test_lag_of_many_time_constants_against_an_integrator() -> None:
    # independent: scipy's solver on the same straight pieces
    knots_s = np.array([0.0, 300.0, 900.0, 1500.0, 4000.0])
    inputs = np.array([10.0, 4.0, 6.0, 6.0, -5.0])
    taus_s = np.array([60.0, 1200.0, 7400.0])
    state = np.full(3, 15.0)
    for i in range(len(knots_s) - 1):
        state = lag_step(
            state, np.array(inputs[i]), np.array(inputs[i + 1]), knots_s[i + 1] - knots_s[i], taus_s
        )
    solution = np.full(3, 15.0)
    for i in range(len(knots_s) - 1):
        solution = solve_ivp(
            lambda t, x: (np.interp(t, knots_s, inputs) - x) / taus_s,
            (knots_s[i], knots_s[i + 1]),
            solution,
            rtol=1e-10,
            atol=1e-10,
        ).y[:, -1]
    np.testing.assert_allclose(state, solution, atol=1e-6)


@pytest.mark.parametrize("fading_s", [600.0, 5400.0, 18_000.0])
def test_warmth_is_the_lagged_fading_heat(fading_s: float) -> None:
    # independent: scipy's quadrature of the convolution int exp(-u/f)·exp(-(t-u)/tau)/tau du
    lags_s = np.array([1200.0, 3000.0, 7400.0])
    for elapsed_s in (0.0, 300.0, 3600.0, 30_000.0):
        ours = warmth(elapsed_s, fading_s, lags_s)
        for got, tau_s in zip(ours, lags_s, strict=True):
            expected, _ = quad(
                lambda u, tau=tau_s, t=elapsed_s: math.exp(-u / fading_s - (t - u) / tau) / tau,
                0.0,
                elapsed_s,
                epsabs=1e-12,
            )
            assert got == pytest.approx(expected, abs=1e-9)


def test_warmth_by_an_integrator() -> None:
    # independent: scipy's solver on tau·dx/dt = exp(-t/f) - x
    solved = solve_ivp(
        lambda t, x: (math.exp(-t / 5400.0) - x) / 1900.0, (0.0, 9000.0), [0.0], rtol=1e-10, atol=1e-12
    )
    assert warmth(9000.0, 5400.0, np.array([1900.0]))[0] == pytest.approx(solved.y[0, -1], abs=1e-8)


@pytest.mark.parametrize("lag_s", [5400.0, 5400.3, 5399.5])
def test_warmth_where_both_times_are_equal(lag_s: float) -> None:
    # the limit of the formula, by hand: x = t/tau·exp(-t/tau)
    expected = 4000.0 / 5400.0 * math.exp(-4000.0 / 5400.0)
    assert warmth(4000.0, 5400.0, np.array([lag_s]))[0] == pytest.approx(expected, abs=2e-4)


def test_the_sun_shines_by_day_and_in_its_order() -> None:
    # own regression of what the docstring says: bumps around 09:40, 12:00, 14:20, nothing by night, period a day
    hours = np.arange(0.0, 24.0, 1.0 / 60.0)
    parts = np.array([sun_parts(3600.0 * hour) for hour in hours])
    assert parts.shape == (len(hours), SUN_PARTS)
    np.testing.assert_allclose(hours[parts.argmax(axis=0)], [9.667, 12.0, 14.333], atol=0.02)
    assert not parts[(hours < 7.3) | (hours > 16.7)].any()
    np.testing.assert_allclose(sun_parts(12.5 * 3600.0), sun_parts(12.5 * 3600.0 - 86_400.0))
    # overlapping cos² bumps add up to one between the outer two's centres: sin² + cos² = 1
    inner = (hours > 9.7) & (hours < 14.3)
    np.testing.assert_allclose(parts[inner].sum(axis=1), 1.0, atol=2e-3)
