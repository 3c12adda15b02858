"""The verdict, by the decision rules of JCGM 106:2012: a statement only where the probability of it is 95 %.

JCGM 106 section 7 gives the conformance probability of a quantity with a known distribution; section 8 the rule of a
guarded acceptance: accept if that probability reaches an agreed level. Here both "tight" and "leaking" are guarded.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, sqrt
from typing import Final, Literal

from analysis.reasons import Reason

Verdict = Literal["tight", "leaking", "undecided"]

CONFIDENCE: Final = 0.95
# Two heights by hand can't contradict each other as a night of readings can: more is asked of them (own choice).
CONFIDENCE_BY_HAND: Final = 0.99
# Below this a soak is no soak, whatever its interval says (common practice, no source).
SHORTEST_h: Final = 4.0
# A leak that isn't fast isn't told from the gas that cools after the begin before that (own choice).
EARLIEST_LEAK_h: Final = 1.5
# Before a soak is one, who looks at every minute sees 95 % now and then: as much is asked as by the alarm.
EARLY_CONFIDENCE: Final = 0.998
# A soak with less of its time measured than this proves nothing about the rest.
LEAST_SHARE: Final = 0.6
# After the last height by hand nothing is known (own choice).
LEAST_SHARE_BY_HAND: Final = 0.8
# A section that seems to gain more than this share of the threshold, as good as surely, is no tight one: something is
# wrong with what was read, and may hide a leak.
GAIN: Final = 0.25
GAIN_SURE: Final = 0.975
# Squared innovations per reading beyond this: the readings do what no model here describes. Own study: in 96 sections
# of blocked and 96 of standing nights the largest was 1.22.
MISFIT: Final = 1.6
# A leak that is probable but small over the whole recording (late, or only in the cold) forbids "tight".
LEAK_SUSPECTED: Final = 0.5


def conformance_probability(
    value: float, uncertainty: float, lower: float | None = None, upper: float | None = None
) -> float:
    """Return the probability that a normal quantity lies within its limits, JCGM 106:2012 section 7.

    >>> round(conformance_probability(-5.47, 0.05, upper=-5.40), 4)  # JCGM 106:2012 7.3.2, example
    0.9192
    """
    if not uncertainty > 0.0:
        raise ValueError("an uncertainty must be positive")
    below = 1.0 if upper is None else _phi((upper - value) / uncertainty)
    under = 0.0 if lower is None else _phi((lower - value) / uncertainty)
    return below - under


def _phi(z: float) -> float:
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))


@dataclass(frozen=True)
class Conditions:
    """What a verdict rests on besides the loss; probabilities from the estimator, times in hours, temperatures in °C."""

    probability_over: float | None  # that the mean loss is over the threshold; None = the loss can't be known
    probability_leaks_over: float  # that it leaks over the threshold while it leaks
    hours: float
    hours_used: float
    planned_hours: float | None = None
    coldest_degC: float | None = None
    planned_cold_degC: float | None = None
    lost_fast: bool = False  # in a burst, or faster than cooling can explain
    probability_gains: float = 0.0  # that it gains gas, by more than GAIN of the threshold
    misfit: float = 1.0  # squared innovations per reading, in their own variance
    contradiction: str | None = None  # between what was read: no verdict either way
    by_hand: bool = False  # judged by a few heights that a person has measured
    probability_over_net: float | None = (
        None  # as `probability_over`, if what went up makes room for what went down
    )
    doubts: tuple[Reason, ...] = ()  # no verdict either way
    air_doubt: Reason | None = None  # of the temperature that all sections have in common
    differs: bool = False  # loses more than its neighbours, whatever that temperature was
    against_tight: tuple[Reason, ...] = ()
    borne_out: bool = True  # a leak by hand: more than two heights speak for it
    neighbours_gain_per_s: float = 0.0  # the most that one of them seems to gain beyond doubt
    surely_over_per_s: float | None = None  # low end of the interval over the limit

    @property
    def least_share(self) -> float:
        """How much of the time must have been measured."""
        return LEAST_SHARE_BY_HAND if self.by_hand else LEAST_SHARE

    @property
    def too_warm(self) -> bool:
        """The gas was to get colder than it got."""
        planned, got = self.planned_cold_degC, self.coldest_degC
        return planned is not None and (got is None or got > planned)

    @property
    def confidence(self) -> float:
        """How sure a verdict must be."""
        return CONFIDENCE_BY_HAND if self.by_hand else CONFIDENCE


def decide(conditions: Conditions) -> tuple[Verdict, list[Reason]]:
    """Return the verdict and what stands in the way of a better one."""
    over = conditions.probability_over
    against = _against_any(conditions)
    if over is None or against:
        return "undecided", against
    net = over if conditions.probability_over_net is None else conditions.probability_over_net
    if conditions.differs or min(over, net) >= conditions.confidence:
        against = [] if conditions.differs else _against_leaking(conditions)
        return ("undecided" if against else "leaking"), against
    against = _against_tight(conditions, over)
    return ("undecided" if against else "tight"), against


def _against_any(conditions: Conditions) -> list[Reason]:
    """What forbids any verdict."""
    out = list(conditions.doubts)
    if conditions.contradiction is not None:
        out.append(Reason("contradiction", conditions.contradiction))
    if not out and conditions.air_doubt is not None and not conditions.differs:
        out = [conditions.air_doubt, *doubts(conditions)]
    return out


def _against_leaking(conditions: Conditions) -> list[Reason]:
    early = conditions.hours < SHORTEST_h and (conditions.probability_over or 0.0) < EARLY_CONFIDENCE
    if (conditions.hours < EARLIEST_LEAK_h or early) and not conditions.lost_fast:
        # warm gas that cools looks the same, and so does a car that was rolled out before anybody looked
        return [Reason("begin_unclear", "how warm the gas was at the begin can't be told from a leak yet")]
    if conditions.neighbours_gain_per_s > (conditions.surely_over_per_s or 0.0):
        # what makes a neighbour gain may make this one lose
        return doubts(conditions)
    if not conditions.borne_out:
        one_slip = "two heights say that it leaks, and one slip of the tape would, too: measure once more"
        return [Reason("near_threshold", one_slip)]
    return []


def _against_tight(conditions: Conditions, over: float) -> list[Reason]:
    reasons = doubts(conditions)
    if over >= conditions.confidence:
        reasons.insert(
            0,
            Reason(
                "fall_unexplained",
                "it lost gas in a step, but a step up stands beside it: was it a refill, a load or the sensor? "
                "Say what was done (cornerhold soak note), or soak again",
            ),
        )
    elif over > 1.0 - conditions.confidence:
        reasons.insert(0, Reason("near_threshold", "the loss is not known well enough against the threshold"))
    needed = conditions.planned_hours if conditions.planned_hours is not None else SHORTEST_h
    if conditions.hours < needed - 1e-6:
        reasons.append(Reason("too_short", f"the soak lasted {conditions.hours:.1f} h of {needed:.1f} h"))
    if conditions.too_warm:
        got = conditions.coldest_degC
        reached = "an unknown temperature" if got is None else f"{got:.1f} °C"
        reasons.append(
            Reason(
                "not_cold_enough",
                f"the gas was to reach {conditions.planned_cold_degC:.1f} °C and reached {reached}",
            )
        )
    return reasons


def doubts(conditions: Conditions) -> list[Reason]:
    """Return what stands against "tight" besides the loss and the plan: what standing longer alone won't mend."""
    reasons = list(conditions.against_tight)
    if conditions.lost_fast:
        reasons.append(Reason("lost_fast", "gas was lost fast for a while (see its alarms)"))
    elif conditions.probability_leaks_over > LEAK_SUSPECTED:
        reasons.append(
            Reason(
                "leaks_at_times",
                "it probably leaks over the threshold during a part of the time, though not on the mean",
            )
        )
    if conditions.probability_gains > GAIN_SURE:
        reasons.append(
            Reason(
                "gains_gas",
                "it seems to gain gas, which a closed section can't: a sensor or a temperature is not what it seems",
            )
        )
    if conditions.misfit > MISFIT:
        reasons.append(
            Reason(
                "misfit",
                f"the readings stray {conditions.misfit:.1f} times as much (squared) as cooling, noise and a leak "
                "explain: look at its plot for what moves them",
            )
        )
    if conditions.hours_used < conditions.least_share * conditions.hours:
        reasons.append(
            Reason(
                "too_few_readings",
                f"only {conditions.hours_used:.1f} h of {conditions.hours:.1f} h have usable readings",
            )
        )
    return reasons
