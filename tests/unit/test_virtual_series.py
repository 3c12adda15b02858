"""First-order responses against closed forms, recurrences against the loop, noise against statistics."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logger.virtual.series import episodes, lagged, recurrence, wandering


def test_recurrence_is_the_plain_loop() -> None:
    rng = np.random.default_rng(5)
    for count in (2, 3, 17, 1000):
        decay, drive = rng.uniform(0.0, 1.0, (count - 1, 3)), rng.normal(size=(count - 1, 3))
        start = rng.normal(size=3)
        y = [start]
        for a, b in zip(decay, drive, strict=True):
            y.append(a * y[-1] + b)
        np.testing.assert_allclose(recurrence(decay, drive, start), np.array(y), rtol=1e-12, atol=1e-12)


def test_recurrence_stays_finite_where_products_vanish() -> None:
    out = recurrence(np.full((50_000, 1), 1e-3), np.ones((50_000, 1)), np.array([7.0]))
    assert out[-1, 0] == pytest.approx(1.0 / (1.0 - 1e-3), rel=1e-12)  # geometric series


def test_step_response() -> None:
    # y = y∞ + (y₀ − y∞)·exp(−t/τ), closed form; τ = 10 s: t90 = 23.03 s, t99 = 46.05 s, as printed solutions
    # of Holman, Experimental Methods, problem 2.29 have it
    t = np.arange(0.0, 100.0, 0.01)
    y = lagged(np.full((len(t), 1), 120.0), 0.01, np.array([10.0]), np.array([30.0]))[:, 0]
    np.testing.assert_allclose(y, 120.0 - 90.0 * np.exp(-t / 10.0), rtol=1e-10)
    assert t[np.argmax(y >= 30.0 + 0.90 * 90.0)] == pytest.approx(23.03, abs=0.02)
    assert t[np.argmax(y >= 30.0 + 0.99 * 90.0)] == pytest.approx(46.05, abs=0.02)


def test_ramp_response() -> None:
    # Coughanowr & Koppel's thermometer: τ = 0.2 min, 1 per min: deviation 0.0787 at 0.1 min, 0.1987 at 1 min
    t = np.arange(0.0, 1.0001, 0.05)
    y = lagged(t[:, None], 0.05, np.array([0.2]), np.array([0.0]))[:, 0]
    np.testing.assert_allclose(y, t - 0.2 + 0.2 * np.exp(-t / 0.2), atol=1e-12)
    assert t[2] - y[2] == pytest.approx(0.0787, abs=5e-5)
    assert t[-1] - y[-1] == pytest.approx(0.1987, abs=5e-5)


@pytest.mark.parametrize(
    ("lag_h", "gain", "delay_h"),
    # day cycle, closed form: gain 1/√(1 + ω²τ²), delay atan(ωτ)/ω
    [(0.5, 0.99154, 0.497), (1.0, 0.96740, 0.978), (2.0, 0.88591, 1.842), (4.0, 0.69062, 3.088)],
)
def test_sinusoid_response(lag_h: float, gain: float, delay_h: float) -> None:
    omega = math.tau / 24.0
    t = np.arange(0.0, 24.0 * 6, 1.0 / 60.0)
    y = lagged(np.sin(omega * t)[:, None], 1.0 / 60.0, np.array([lag_h]), np.array([0.0]))[-1440:, 0]
    basis = np.stack([np.sin(omega * t[-1440:]), np.cos(omega * t[-1440:])], axis=1)
    (a, b), *_ = np.linalg.lstsq(basis, y, rcond=None)
    assert math.hypot(a, b) == pytest.approx(gain, abs=2e-5)
    assert -math.atan2(b, a) / omega == pytest.approx(delay_h, abs=1e-3)


def test_a_lag_that_changes_is_taken_step_by_step() -> None:
    t = np.arange(0.0, 7200.0, 60.0)
    lag = np.where(t < 3600.0, 600.0, 1200.0)[:, None]
    y = lagged(np.zeros((len(t), 1)), 60.0, lag, np.array([1.0]))[:, 0]
    assert y[59] == pytest.approx(math.exp(-59 * 60.0 / 600.0), rel=1e-9)
    assert y[-1] / y[60] == pytest.approx(math.exp(-59 * 60.0 / 1200.0), rel=1e-9)


def test_wandering_has_the_spread_and_the_memory_asked_for() -> None:
    rng = np.random.default_rng(11)
    sd, tau = np.array([0.5, 2.0]), np.array([1800.0, 7200.0])
    x = wandering(rng, 400_000, 60.0, sd, tau, settled=True)
    # Ornstein–Uhlenbeck: sd as given, autocorrelation exp(−Δ/τ); 400,000 min hold 3,333 of the
    # longer memories, so the sd is known to about 1/√(2·3333/2) ≈ 1.7 %: four times that
    np.testing.assert_allclose(x.std(axis=0), sd, rtol=0.07)
    for column, memory in enumerate(tau):
        shift = round(memory / 60.0)
        r = np.corrcoef(x[:-shift, column], x[shift:, column])[0, 1]
        assert r == pytest.approx(math.exp(-1.0), abs=0.05)
    assert not wandering(rng, 10, 60.0, sd, tau, settled=False)[0].any()


def test_episodes_come_as_often_as_asked() -> None:
    rng = np.random.default_rng(3)
    mask = episodes(rng, 1_000_000, 60.0, per_day=1.0, mean_s=1200.0)
    # 694 days with one episode of 20 min each: 1.39 % of the time; Poisson and exponential spread give 5 %
    assert mask.mean() == pytest.approx(1200.0 / 86400.0, rel=0.2)
