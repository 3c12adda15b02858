"""Beliefs about the beginning exchanged after the fact, against a bank that had begun with them."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.bank import Bank, new_bank, predict, update
from analysis.beginning import STATES_AT_BEGIN, Beginning, common_beginning, log_sum, plain_view, views
from analysis.priors import Priors

STATES, MODELS, SHAPES, READINGS = 6, 2, 3, 30
AT = list(STATES_AT_BEGIN)
WIDE = (np.array([2.0, 1.0, 0.5]), np.diag([36.0, 16.0, 9.0]))


def run(mean: np.ndarray, covariance: np.ndarray, seed: int) -> Bank:
    """A bank after readings that depend on the seed alone; the states at the beginning don't change."""
    rng = np.random.default_rng(seed)
    m0, P0 = np.zeros((2, MODELS, STATES)), np.zeros((2, MODELS, STATES, STATES))
    P0[:] = np.diag([1.0, 0, 0, 0, 0.5, 0.3])
    m0[..., AT] = mean
    P0[:, :, 1:4, 1:4] = covariance
    bank = new_bank(m0, P0, SHAPES)
    decay = np.ones((MODELS, STATES))
    decay[:, 5] = 0.9
    process = np.zeros((2, MODELS, STATES))
    process[..., 5] = 0.05
    curve = np.cumsum(rng.uniform(0.0, 0.3, (READINGS, 2, MODELS, SHAPES)), axis=0)
    for t in range(READINGS):
        predict(bank, decay, process)
        regressor, reading = rng.normal(size=(2, MODELS, STATES)), rng.normal(size=(2, MODELS), scale=3.0)
        update(bank, reading, regressor, np.array([0.2, 0.3]), curve[t], np.array([True, t % 4 > 0]))
    return bank


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    "belief", [Beginning(0, 1.0, (0.0, 1.2), (0.1, 0.5)), Beginning(1, 1.0, (3.0, 2.5), (4.0, 2.0), 0.7)]
)
def test_as_if_it_had_begun_so(seed: int, belief: Beginning) -> None:
    # truth made by another road: the whole bank run again from the narrow prior
    keep = [1, 2, 3, 5]
    told = plain_view(run(*belief.normal(), seed), keep)
    other = Beginning(0, 1.0, (1.0, 1.0), (1.0, 1.0))
    got = views(run(*WIDE, seed), keep, [other.normal(), belief.normal()], WIDE)[1]
    for name in ("information", "projection", "log_likelihood", "signature", "mean", "covariance"):
        np.testing.assert_allclose(getattr(got, name), getattr(told, name), rtol=1e-9, atol=1e-9)


def test_a_wider_belief_is_refused() -> None:
    bank = run(*WIDE, 1)
    with pytest.raises(ValueError, match="narrower"):
        views(bank, [1], [(WIDE[0], 2.0 * WIDE[1])], WIDE)


def test_the_priors_beliefs_are_narrower_and_sum_to_one() -> None:
    priors = Priors()
    assert sum(b.weight for b in priors.beginnings) == pytest.approx(1.0)
    wide = np.linalg.inv(priors.wide_beginning()[1])
    for belief in priors.beginnings:
        assert np.linalg.eigvalsh(np.linalg.inv(belief.normal()[1]) - wide).min() > 0.0


def test_sections_of_one_car_tell_each_other_what_it_did() -> None:
    beliefs = (Beginning(0, 0.5, (0, 1), (0, 1)), Beginning(1, 0.5, (3, 1), (0, 1)))
    # the first section is sure of the second belief, the other two know nothing
    evidence = np.array([[0.0, 0.0, 0.0], [20.0, 0.0, 0.0]])
    log_weight = evidence + np.log(0.5) + common_beginning(evidence + np.log(0.5), beliefs) - np.log(0.5)
    second = np.exp(log_weight[1] - log_sum(log_weight, (0,)))
    assert second[0] > 0.999
    # by hand: 0.9 share the car's belief, 0.1 have their own, half of which agrees by chance; and so the first does
    agree = 0.95
    assert second[1] == pytest.approx(agree * agree + (1.0 - agree) * (1.0 - agree), abs=1e-6)


def test_a_log_sum_of_nothing_is_nothing() -> None:
    with np.errstate(all="raise"):
        np.testing.assert_array_equal(
            log_sum(np.array([[-np.inf, -np.inf], [0.0, -np.inf]]), (1,)), [-np.inf, 0.0]
        )
