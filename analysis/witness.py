"""Is the air's thermometer to be believed? What all sections do together is held against it.

The estimator's filters look at one section each and take the air as read. An air that is read wrongly moves all of them
alike: a sensor in the sun, indoors, stuck, or a car that was wheeled into a shed. Here the sections stand in one
filter, with one state more that they share, the error of the common temperature. Two beliefs about it are compared:
small and short (the thermometer is right), or kelvins for hours (it isn't). By Bayes' rule their evidence says which.

The filter runs over the half-hourly record of the estimator (analysis/trace.py), whenever somebody asks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.effects import DISTURBANCE, LAG, STATES, WOBBLE
from analysis.trace import SPACING_s

if TYPE_CHECKING:
    from analysis.estimator import Estimator
    from analysis.trace import Point

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Error:
    """A belief about the error of the common temperature: Ornstein-Uhlenbeck."""

    deviation_K: float
    time_s: float


HONEST: Final = (Error(0.25, 2.0 * 3600.0), Error(0.6, 2.0 * 3600.0))
WRONG: Final = (Error(2.0, 3.0 * 3600.0), Error(6.0, 8.0 * 3600.0))
"""Common practice, no source."""
BELIEFS: Final = (*HONEST, *WRONG)
LEAST_POINTS: Final = 4
# Evidence, in ln, that a wrong thermometer must gain over a right one since it went wrong (a CUSUM test; Page 1954, cited
# from memory). Own study: ordinary soaks stay under 4, errors of 4 K pass 10.
CONTRADICTS: Final = 8.0
CONTRADICTS_WITHOUT_ONE: Final = 5.0
DOUBTFUL: Final = 2.5
"""From here on nobody is woken by a leak that rests on that thermometer."""
OWN_K: Final = 0.35
OWN_TIME_s: Final = 7200.0
LAG_SPREAD: Final = 0.35
LOSS: Final = STATES
WIDTH: Final = STATES + 1


@dataclass(frozen=True)
class Said:
    """What the sections say of the air's thermometer."""

    evidence: float  # ln of the evidence gained by "it is wrong" since it went wrong
    least: float  # the same without the section that speaks for it most
    loss_per_s: Array  # (S,) means if it is wrong; what they have in common is then hardly known
    covariance: Array  # (S, S) of these

    @property
    def contradicts(self) -> bool:
        """Whether the thermometer is not to be believed."""
        return self.evidence > CONTRADICTS and self.least > CONTRADICTS_WITHOUT_ONE

    @property
    def doubtful(self) -> bool:
        """Whether nobody is to be woken by what rests on it."""
        return min(self.evidence, self.least) > DOUBTFUL


def hear(
    estimator: Estimator,
    lag_of: NDArray[np.intp],
    shape_of: NDArray[np.intp],
    usable: NDArray[np.bool_],
) -> Said | None:
    """Return what the sections say together; only those that are `usable` (S,) are heard.

    `lag_of`, `shape_of` (S,): the likeliest lag of the grid and shape of a leak of each. None: too little was read.
    """
    points = [p for p in estimator.trace.points if not p.reading.by_hand]
    count = len(estimator.sections)
    if usable.sum() < 2 or len(points) < LEAST_POINTS:
        return None
    runs = _Joint(estimator, points, lag_of, shape_of, usable)
    evidence, which = runs.gained()
    least = evidence
    if evidence > DOUBTFUL and usable.sum() > 2:
        # one whose leak no shape describes must not speak for all
        each = np.eye(count, dtype=np.bool_)[usable]
        others = (_Joint(estimator, points, lag_of, shape_of, usable & ~one) for one in each)
        least = min(other.gained()[0] for other in others)
    best = len(HONEST) + which
    losses = np.arange(count) * WIDTH + LOSS
    share = np.array([_leaked_s(estimator, points[-1], i, lag_of[i], shape_of[i]) for i in range(count)])
    share /= max(points[-1].time_s - estimator.begun_s, 1.0)
    return Said(
        evidence,
        least,
        share * runs.mean[best, losses],
        np.outer(share, share) * runs.covariance[best][np.ix_(losses, losses)],
    )


def _leaked_s(estimator: Estimator, point: Point, i: int, lag: np.intp, shape: np.intp) -> float:
    """Return how long section `i` had been leaking by a point, as a shape of a leak has it."""
    elapsed_s = point.time_s - estimator.begun_s
    shapes = estimator.shapes
    if shape == 0:
        return elapsed_s
    if shape < shapes.started.start:
        return float(point.curve_s[i, lag, shape - 1])
    start_s = float(shapes.starts_s[shape - shapes.started.start])
    return max(elapsed_s - start_s, 0.0) if np.isfinite(start_s) else elapsed_s


def _most_gained(gained: Array) -> tuple[float, int]:
    """Return the largest sum over a stretch of rows of any column of (T, K), and the column.

    >>> _most_gained(np.array([[1.0], [-3.0], [2.0], [2.5], [-1.0]]))
    (4.5, 0)
    """
    best, which = 0.0, 0
    total = np.zeros(gained.shape[1])
    for row in gained:
        total = np.maximum(total, 0.0) + row
        top = int(total.argmax())
        if total[top] > best:
            best, which = float(total[top]), top
    return best, which


