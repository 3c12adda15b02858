"""The verdict against the examples of JCGM 106:2012, its own rule on both sides, and mixtures against scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from analysis.mixture import normal_cdf, quantile
from analysis.verdict import Conditions, conformance_probability, decide


@pytest.mark.parametrize(
    ("value", "uncertainty", "lower", "upper", "probability"),
    [
        # JCGM 106:2012, section 7, examples; data from memory, probabilities recomputed with scipy:
        # voltage of a Zener diode, upper limit
        (-5.47, 0.05, None, -5.40, 0.9192),
        # bursting pressure, lower limit, kPa
        (509.7, 8.6, 490.0, None, 0.9890),
        # kinematic viscosity of oil, an interval
        (13.6, 1.8, 12.5, 16.3, 0.6626),
        # guard band of two standard uncertainties, right at the acceptance limit: Phi(2)
        (10.0 - 2.0 * 0.3, 0.3, None, 10.0, 0.97725),
        # at the tolerance limit itself
        (10.0, 0.3, None, 10.0, 0.5),
        (10.0, 0.3, 10.0, None, 0.5),
    ],
)
def test_conformance_probability(
    value: float, uncertainty: float, lower: float | None, upper: float | None, probability: float
) -> None:
    ours = conformance_probability(value, uncertainty, lower, upper)
    assert ours == pytest.approx(probability, abs=5e-5)
    above = 1.0 if upper is None else norm.cdf(upper, value, uncertainty)
    below = 0.0 if lower is None else norm.cdf(lower, value, uncertainty)
    assert ours == pytest.approx(above - below, abs=1e-12)  # independent: scipy


def test_acceptance_limit_of_a_speed_measurement() -> None:
    # JCGM 106:2012, section 8, example (data from memory): limit 100 km/h, u = 2 % of the reading, 99.9 % confidence
    # that it is exceeded: 106.59, printed as about 107 km/h
    limit = brentq(lambda v: conformance_probability(v, 0.02 * v, lower=100.0) - 0.999, 100.0, 120.0)
    assert limit == pytest.approx(106.59, abs=0.01)


@pytest.mark.parametrize(
    ("guard", "consumer", "producer"),
    [
        # JCGM 106:2012, section 9, resistors of 1500 Ω: limits ±0.2 Ω, process u0 = 0.12, measurement um = 0.04 (data
        # read in a public script of the example; risks computed by the reference work). Without a guard band, with
        # one of um/2 and with one of um
        (0.0, 0.01894, 0.03721),
        (0.02, 0.00988, 0.06903),
        (0.04, 0.00433, 0.11466),
    ],
)
def test_global_risks_of_accepting_resistors(guard: float, consumer: float, producer: float) -> None:
    process_ohm, measurement_ohm, limit_ohm = 0.12, 0.04, 0.2
    # before any measurement: 0.9044 conform
    assert conformance_probability(0.0, process_ohm, -limit_ohm, limit_ohm) == pytest.approx(0.9044, abs=5e-5)

    def accepted(deviation_ohm: float) -> float:
        accept_ohm = limit_ohm - guard
        chance = conformance_probability(deviation_ohm, measurement_ohm, -accept_ohm, accept_ohm)
        return float(norm.pdf(deviation_ohm, scale=process_ohm)) * chance

    wrongly = 2.0 * quad(accepted, limit_ohm, 1.0)[0]
    rightly = 2.0 * quad(accepted, 0.0, limit_ohm)[0]
    conform = conformance_probability(0.0, process_ohm, -limit_ohm, limit_ohm)
    assert wrongly == pytest.approx(consumer, abs=1e-5)
    assert conform - rightly == pytest.approx(producer, abs=1e-5)


def test_the_rule_accepts_at_its_own_probability() -> None:
    """decide() is a guarded rule of JCGM 106 section 8 with 95 %: the acceptance limit is 1.645 u below the threshold."""
    # 1.6449: the 95 % quantile of the normal distribution, any table
    threshold, u = 0.02, 0.005
    for away, verdict in (
        (1.6460, "tight"),
        (1.6440, "undecided"),
        (-1.6440, "undecided"),
        (-1.6460, "leaking"),
    ):
        over = 1.0 - conformance_probability(threshold - away * u, u, upper=threshold)
        conditions = replace(GOOD, probability_over=over)
        assert decide(conditions)[0] == verdict, away


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, float("nan")])
def test_no_uncertainty_no_probability(uncertainty: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        conformance_probability(0.0, uncertainty, upper=1.0)


# -- the rule: the design's, P >= 0.95 and the soak was what was planned -------------------------------------

GOOD = Conditions(
    probability_over=0.001,
    probability_leaks_over=0.01,
    hours=14.0,
    hours_used=13.5,
    planned_hours=14.0,
    coldest_degC=-11.0,
    planned_cold_degC=-10.0,
)


def test_tight() -> None:
    assert decide(GOOD) == ("tight", [])


@pytest.mark.parametrize(
    ("field", "passes", "fails", "word"),
    [
        ("probability_over", 0.0499, 0.0501, "not known well enough"),
        ("probability_leaks_over", 0.5, 0.501, "part of the time"),
        ("hours", 14.0, 13.9, "lasted 13.9 h of 14.0 h"),
        ("hours_used", 0.6001 * 14.0, 0.5999 * 14.0, "usable readings"),
        ("coldest_degC", -10.0, -9.9, "reached -9.9 °C"),
        ("coldest_degC", -10.0, None, "unknown temperature"),
        ("lost_fast", False, True, "lost fast"),
        ("misfit", 1.6, 1.61, "stray 1.6 times"),
    ],
)
def test_each_condition_of_tight_on_both_sides(
    field: str, passes: float, fails: float | None, word: str
) -> None:
    assert decide(replace(GOOD, **{field: passes})) == ("tight", [])
    verdict, reasons = decide(replace(GOOD, **{field: fails}))
    assert verdict == "undecided"
    assert len(reasons) == 1
    assert word in reasons[0].sentence


@pytest.mark.parametrize(("hours", "verdict"), [(4.0, "tight"), (3.9, "undecided")])
def test_a_soak_without_a_plan_lasts_four_hours_at_least(hours: float, verdict: str) -> None:
    # four hours: own rule of this project (common practice, no source)
    free = replace(GOOD, hours=hours, hours_used=hours, planned_hours=None, planned_cold_degC=None)
    assert decide(free)[0] == verdict


def test_a_short_plan_is_a_plan() -> None:
    assert decide(replace(GOOD, hours=2.0, hours_used=2.0, planned_hours=2.0))[0] == "tight"


@pytest.mark.parametrize(
    ("over", "verdict"), [(0.9501, "leaking"), (0.9499, "undecided"), (0.5, "undecided")]
)
def test_leaking_on_both_sides(over: float, verdict: str) -> None:
    assert decide(replace(GOOD, probability_over=over))[0] == verdict


def test_a_leak_needs_neither_the_plan_nor_the_cold() -> None:
    # what was seen to leak leaks; a soak cut short does not take that back
    short = replace(
        GOOD, probability_over=0.999, hours=3.0, hours_used=1.0, coldest_degC=None, probability_leaks_over=1.0
    )
    assert decide(short) == ("leaking", [])


def test_a_loss_that_cannot_be_known_is_undecided_whatever_else() -> None:
    assert decide(replace(GOOD, probability_over=None)) == ("undecided", [])


def test_all_reasons_are_given() -> None:
    verdict, reasons = decide(
        Conditions(
            probability_over=0.3,
            probability_leaks_over=0.9,
            hours=5.0,
            hours_used=1.0,
            planned_hours=14.0,
            coldest_degC=2.0,
            planned_cold_degC=-10.0,
        )
    )
    assert verdict == "undecided"
    assert len(reasons) == 5


# -- mixtures ------------------------------------------------------------------------------------------------


def test_normal_distribution_function() -> None:
    z = np.concatenate((np.linspace(-8.0, 8.0, 161), [-50.0, 50.0]))
    np.testing.assert_allclose(normal_cdf(z), norm.cdf(z), atol=1e-15)
    assert normal_cdf(z.reshape(1, -1)).shape == (1, len(z))


@pytest.mark.parametrize("probability", [0.001, 0.025, 0.5, 0.84, 0.975])
@pytest.mark.parametrize(("mean", "deviation"), [(0.0, 1.0), (2.3e-7, 4e-8), (-5.0, 1e-3)])
def test_quantile_of_one_normal(probability: float, mean: float, deviation: float) -> None:
    got = quantile(np.array([1.0]), np.array([mean]), np.array([deviation]), probability)
    assert got == pytest.approx(norm.ppf(probability, mean, deviation), rel=1e-9, abs=1e-9 * deviation)


@pytest.mark.parametrize("probability", [0.01, 0.025, 0.3, 0.6999, 0.7001, 0.975])
@pytest.mark.parametrize("apart", [0.5, 30.0])
def test_quantile_of_two_normals(probability: float, apart: float) -> None:
    # independent: scipy's distribution function and root finder; 30 deviations apart there is a plateau between
    weight, mean, deviation = np.array([0.7, 0.3]), np.array([1.0, 1.0 + apart]), np.array([0.5, 1.5])
    expected = brentq(
        lambda x: float((weight * norm.cdf(x, mean, deviation)).sum()) - probability, -50.0, 100.0, xtol=1e-13
    )
    assert quantile(weight, mean, deviation, probability) == pytest.approx(expected, abs=1e-6)


def test_quantile_of_many_shapes_and_of_next_to_no_weight() -> None:
    # arrays of any shape; a component of no weight must not matter, however far away
    rng = np.random.default_rng(5)
    weight = rng.dirichlet(np.ones(24)).reshape(4, 6)
    mean, deviation = rng.normal(size=(4, 6)), rng.uniform(0.1, 2.0, (4, 6))
    got = quantile(weight, mean, deviation, 0.975)
    assert float((weight * norm.cdf(got, mean, deviation)).sum()) == pytest.approx(0.975, abs=1e-6)
    far = quantile(np.array([1.0, 0.0]), np.array([0.0, 1e9]), np.array([1.0, 1.0]), 0.975)
    assert far == pytest.approx(norm.ppf(0.975), abs=1e-9)
