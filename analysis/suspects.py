"""Which component leaks, from several soaks that enclosed different ones: exact enumeration over component states.

A component is tight, or leaks at any temperature, or leaks only below an onset. All that soaks can tell of it is at which
of the temperatures that were reached it leaks, so its state is the warmest of them at which it does, or none. A section
leaks if any component that it encloses does. All combinations of states are weighed, prior by likelihood; components
that no section has in common, directly or by others, are weighed apart, which is the same and cheaper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

Array = NDArray[np.float64]

LEAKS: Final = 0.15
"""Prior probability that a component leaks (common practice, no source; a job's file may say otherwise)."""
ONLY_COLD: Final = 0.5
"""Share of leaks that open only below some temperature: the typical intermittent one (no source)."""
ONSET_degC: Final = (5.0, -30.0)
"""Between which that temperature lies, evenly (no source)."""
BLUNDER: Final = 0.02
"""Probability that a soak tells nothing of what it is said to enclose: a valve not shut, a wrong note (no source)."""
CLEARED, PROBABLE, ACCUSED = 0.05, 0.8, 0.95
RIGHT: Final = 0.5
"""A verdict that is right with less than this, in the light of all, contradicts the others."""
VERDICT_ERRS: Final = 0.01
"""How often a bare verdict is wrong: it claims at most 5 %, the study found at most 1 of 200."""
MOST_STATES: Final = 4_000_000
ERROR: Final = 0.05
"""Of the next soak's verdict."""


@dataclass(frozen=True)
class Observation:
    """What one section showed at its coldest: ln of the likelihood of it if the section leaks, and if it is tight."""

    soak: str
    section: str
    encloses: frozenset[str]
    temperature_degC: float
    verdict: str
    log_leaks: float
    log_tight: float


@dataclass(frozen=True)
class Posterior:
    """What is known of the components; `leaks` by component and temperature (warmest first), probabilities."""

    temperatures_degC: tuple[float, ...]
    leaks: Mapping[str, Array]
    right: tuple[float, ...]
    """For each observation, the probability that its section leaks at its temperature."""
    following: frozenset[str]
    """What to isolate next; empty if it would tell next to nothing."""
    following_leaks: float
    """With which probability that would be found leaking."""


def prior_of(leaks: float, temperatures: Sequence[float]) -> Array:
    """Return the prior of a component's states, (m + 1,): it leaks first at the k-th temperature, or at none (the last).

    >>> [round(float(p), 3) for p in prior_of(0.2, [5.0, -12.5])]
    [0.1, 0.05, 0.85]
    """
    warm, cold = ONSET_degC
    # how probable it is that an onset lies at or above each temperature
    above = [min(max((warm - t) / (warm - cold), 0.0), 1.0) for t in temperatures]
    by = [leaks * (1.0 - ONLY_COLD + ONLY_COLD * share) for share in above]
    return np.diff(np.array([0.0, *by, 1.0], dtype=np.float64))


def groups_of(components: Iterable[str], observations: Sequence[Observation]) -> list[list[str]]:
    """Return components in groups that share no section, in the order in which they were named."""
    groups: list[set[str]] = [{name} for name in components]
    for one in observations:
        joined = [group for group in groups if group & one.encloses]
        groups = [group for group in groups if not group & one.encloses]
        groups.append(set().union(*joined))
    order = {name: i for i, name in enumerate(components)}
    return sorted((sorted(group, key=order.__getitem__) for group in groups), key=lambda g: order[g[0]])


def weigh(priors: Mapping[str, float], observations: Sequence[Observation]) -> Posterior:
    """Weigh all combinations of states of all components (`priors`: probability that each leaks)."""
    temperatures = tuple(sorted({one.temperature_degC for one in observations}, reverse=True))
    leaks: dict[str, Array] = {}
    right = np.full(len(observations), np.nan)
    best: tuple[float, int, frozenset[str], float] = (0.0, 0, frozenset(), 0.0)
    for names in groups_of(priors, observations):
        group = _Group(names, temperatures, priors)
        own = [(i, one) for i, one in enumerate(observations) if one.encloses & set(names)]
        for _, one in own:
            group.learn(one)
        group.normalise()
        for name in names:
            leaks[name] = np.array([group.leaking({name}, j) for j in range(len(temperatures))])
        for i, one in own:
            right[i] = group.leaking(one.encloses, temperatures.index(one.temperature_degC))
        for subset in subsets(names):
            p = group.leaking(subset, len(temperatures) - 1)
            gain = information(p)
            # of two that tell as much the smaller is the shorter job
            best = max(best, (round(gain, 6), -len(subset), frozenset(subset), p), key=lambda b: b[:2])
    following = best[2] if best[0] > 0.02 else frozenset()
    return Posterior(temperatures, leaks, tuple(right.tolist()), following, best[3])


def subsets(names: Sequence[str]) -> list[set[str]]:
    """Return what could be isolated: every set of a small group; of a large one, each alone and each pair."""
    if len(names) <= 7:
        return [{name for i, name in enumerate(names) if mask >> i & 1} for mask in range(1, 1 << len(names))]
    return [{a, b} for i, a in enumerate(names) for b in names[i:]]


def information(leaking: float) -> float:
    """Return what a soak tells in bits that is found leaking with this probability, if verdicts err with `ERROR`.

    The mutual information of a binary symmetric channel: H(p') - H(e) (textbook).

    >>> round(information(0.5), 3), round(information(0.0), 3)
    (0.714, 0.0)
    """
    said = leaking * (1.0 - ERROR) + (1.0 - leaking) * ERROR
    return _entropy(said) - _entropy(ERROR)


def _entropy(p: float) -> float:
    return -sum(q * math.log2(q) for q in (p, 1.0 - p) if q > 0.0)


class _Group:
    """The joint probability of the states of some components: one axis each."""

    def __init__(
        self, names: Sequence[str], temperatures: Sequence[float], priors: Mapping[str, float]
    ) -> None:
        states = len(temperatures) + 1
        if states ** len(names) > MOST_STATES:
            raise PlainError(
                f"{len(names)} components hang together in sections ({names[0]}, {names[1]}, …) at "
                f"{len(temperatures)} temperatures: too many combinations; take soaks or components away"
            )
        self.names, self.states = list(names), states
        weight: Array = np.ones((states,) * len(names))
        for i, name in enumerate(names):
            weight = weight * self._along(i, prior_of(priors[name], temperatures))
        with np.errstate(divide="ignore"):
            self.log = np.log(weight)
        self.temperatures = list(temperatures)
        self.weight = weight

    def _along(self, axis: int, values: Array) -> Array:
        shape = [1] * len(self.names)
        shape[axis] = self.states
        return values.reshape(shape)

    def _tight(self, encloses: Iterable[str], index: int) -> Array:
        """Return 1 where none of these components leaks at a temperature, broadcastable."""
        none = np.ones((1,) * len(self.names))
        for name in encloses:
            none = none * self._along(
                self.names.index(name), np.asarray(np.arange(self.states) > index, dtype=np.float64)
            )
        return none

    def learn(self, one: Observation) -> None:
        tight = self._tight(one.encloses, self.temperatures.index(one.temperature_degC))
        both = np.logaddexp(one.log_leaks, one.log_tight) - math.log(2.0)
        told = [
            np.logaddexp(math.log(1.0 - BLUNDER) + log, math.log(BLUNDER) + both)
            for log in (one.log_leaks, one.log_tight)
        ]
        self.log = self.log + np.where(tight > 0.5, told[1], told[0])

    def normalise(self) -> None:
        weight = np.exp(self.log - self.log.max())
        self.weight = weight / weight.sum()

    def leaking(self, components: Iterable[str], index: int) -> float:
        """Return the probability that any of these leaks at a temperature."""
        return float(1.0 - (self.weight * self._tight(components, index)).sum())


def log_likelihoods(loss: float, deviation: float, threshold: float) -> tuple[float, float]:
    """Return ln of the likelihood of an estimated loss if the section leaks, and if it is tight; all per day.

    Leaking: the true loss is log-uniform from the threshold to a hundred times it; tight: even from none up to it.
    """
    evenly: Array = (np.arange(400, dtype=np.float64) + 0.5) / 400.0
    over: Array = threshold * np.exp(math.log(100.0) * evenly)
    under = threshold * evenly
    return _mean_log(loss, deviation, over), _mean_log(loss, deviation, under)


def _mean_log(loss: float, deviation: float, true: Array) -> float:
    log = -0.5 * ((loss - true) / deviation) ** 2
    top = float(log.max())
    return top + math.log(float(np.exp(log - top).mean()))


def verdict_likelihoods(verdict: str) -> tuple[float, float]:
    """Return the same for a bare verdict; undecided says nothing."""
    right, wrong = math.log(1.0 - VERDICT_ERRS), math.log(VERDICT_ERRS)
    return {"leaking": (right, wrong), "tight": (wrong, right)}.get(verdict, (0.0, 0.0))