class _Joint:
    """One Kalman filter over all sections for each belief (B,); states: WIDTH per section, then the common error."""

    def __init__(
        self,
        estimator: Estimator,
        points: list[Point],
        lag_of: NDArray[np.intp],
        shape_of: NDArray[np.intp],
        usable: NDArray[np.bool_],
    ) -> None:
        self.lag_of, self.shape_of = lag_of, shape_of
        self.count = len(estimator.sections)
        size = self.count * WIDTH + 1
        priors = estimator.priors
        mean, covariance = estimator.prior_states()
        each = np.arange(self.count)
        self.mean = np.zeros((len(BELIEFS), size))
        self.covariance = np.zeros((len(BELIEFS), size, size))
        for i in each:
            own = slice(i * WIDTH, i * WIDTH + STATES)
            self.mean[:, own] = mean[i]
            self.covariance[:, own, own] = covariance[i]
            at = i * WIDTH
            self.covariance[:, at + LAG, at + LAG] = LAG_SPREAD**2
            self.covariance[:, at + DISTURBANCE, at + DISTURBANCE] = OWN_K**2
            self.covariance[:, at + LOSS, at + LOSS] = priors.mean_loss_per_s**2
        self.covariance[:, -1, -1] = [b.deviation_K**2 for b in BELIEFS]
        self.log_evidence = np.zeros(len(BELIEFS))
        first_s = [
            min(
                [s.time_s for s in estimator.guard.own(i)]
                + [at_s for at_s, name in estimator.guard.noted if name == section.name],
                default=np.inf,
            )
            for i, section in enumerate(estimator.sections)
        ]
        self.until_s = np.where(usable, np.array(first_s) - SPACING_s, -np.inf)
        self.history = np.zeros((len(points), len(BELIEFS)))
        before: Point | None = None
        for k, point in enumerate(points):
            if before is not None:
                moved = point.lagged_K[lag_of] - before.lagged_K[lag_of]
                self._predict(point.time_s - before.time_s, moved, priors.structure)
            self._take(estimator, point)
            self.history[k] = self.log_evidence
            before = point

    def gained(self) -> tuple[float, int]:
        """Return the evidence that a wrong thermometer has gained over a right one, and which one."""
        honest = np.logaddexp.reduce(self.history[:, : len(HONEST)], axis=1) - np.log(len(HONEST))
        return _most_gained(np.diff(self.history[:, len(HONEST) :] - honest[:, None], axis=0, prepend=0.0))

    def _predict(self, step_s: float, moved_K: Array, structure: float) -> None:
        size = self.mean.shape[1]
        decay = np.ones((len(BELIEFS), size))
        process = np.zeros((len(BELIEFS), size))
        own = np.arange(self.count) * WIDTH + DISTURBANCE
        decay[:, own] = np.exp(-step_s / OWN_TIME_s)
        process[:, own] = OWN_K**2 * -np.expm1(-2.0 * step_s / OWN_TIME_s)
        # as many bins' worth as the estimator would have had
        share = structure**2 * min(1.0, 300.0 / step_s)
        process[:, own] += share * moved_K**2
        for b, belief in enumerate(BELIEFS):
            decay[b, -1] = np.exp(-step_s / belief.time_s)
            process[b, -1] = belief.deviation_K**2 * -np.expm1(-2.0 * step_s / belief.time_s)
        process[:, -1] += share * np.mean(moved_K) ** 2
        self.mean *= decay
        self.covariance *= decay[:, :, None] * decay[:, None, :]
        index = np.arange(size)
        self.covariance[:, index, index] += process

    def _take(self, estimator: Estimator, point: Point) -> None:
        lag_of = self.lag_of
        noise = estimator.noise_of(point.reading)
        for i in range(self.count):
            observed = point.observed[i, lag_of[i]]
            silent = not np.isfinite(observed) or not np.isfinite(noise[i])
            # whose gas went in a step is no witness of the temperature any more
            if silent or point.time_s > self.until_s[i]:
                continue
            h = np.zeros(self.mean.shape[1])
            at = i * WIDTH
            h[at : at + STATES] = point.regressor[i, lag_of[i]]
            h[at + WOBBLE] = 0.0
            h[at + LOSS] = -_leaked_s(estimator, point, i, lag_of[i], self.shape_of[i])
            h[-1] = point.regressor[i, lag_of[i], DISTURBANCE]
            spread = self.covariance @ h
            variance = spread @ h + noise[i]
            innovation = observed - self.mean @ h
            self.log_evidence -= 0.5 * (innovation**2 / variance + np.log(2.0 * np.pi * variance))
            self.mean += spread * (innovation / variance)[:, None]
            self.covariance -= spread[:, :, None] * (spread / variance[:, None])[:, None, :]
