"""Do the sections agree with the air and with one another, and what may still be said where they don't?

The air's thermometer is a witness, not a judge. It is accused where the common part of what the sections do contradicts
it (analysis/witness.py), and where all seem to lose or gain alike: leaks of one size in all corners are rarer than a
thermometer that drifts, or gas that was warmer at the begin than anybody believed. Then no section is tight, and one
leaks only if it surely loses more than its neighbours: none of these can gain gas, so the difference is its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.reasons import Reason
from analysis.witness import hear
from logger.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from analysis.estimator import Estimator
    from analysis.evidence import Evidence
    from analysis.witness import Said

Array = NDArray[np.float64]

# All own choice; tests/evenings and tests/study hold what they do.
COMMON_PRIOR: Final = 0.03
LEAK_PRIOR: Final = 0.3
LEAKS_PER_DAY: Final = (0.05, 0.5)
TIGHT_PER_DAY: Final = 0.003
DRIFT_K: Final = 4.0
GAS_K: Final = 265.0
MOST_ALIKE: Final = 6
"""Sections that are compared: all combinations of who leaks are weighed."""
ALIKE: Final = 0.9
LEAKS_LOG_ODDS: Final = 3.0
WORTH_SAYING: Final = 0.5  # of the limit
DIFFERS: Final = 2.33  # standard deviations, one-sided 99 %
DIFFERS_SHARE: Final = 0.25  # of the common part: lags differ, so it is not quite common


@dataclass(frozen=True)
class Agreement:
    """What the sections say together."""

    doubt: Reason | None  # of the common temperature
    held: bool  # nobody is to be woken by what rests on it
    differs: NDArray[np.bool_]
    """(S,) loses more than its neighbours, by more than the limit, whatever the air was."""

    @property
    def trusted(self) -> bool:
        """The common temperature is believed."""
        return self.doubt is None


def agreement(
    estimator: Estimator, evidence: Evidence, limit_per_s: Array, usable: NDArray[np.bool_], elapsed_s: float
) -> Agreement:
    """Return what the sections that are `usable` (S,) say together of their common temperature."""
    said = _heard(estimator, evidence, usable)
    stepped = [bool(estimator.guard.own(i)) for i in range(len(usable))]
    alike = _alike(evidence, limit_per_s, usable, ~np.array(stepped), elapsed_s)
    more, deviation = _more_than_neighbours(said, usable)
    common = (
        0.0 if said is None else float(np.abs(np.median(said.loss_per_s[usable]))) if usable.any() else 0.0
    )
    differs = more - DIFFERS * deviation - DIFFERS_SHARE * common > limit_per_s
    doubt = None
    if estimator.guard.shared():
        doubt = Reason(
            "contradiction",
            "several sections jumped at one time, alike or up and down: that is no gas of one of them. Was the supply "
            "low, a unit or a plug changed, the car moved, or are they not shut off from one another?",
        )
    elif said is not None and said.contradicts:
        doubt = Reason(
            "air_doubtful",
            "all sections together contradict the air temperature: a sensor in the sun, indoors or unplugged, or a car "
            "that was moved? Check the air sensor and soak again",
        )
    elif alike is not None:
        what = "lose" if alike > 0.0 else "gain"
        doubt = Reason(
            "air_doubtful",
            f"all sections seem to {what} alike, about {abs(alike) * 100.0 * SECONDS_PER_DAY:.1f} %/day: that is less "
            "likely to be their gas than the air temperature, gas that was warmer at the begin, or corners that aren't "
            "shut off from one another; check these and soak again, longer",
        )
    # before the witnesses can be heard nobody is woken either
    unheard = said is None and usable.sum() > 1
    held = doubt is not None or unheard or (said is not None and said.doubtful)
    return Agreement(doubt, held, np.asarray(differs & usable))


def _heard(estimator: Estimator, evidence: Evidence, usable: NDArray[np.bool_]) -> Said | None:
    """Return what the sections say, each leak taken as a steady one, unless the likeliest shapes of few leaks explain it.

    A leak that opens in the cold looks like a wrong thermometer to a steady one's eyes. In all sections at once it is the
    thermometer that is wrong, and no shape may excuse it.
    """
    by_lag = evidence.by_model(evidence.weight).reshape(len(usable), estimator.lag_count, -1).sum(axis=2)
    lag_of, shape_of = by_lag.argmax(axis=1), evidence.weight.sum(axis=1).argmax(axis=1)
    said = hear(estimator, lag_of, np.zeros_like(shape_of), usable)
    leaking = usable & (evidence.log_odds > LEAKS_LOG_ODDS)
    if said is None or not said.doubtful or 2 * leaking.sum() > usable.sum():
        return said
    return hear(estimator, lag_of, shape_of, usable)


def _more_than_neighbours(said: Said | None, usable: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return how much more each section loses than the median of the others, and how sure that is, (S,) each."""
    count = len(usable)
    which = [int(j) for j in np.flatnonzero(usable)]
    more, deviation = np.full(count, -np.inf), np.full(count, np.inf)
    if said is None or usable.sum() < 2:
        return more, deviation
    losses = [float(loss) for loss in said.loss_per_s]
    for i in which:
        others = [j for j in which if j != i]
        order = sorted(others, key=losses.__getitem__)
        middle = [order[(len(order) - 1) // 2], order[len(order) // 2]]
        c = np.zeros(count)
        c[i] = 1.0
        for j in middle:
            c[j] -= 0.5
        more[i] = float(c @ said.loss_per_s)
        deviation[i] = float(np.sqrt(np.maximum(c @ said.covariance @ c, 1e-30)))
    return more, deviation


def _alike(
    evidence: Evidence,
    limit_per_s: Array,
    usable: NDArray[np.bool_],
    own: NDArray[np.bool_],
    elapsed_s: float,
) -> float | None:
    """Return the loss that all sections seem to have in common, if that is what they do; per s."""
    which = np.flatnonzero(usable & own)[:MOST_ALIKE]
    if len(which) < 2:
        return None
    w, m, s = (a[which] for a in (evidence.weight, evidence.mean_loss_per_s, evidence.mean_deviation_per_s))
    mean = (w * m).sum(axis=(1, 2))
    variance = (w * (s**2 + m**2)).sum(axis=(1, 2)) - mean**2
    log_odds, common = common_loss(
        mean * SECONDS_PER_DAY, variance * SECONDS_PER_DAY**2, DRIFT_K / GAS_K / (elapsed_s / SECONDS_PER_DAY)
    )
    common /= SECONDS_PER_DAY
    sure = log_odds > np.log(ALIKE / (1.0 - ALIKE))
    return common if sure and abs(common) > WORTH_SAYING * float(np.median(limit_per_s[which])) else None


def common_loss(mean: Array, variance: Array, drift: float) -> tuple[float, float]:
    """Return the log posterior odds that losses share a false part, and how large that is.

    `mean`, `variance` (S,) of the losses per day; `drift`: standard deviation of a false part. Each section is tight with
    a probability, else its loss is wide; all combinations are weighed, with and without a false part. Bayes' rule for
    normal distributions.

    >>> odds, common = common_loss(np.full(4, 0.025), np.full(4, 0.005**2), 0.026)
    >>> odds > 3.0, round(common, 3)
    (True, 0.025)
    >>> common_loss(np.array([0.0, 0.001, 0.06, 0.15]), np.full(4, 0.005**2), 0.026)[0] < -2.0
    True
    """
    count = len(mean)
    ones = np.ones((count, count))
    terms: dict[bool, list[tuple[float, float]]] = {False: [], True: []}
    widths = (TIGHT_PER_DAY, *LEAKS_PER_DAY)
    shares = np.log([1.0 - LEAK_PRIOR, *[LEAK_PRIOR / len(LEAKS_PER_DAY)] * len(LEAKS_PER_DAY)])
    for kinds in product(range(len(widths)), repeat=count):
        own = np.array([widths[k] for k in kinds]) ** 2
        prior = float(shares[list(kinds)].sum())
        for shared in (False, True):
            false = drift**2 if shared else 0.0
            total = np.diag(own + variance) + false * ones
            solved = np.linalg.solve(total, mean)
            log_density = -0.5 * (mean @ solved + np.linalg.slogdet(total)[1])
            terms[shared].append((prior + float(log_density), false * float(solved.sum())))
    logs = {shared: np.array([log for log, _ in found]) for shared, found in terms.items()}
    whole = {shared: float(np.logaddexp.reduce(log)) for shared, log in logs.items()}
    weight = np.exp(logs[True] - whole[True])
    odds = whole[True] - whole[False] + np.log(COMMON_PRIOR / (1.0 - COMMON_PRIOR))
    return float(odds), float(weight @ np.array([common for _, common in terms[True]]))
