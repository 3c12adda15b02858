"""analysis.bank against an independent Kalman filter (filterpy) and generalised least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter

from analysis.bank import Bank, innovations, new_bank, predict, update

STATES, SECTIONS, MODELS, SHAPES, READINGS = 4, 2, 3, 2, 40


@dataclass
class Problem:
    """A random linear model for every section and model, its readings and the curves of two leaks."""

    mean: np.ndarray
    covariance: np.ndarray
    decay: np.ndarray  # (T, M, N)
    process: np.ndarray  # (T, S, M, N)
    regressor: np.ndarray  # (T, S, M, N)
    noise: np.ndarray  # (T, S)
    reading: np.ndarray  # (T, S, M)
    curve: np.ndarray  # (T, S, M, J)
    use: np.ndarray  # (T, S)


def problem(seed: int, missing: float = 0.2) -> Problem:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(SECTIONS, MODELS, STATES, STATES))
    square = root @ np.swapaxes(root, -1, -2) + 0.1 * np.eye(STATES)
    start = np.cumsum(rng.uniform(0.0, 0.2, (READINGS, SECTIONS, MODELS, SHAPES)), axis=0)
    return Problem(
        mean=rng.normal(size=(SECTIONS, MODELS, STATES)),
        covariance=0.5 * (square + np.swapaxes(square, -1, -2)),  # symmetric to the bit
        decay=rng.uniform(0.8, 1.0, (READINGS, MODELS, STATES)),
        process=rng.uniform(0.0, 0.05, (READINGS, SECTIONS, MODELS, STATES)),
        regressor=rng.normal(size=(READINGS, SECTIONS, MODELS, STATES)),
        noise=rng.uniform(0.05, 0.5, (READINGS, SECTIONS)),
        reading=rng.normal(scale=2.0, size=(READINGS, SECTIONS, MODELS)),
        curve=start,
        use=rng.uniform(size=(READINGS, SECTIONS)) >= missing,
    )


def run(given: Problem) -> Bank:
    bank = new_bank(given.mean, given.covariance, SHAPES)
    for t in range(READINGS):
        predict(bank, given.decay[t], given.process[t])
        update(bank, given.reading[t], given.regressor[t], given.noise[t], given.curve[t], given.use[t])
    return bank


def filtered(
    given: Problem, s: int, m: int, extra: float | None = None, shape: int = 0
) -> tuple[KalmanFilter, float]:
    """Return filterpy's filter after all readings and its log-likelihood; `extra`: prior variance of a loss state."""
    size = STATES + (extra is not None)
    kf = KalmanFilter(dim_x=size, dim_z=1)
    kf.x = np.zeros((size, 1))
    kf.x[:STATES, 0] = given.mean[s, m]
    kf.P = np.zeros((size, size))
    kf.P[:STATES, :STATES] = given.covariance[s, m]
    if extra is not None:
        kf.P[-1, -1] = extra
    log_likelihood = 0.0
    for t in range(READINGS):
        kf.F = np.eye(size)
        kf.F[:STATES, :STATES] = np.diag(given.decay[t, m])
        kf.Q = np.zeros((size, size))
        kf.Q[:STATES, :STATES] = np.diag(given.process[t, s, m])
        kf.predict()
        if not given.use[t, s]:
            continue
        kf.H = np.zeros((1, size))
        kf.H[0, :STATES] = given.regressor[t, s, m]
        if extra is not None:
            kf.H[0, -1] = given.curve[t, s, m, shape]
        kf.R = np.array([[given.noise[t, s]]])
        kf.update(np.array([[given.reading[t, s, m]]]))
        log_likelihood += float(kf.log_likelihood)
    return kf, log_likelihood


@pytest.mark.parametrize("seed", [1, 2])
def test_mean_covariance_and_likelihood(seed: int) -> None:
    # independent library: filterpy.kalman.KalmanFilter (Joseph form), missing readings left out
    given = problem(seed)
    bank = run(given)
    for s in range(SECTIONS):
        for m in range(MODELS):
            kf, log_likelihood = filtered(given, s, m)
            np.testing.assert_allclose(bank.mean[s, m], kf.x[:, 0], rtol=1e-9, atol=1e-9)
            np.testing.assert_allclose(bank.covariance[s, m], kf.P, rtol=1e-9, atol=1e-9)
            assert bank.log_likelihood[s, m] == pytest.approx(log_likelihood, rel=1e-9)
    np.testing.assert_array_equal(bank.count, given.use.sum(axis=0))


def test_covariance_stays_symmetric_and_positive_over_a_long_soak() -> None:
    # 4000 updates, more than two weeks of bins; the tolerance is rounding, the property is a covariance's own
    given = problem(10)
    bank = new_bank(given.mean, given.covariance, SHAPES)
    for i in range(4000):
        t = i % READINGS
        predict(bank, given.decay[t], given.process[t])
        update(bank, given.reading[t], given.regressor[t], given.noise[t], given.curve[t], given.use[t])
    flipped = np.swapaxes(bank.covariance, -1, -2)
    np.testing.assert_allclose(bank.covariance, flipped, rtol=1e-12, atol=1e-14)
    assert (np.linalg.eigvalsh(bank.covariance) > 0.0).all()


