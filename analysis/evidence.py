"""From the bank to what is known of the loss: weights of all models and shapes, and the loss under each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.mixture import normal_cdf

if TYPE_CHECKING:
    from analysis.bank import Bank
    from analysis.priors import Priors

Array = NDArray[np.float64]

# A shape whose leak was open for a smaller share of the time than this has not been tried by the soak.
EXPRESSED_SHARE = 0.02


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

    def probability_over(self, limit_per_s: Array) -> Array:
        """Return P(mean loss over the recording > limit) of each section, (S,)."""
        z = (self.mean_loss_per_s - limit_per_s[:, None, None]) / self.mean_deviation_per_s
        return np.asarray((self.weight * normal_cdf(z)).sum(axis=(1, 2)))

    def probability_leaks_over(self, limit_per_s: Array, prior_leak: float) -> Array:
        """Return P(it leaks, and while it leaks loses more than the limit), "no leak" included, (S,)."""
        z = (self.loss_per_s - limit_per_s[:, None, None]) / self.loss_deviation_per_s
        over = (self.weight * normal_cdf(z)).sum(axis=(1, 2))
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
) -> Evidence:
    """Weigh models (M) and shapes (J) of all sections.

    `curve` (S, M, J) seconds each shape has been leaking, `log_model` (M) prior of the models, `groups` how many
    shapes are steady, by temperature, by start; `beyond`: states that add to the gas lost, and by how much each (S,).

    Per model and shape the loss is a straight line's slope with a normal prior N(0, s²) and information I and
    projection b from the bank: loss = b/(I + 1/s²), evidence factor exp(b²/(2(I + 1/s²)))/(s·sqrt(I + 1/s²)). The prior
    is set on the mean over the recording, so that a shape that leaks seldom is not favoured for being uncertain.
    """
    share = curve / elapsed_s
    expressed = share > EXPRESSED_SHARE
    log_shape = np.full(curve.shape, -np.inf)
    first = 0
    for size, total in zip(groups, priors.shape_weights, strict=True):
        group = slice(first, first + size)
        seen = expressed[..., group]
        number = np.maximum(seen.sum(axis=-1, keepdims=True), 1)
        log_shape[..., group] = np.where(seen, np.log(total / number), -np.inf)
        first += size
    log_shape[..., 0] = np.where(np.isfinite(log_shape).any(axis=-1), log_shape[..., 0], 0.0)
    spread = priors.mean_loss_per_s / np.maximum(share, EXPRESSED_SHARE)
    precision = bank.information + spread**-2
    loss = bank.projection / precision
    log_base = log_model + bank.log_likelihood  # (S, M)
    log_weight = (
        log_base[..., None] + log_shape + 0.5 * bank.projection * loss - 0.5 * np.log(spread**2 * precision)
    )
    top = log_weight.max(axis=(1, 2), keepdims=True)
    weight = np.exp(log_weight - top)
    total_weight = weight.sum(axis=(1, 2), keepdims=True)
    top_base = log_base.max(axis=1)
    log_tight = top_base + np.log(np.exp(log_base - top_base[:, None]).sum(axis=1))
    deviation = 1.0 / np.sqrt(precision)
    # The loss over the recording is share·loss + sum of c·state, and what is known of the states leans on the loss.
    index = [state for state, _ in beyond]
    c = np.stack([amount for _, amount in beyond], axis=1) / elapsed_s  # (S, K)
    lean = share - np.einsum("smjk,sk->smj", bank.signature[..., index], c)
    mean = loss * lean + np.einsum("smk,sk->sm", bank.mean[..., index], c)[..., None]
    joint = bank.covariance[:, :, index][..., index]
    variance = (lean * deviation) ** 2 + np.einsum("sk,smkl,sl->sm", c, joint, c)[..., None]
    return Evidence(
        weight=weight / total_weight,
        mean_loss_per_s=mean,
        mean_deviation_per_s=np.sqrt(np.maximum(variance, 1e-30)),
        loss_per_s=loss,
        loss_deviation_per_s=deviation,
        share=share,
        log_odds=(top[:, 0, 0] + np.log(total_weight[:, 0, 0])) - log_tight,
    )
