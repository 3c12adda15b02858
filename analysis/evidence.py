"""From the bank to what is known of the loss: weights of all models and shapes, and the loss under each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.beginning import View, common_beginning, log_sum, plain_view, views
from analysis.mixture import normal_cdf

if TYPE_CHECKING:
    from analysis.bank import Bank
    from analysis.priors import Priors

Array = NDArray[np.float64]

# A shape whose leak was open for a smaller share of the time than this has not been tried by the soak.
EXPRESSED_SHARE = 0.02
LEAST_WEIGHT = 1e-9


@dataclass(frozen=True)
class Evidence:
    """All arrays (S, M, J) unless said; per section the weights of all models and leak shapes sum to one.

    The weights compare the shapes of a leak among themselves, with a wide prior on the loss and no weight on "no
    leak at all": so the interval of the loss is not narrowed by hoping for a tight section. What the data say about
    "no leak at all" is in `log_odds`.
    """

    weight: Array
    mean_loss_per_s: Array  # over the recording
    mean_deviation_per_s: Array
    loss_per_s: Array  # while it leaks
    loss_deviation_per_s: Array
    share: Array  # of the time, leaking
    log_odds: Array  # (S,) ln of the evidence for a leak of any shape over that for none
    beginnings: int = 1  # M runs over all models for the first belief about the beginning, then for the next

    def by_model(self, values: Array) -> Array:
        """Sum `values` (S, M, J) over shapes and beliefs about the beginning: one per model of the bank."""
        sections, rows = values.shape[:2]
        return np.asarray(
            values.sum(axis=2).reshape(sections, self.beginnings, rows // self.beginnings).sum(axis=1)
        )

    def probability_over(self, limit_per_s: Array) -> Array:
        """Return P(mean loss over the recording > limit) of each section, (S,)."""
        z = (self.mean_loss_per_s - limit_per_s[:, None, None]) / self.mean_deviation_per_s
        return _weighted_cdf(self.weight, z)

    def probability_leaks_over(self, limit_per_s: Array, prior_leak: float) -> Array:
        """Return P(it leaks, and while it leaks loses more than the limit), "no leak" included, (S,)."""
        z = (self.loss_per_s - limit_per_s[:, None, None]) / self.loss_deviation_per_s
        over = _weighted_cdf(self.weight, z)
        log_prior_odds = np.log(prior_leak / (1.0 - prior_leak))
        leak = 1.0 / (1.0 + np.exp(-np.clip(self.log_odds + log_prior_odds, -500.0, 500.0)))
        return np.asarray(over * leak)


def weigh(
    bank: Bank,
    *,
    curve: Array,
    elapsed_s: float,
    log_model: Array,
    groups: tuple[int, int, int],
    beyond: tuple[tuple[int, Array], ...],
    priors: Priors,
    plain: bool = False,
) -> Evidence:
    """Weigh models (M) and shapes (J) of all sections.

    `curve` (S, M, J) seconds each shape has been leaking, `log_model` (M) prior of the models, `groups` how many
    shapes are steady, by temperature, by start; `beyond`: states that add to the gas lost, and by how much each (S,);
    `plain`: by the prior that the bank runs with, without the beliefs about the beginning.

    Per model and shape the loss is a straight line's slope with a normal prior N(0, s²) and information I and
    projection b from the bank: loss = b/(I + 1/s²), evidence factor exp(b²/(2(I + 1/s²)))/(s·sqrt(I + 1/s²)). The prior
    is set on the mean over the recording, so that a shape that leaks seldom is not favoured for being uncertain.
    """
    index = [state for state, _ in beyond]
    c = np.stack([amount for _, amount in beyond], axis=1) / elapsed_s  # (S, K)
    share, log_shape = _shapes(curve / elapsed_s, groups, priors)
    spread = priors.mean_loss_per_s / np.maximum(share, EXPRESSED_SHARE)
    views = _views(bank, index, priors, plain=plain)
    parts = [_part(one, c, share, spread, log_shape + log_model[:, None]) for one in views]
    log_weight = np.stack([part.log_weight for part in parts])  # (C, S, M, J)
    log_base = np.stack([log_model + one.log_likelihood for one in views])  # (C, S, M)
    if len(views) > 1:
        say = common_beginning(log_sum(log_weight, (2, 3)), priors.beginnings)
        log_weight += say[:, :, None, None]
        log_base += say[:, :, None]
    whole, tight = log_sum(log_weight, (0, 2, 3)), log_sum(log_base, (0, 2))
    weight = np.exp(log_weight - whole[None, :, None, None])
    return Evidence(
        weight=_joined(weight),
        mean_loss_per_s=_joined(np.stack([part.mean for part in parts])),
        mean_deviation_per_s=_joined(np.stack([part.mean_deviation for part in parts])),
        loss_per_s=_joined(np.stack([part.loss for part in parts])),
        loss_deviation_per_s=_joined(np.stack([part.deviation for part in parts])),
        share=np.tile(share, (1, len(parts), 1)),
        log_odds=whole - tight,
        beginnings=len(parts),
    )


def _joined(array: Array) -> Array:
    """(C, S, M, J) as (S, C·M, J)."""
    return np.concatenate(list(array), axis=1)


def mean_states(bank: Bank, evidence: Evidence, keep: list[int], priors: Priors) -> Array:
    """Return the mean of the states `keep` under each model, over beliefs and shapes of a leak, (S, M, K).

    `evidence` must be of this bank as it is now.
    """
    views = _views(bank, keep, priors, plain=evidence.beginnings == 1)
    sections, models = bank.mean.shape[:2]
    weight = evidence.weight.reshape(sections, len(views), models, -1)
    loss = evidence.loss_per_s.reshape(weight.shape)
    total = np.zeros((sections, models, len(keep)))
    for c, one in enumerate(views):
        w = weight[:, c]
        # under a leak the states are those without one, less what the leak did to them
        total += w.sum(axis=-1)[..., None] * one.mean
        total -= np.matmul(one.signature, (w * loss[:, c])[..., None])[..., 0]
    return np.asarray(total / np.maximum(weight.sum(axis=(1, 3)), 1e-300)[..., None])


def misfit(bank: Bank, evidence: Evidence) -> Array:
    """Return each section's squared innovation per reading, in its own variance, under the likeliest model, (S,).

    About one where the model holds; the likeliest leak is taken out. `evidence` must be of this bank as it is now.
    """
    sections, _, shapes = evidence.weight.shape
    weight = evidence.weight.reshape(sections, evidence.beginnings, -1, shapes).sum(axis=1)
    model, shape = np.unravel_index(weight.reshape(sections, -1).argmax(axis=1), weight.shape[1:])
    each = np.arange(sections)
    leak = bank.projection[each, model, shape] ** 2 / np.maximum(bank.information[each, model, shape], 1e-300)
    return np.asarray((bank.chi_square[each, model] - leak) / np.maximum(bank.count, 1.0))


def _views(bank: Bank, keep: list[int], priors: Priors, *, plain: bool) -> list[View]:
    if plain or not priors.beginnings:
        return [plain_view(bank, keep)]
    return views(bank, keep, [one.normal() for one in priors.beginnings], priors.wide_beginning())


def _shapes(share: Array, groups: tuple[int, int, int], priors: Priors) -> tuple[Array, Array]:
    """Return the share of the time each shape was leaking and the ln of its prior weight, (S, M, J) each."""
    expressed = share > EXPRESSED_SHARE
    log_shape = np.full(share.shape, -np.inf)
    first = 0
    for size, total in zip(groups, priors.shape_weights, strict=True):
        group = slice(first, first + size)
        seen = expressed[..., group]
        number = np.maximum(seen.sum(axis=-1, keepdims=True), 1)
        log_shape[..., group] = np.where(seen, np.log(total / number), -np.inf)
        first += size
    log_shape[..., 0] = np.where(np.isfinite(log_shape).any(axis=-1), log_shape[..., 0], 0.0)
    return share, log_shape


@dataclass(frozen=True)
class _Part:
    """What one belief about the beginning says, (S, M, J) each."""

    log_weight: Array
    loss: Array
    deviation: Array
    mean: Array
    mean_deviation: Array


def _part(one: View, c: Array, share: Array, spread: Array, log_prior: Array) -> _Part:
    precision = one.information + spread**-2
    loss = one.projection / precision
    log_weight = (
        one.log_likelihood[..., None]
        + log_prior
        + 0.5 * one.projection * loss
        - 0.5 * np.log(spread**2 * precision)
    )
    deviation = 1.0 / np.sqrt(precision)
    # The loss over the recording is share·loss + sum of c·state, and what is known of the states leans on the loss.
    lean = share - np.matmul(c[:, None, None, :], one.signature)[:, :, 0]
    mean = loss * lean + np.einsum("smk,sk->sm", one.mean, c)[..., None]
    variance = (lean * deviation) ** 2 + np.einsum("sk,smkl,sl->sm", c, one.covariance, c)[..., None]
    return _Part(log_weight, loss, deviation, mean, np.sqrt(np.maximum(variance, 1e-30)))


def _weighted_cdf(weight: Array, z: Array) -> Array:
    """Return the sum over models and shapes of weight · normal_cdf(z), (S,); weights that can't matter are left out."""
    out = np.empty(len(weight))
    for i, (w, at) in enumerate(zip(weight, z, strict=True)):
        keep = w > LEAST_WEIGHT
        out[i] = (w[keep] * normal_cdf(at[keep])).sum() / w[keep].sum()
    return out
