"""What the car did before it was left, as beliefs that are weighed after the fact.

The bank runs with one wide prior for the gas temperature at the start and for the heat of the engine bay. Those states
never change, so the prior can be exchanged at any later time: by Bayes' rule the ratio of a narrower normal prior to the
wide one is the likelihood of a pseudo-reading of the state, and taking it is one more linear update. A car that
rested in the shop and one that came in from a drive are so told apart by evidence, and all sections of one car tell it
together: that is what neighbours share most of.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.effects import HEAT_FAST, HEAT_SLOW, OFFSET

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.bank import Bank

Array = NDArray[np.float64]

STATES_AT_BEGIN: Final = (OFFSET, HEAT_FAST, HEAT_SLOW)
TOGETHER: Final = 0.9


@dataclass(frozen=True)
class Beginning:
    """A belief about offset and heat at the beginning, K: normal, the heat along one way of fading."""

    car: int  # which belief about the whole car it belongs to
    weight: float
    offset_K: tuple[float, float]  # mean and standard deviation
    heat_K: tuple[float, float]  # the same, of fast and slow together
    fast: float = 0.5  # share of the fast one: how soon the heat fades
    loose_K: float = 0.3  # how far fast and slow may stray from it, each

    def normal(self) -> tuple[Array, Array]:
        """Mean (3,) and covariance (3, 3) of OFFSET, HEAT_FAST, HEAT_SLOW."""
        way = np.array([0.0, self.fast, 1.0 - self.fast])
        mean = np.array([self.offset_K[0], 0.0, 0.0]) + self.heat_K[0] * way
        spread = np.diag([self.offset_K[1] ** 2, self.loose_K**2, self.loose_K**2])
        return mean, spread + self.heat_K[1] ** 2 * np.outer(way, way)


@dataclass(frozen=True)
class View:
    """The bank as a belief about the beginning sees it; of the states only K are kept."""

    information: Array  # (S, M, J)
    projection: Array  # (S, M, J)
    log_likelihood: Array  # (S, M)
    signature: Array  # (S, M, K, J)
    mean: Array  # (S, M, K)
    covariance: Array  # (S, M, K, K)


def plain_view(bank: Bank, keep: list[int]) -> View:
    """The bank as it is."""
    return View(
        bank.information,
        bank.projection,
        bank.log_likelihood,
        bank.signature[:, :, keep],
        bank.mean[..., keep],
        bank.covariance[:, :, keep][..., keep],
    )


def views(
    bank: Bank, keep: list[int], beliefs: Sequence[tuple[Array, Array]], wide: tuple[Array, Array]
) -> list[View]:
    """The bank, run with the `wide` prior of the three states, as if it had begun with each of the `beliefs`.

    All are mean (3,) and covariance (3, 3). Raises ValueError if a belief isn't narrower in every direction.
    """
    m0, P0 = wide
    reading, noise = (np.stack(part) for part in zip(*(_told(one, wide) for one in beliefs), strict=True))
    at = list(STATES_AT_BEGIN)
    signature = bank.signature[:, :, at]  # (S, M, 3, J)
    total = bank.covariance[:, :, at][..., at] + noise[:, None, None]  # (C, S, M, 3, 3)
    inverse = np.linalg.inv(total)
    miss = reading[:, None, None] - bank.mean[..., at]
    pulled = np.matmul(miss[..., None, :], inverse)  # (C, S, M, 1, 3)
    cross = bank.covariance[:, :, keep][..., at]  # (S, M, K, 3)
    gain = np.matmul(cross, inverse)
    # what the wide prior alone had expected of the pseudo-readings
    off = reading - m0
    expected = (off * np.linalg.solve(P0 + noise, off[..., None])[..., 0]).sum(axis=-1)
    expected += np.linalg.slogdet(P0 + noise)[1]
    surprise = (miss * pulled[..., 0, :]).sum(axis=-1) + np.linalg.slogdet(total)[1]
    # sᵀ·inverse·s of each signature from the six products of its parts: the same for all beliefs
    i, j = np.triu_indices(3)
    twice = np.where(i == j, 1.0, 2.0)
    squares = signature[:, :, i] * signature[:, :, j]
    parts = (
        bank.information + np.matmul((inverse[..., i, j] * twice)[..., None, :], squares)[..., 0, :],
        bank.projection - np.matmul(pulled, signature)[..., 0, :],
        bank.log_likelihood - 0.5 * (surprise - expected[:, None, None]),
        bank.signature[:, :, keep] - np.matmul(gain, signature),
        bank.mean[..., keep] + np.matmul(gain, miss[..., None])[..., 0],
        bank.covariance[:, :, keep][..., keep] - np.matmul(gain, np.swapaxes(cross, -1, -2)),
    )
    return [View(*one) for one in zip(*parts, strict=True)]


def _told(belief: tuple[Array, Array], wide: tuple[Array, Array]) -> tuple[Array, Array]:
    """Return the pseudo-reading that turns the wide prior into a belief, (3,), and its noise (3, 3)."""
    (m1, P1), (m0, P0) = belief, wide
    told = np.linalg.inv(P1) - np.linalg.inv(P0)
    if np.linalg.eigvalsh(told).min() <= 0.0:
        raise ValueError(
            "a belief about the beginning must be narrower than the prior that the bank runs with"
        )
    noise = np.linalg.inv(told)
    return noise @ (np.linalg.solve(P1, m1) - np.linalg.solve(P0, m0)), noise


def common_beginning(log_evidence: Array, beliefs: tuple[Beginning, ...]) -> Array:
    """Return what to add to the log evidence (C, S) of each belief so that sections speak with one another, (C, S).

    Given what the car did, a section's belief is one of the car's with probability TOGETHER, and else any.
    """
    weight = np.array([b.weight for b in beliefs])
    car_of = np.array([b.car for b in beliefs])
    cars = np.unique(car_of)
    member = car_of[None, :] == cars[:, None]  # (cars, C)
    prior = (member * weight).sum(axis=1)
    share = TOGETHER * member * weight / prior[:, None] + (1.0 - TOGETHER) * weight
    top = log_evidence.max(axis=0)
    told = np.log(share @ np.exp(log_evidence - top)) + top  # (cars, S)
    # what the prior and the other sections say of the car
    car = np.log(prior)[:, None] + told.sum(axis=1, keepdims=True) - told
    return np.asarray(np.log(share.T @ np.exp(car - car.max(axis=0))))


def log_sum(values: Array, axes: tuple[int, ...]) -> Array:
    """ln of the sum of exp over axes; -inf where nothing is."""
    top = values.max(axis=axes, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(values - top).sum(axis=axes)) + top.squeeze(axes))