def test_innovations_are_those_of_the_filter_and_change_nothing() -> None:
    given = problem(3)
    bank = new_bank(given.mean, given.covariance, SHAPES)
    before = bank.mean.copy(), bank.covariance.copy()
    got, variance = innovations(bank, given.reading[0], given.regressor[0], given.noise[0])
    for s in range(SECTIONS):
        for m in range(MODELS):
            h = given.regressor[0, s, m]  # y - h·x and h·P·h + r, the textbook formulas
            assert got[s, m] == pytest.approx(given.reading[0, s, m] - h @ given.mean[s, m], rel=1e-12)
            assert variance[s, m] == pytest.approx(h @ given.covariance[s, m] @ h + given.noise[0, s])
    np.testing.assert_array_equal(bank.mean, before[0])
    np.testing.assert_array_equal(bank.covariance, before[1])
    everyone = np.ones(SECTIONS, dtype=np.bool_)
    out = update(bank, given.reading[0], given.regressor[0], given.noise[0], given.curve[0], everyone)
    np.testing.assert_allclose(out, got / np.sqrt(variance), rtol=1e-12)
    np.testing.assert_allclose(bank.chi_square, got**2 / variance, rtol=1e-12)


@pytest.mark.parametrize("seed", [4, 5])
@pytest.mark.parametrize("shape", range(SHAPES))
def test_loss_by_signature_is_the_loss_as_a_state(seed: int, shape: int) -> None:
    # independent: filterpy with the loss as one more constant state whose prior is wide; the wide prior leaves
    # 1/(prior·information) of the difference, which is taken out by the same prior on our side
    given = problem(seed)
    bank = run(given)
    prior = 1e6
    for s in range(SECTIONS):
        for m in range(MODELS):
            kf, log_likelihood = filtered(given, s, m, prior, shape)
            precision = bank.information[s, m, shape] + 1.0 / prior
            loss = bank.projection[s, m, shape] / precision
            assert loss == pytest.approx(float(kf.x[-1, 0]), rel=1e-6)
            assert 1.0 / precision == pytest.approx(float(kf.P[-1, -1]), rel=1e-6)
            # the other states once the loss is known: what the bank says less the loss's share in them
            mean = bank.mean[s, m] - loss * bank.signature[s, m, :, shape]
            np.testing.assert_allclose(mean, kf.x[:STATES, 0], rtol=1e-6, atol=1e-6)
            # evidence for that leak over none, as analysis.evidence has it
            gain = 0.5 * bank.projection[s, m, shape] * loss - 0.5 * np.log(prior * precision)
            assert bank.log_likelihood[s, m] + gain == pytest.approx(log_likelihood, rel=1e-6)


@pytest.mark.parametrize("shape", range(SHAPES))
def test_loss_by_signature_is_generalised_least_squares(shape: int) -> None:
    # independent: the readings' whole covariance matrix, built by hand, and Aitken's formula (textbook)
    given = problem(6)
    bank = run(given)
    for s in range(SECTIONS):
        for m in range(MODELS):
            used = np.flatnonzero(given.use[:, s])
            # states at time t as a linear function of the state before the first step and of all process noise
            x_mean, joint = given.mean[s, m].copy(), given.covariance[s, m].copy()
            means, blocks = [], []
            for t in range(READINGS):
                x_mean = given.decay[t, m] * x_mean
                joint = np.diag(given.decay[t, m]) @ joint @ np.diag(given.decay[t, m])
                joint = joint + np.diag(given.process[t, s, m])
                means.append(x_mean)
                blocks.append(joint)
            covariance = np.empty((len(used), len(used)))
            for a, t in enumerate(used):
                for b, u in enumerate(used[: a + 1]):
                    carried = np.prod(given.decay[u + 1 : t + 1, m], axis=0)
                    value = (given.regressor[t, s, m] * carried) @ blocks[u] @ given.regressor[u, s, m]
                    covariance[a, b] = covariance[b, a] = value
            covariance += np.diag(given.noise[used, s])
            rest = given.reading[used, s, m] - np.array([given.regressor[t, s, m] @ means[t] for t in used])
            curve = given.curve[used, s, m, shape]
            weighted = np.linalg.solve(covariance, curve)
            assert bank.information[s, m, shape] == pytest.approx(weighted @ curve, rel=1e-6)
            assert bank.projection[s, m, shape] == pytest.approx(weighted @ rest, rel=1e-6, abs=1e-9)
            # and the likelihood without a leak is that of one multivariate normal
            _, log_determinant = np.linalg.slogdet(2.0 * np.pi * covariance)
            chi_square = rest @ np.linalg.solve(covariance, rest)
            assert bank.chi_square[s, m] == pytest.approx(chi_square, rel=1e-9)
            assert bank.log_likelihood[s, m] == pytest.approx(-0.5 * (log_determinant + chi_square), rel=1e-9)


@pytest.mark.parametrize("garbage", [0.0, 1e9])
def test_no_reading_changes_nothing(garbage: float) -> None:
    given = problem(7)
    bank = run(given)
    untouched = run(given)
    nobody = np.zeros(SECTIONS, dtype=np.bool_)
    full = np.full((SECTIONS, MODELS), garbage)
    out = update(bank, full, given.regressor[0], given.noise[0], given.curve[0], nobody)
    assert not out.any()
    for name in Bank.__slots__:
        np.testing.assert_array_equal(getattr(bank, name), getattr(untouched, name), err_msg=name)


def test_one_missing_section_leaves_the_other_alone() -> None:
    given = problem(8, missing=0.0)
    both = run(given)
    given.use[10:, 1] = False
    one = run(given)
    for name in Bank.__slots__:
        np.testing.assert_array_equal(getattr(one, name)[0], getattr(both, name)[0], err_msg=name)
    assert one.count[1] == 10
    assert not np.allclose(one.mean[1], both.mean[1])


def test_a_missing_reading_that_is_nan_does_not_spread() -> None:
    given = problem(9)
    plain = run(given)
    given.reading[~given.use] = np.nan
    marked = run(given)
    for name in Bank.__slots__:
        np.testing.assert_array_equal(getattr(marked, name), getattr(plain, name), err_msg=name)
