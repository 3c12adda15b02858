"""A calibration: what is found, what is refused, and what is said of it."""

from __future__ import annotations

import doctest
import math
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import calibration, calibration_points, calibration_words, quantities, settings_editor
from analysis.calibration import calibrate
from analysis.calibration_checks import hysteresis
from analysis.calibration_model import Calibrated, CalibrationError, Demands, Point, Shape
from analysis.calibration_words import coefficient_text, object_of, residual_bar, sentences, settings_keys
from logger import convert

if TYPE_CHECKING:
    from types import ModuleType

BAR = 1e5
FULL_SCALE = 16 * BAR
DEMANDS = Demands(
    "pressure_Pa",
    residual_limit=8e3,
    correction_limit=80e3,
    full_scale=FULL_SCALE,
    plausible=(-0.8e5, 16.8e5),
)
STEPS = (0.0, 4.0, 8.0, 12.0, 8.0, 4.0, 0.0)


def transducer(
    steps: tuple[float, ...] = STEPS,
    zero: float = 1200.0,
    span: float = 1.003,
    noise: float = 0.0,
    seed: int = 1,
) -> list[Point]:
    """Points of a transducer that reads span·true + zero."""
    rng = np.random.default_rng(seed)
    return [Point(span * bar * BAR + zero + rng.normal(0.0, noise), bar * BAR) for bar in steps]


def test_a_line_is_found() -> None:
    found = calibrate(transducer(), "line", DEMANDS)
    for true in (0.0, 3.3e5, 12e5):
        assert found.zero + found.span * (1.003 * true + 1200.0) == pytest.approx(true, abs=1e-6)
    assert found.deviation < 1e-6
    assert found.fit.degrees == 5
    assert found.hysteresis == pytest.approx(0.0, abs=1e-6)


def test_the_zero_alone_keeps_the_span() -> None:
    points = [Point(1300.0, 0.0), Point(1100.0, 0.0)]
    found = calibrate(points, "zero", replace(DEMANDS, kept_span=0.998))
    assert found.zero == pytest.approx(-0.998 * 1200.0)
    assert found.span == 0.998
    correction, _, _ = found.correction_at(5e5)
    assert 5e5 + correction == pytest.approx(found.zero + 0.998 * 5e5)


def test_points_are_followed() -> None:
    bent = [
        Point(bar * BAR + 300.0 * bar * (12.0 - bar) + shift, bar * BAR)
        for bar in STEPS
        for shift in (-20.0, 20.0)
    ]
    found = calibrate(bent, "points", DEMANDS)
    assert [true for _, true in found.knots] == [0.0, 4e5, 8e5, 12e5]
    read = np.array([point.read for point in bent])
    # as the logger will convert them
    np.testing.assert_allclose(convert.through_points(read, found.knots), [p.true for p in bent], atol=21.0)
    middle = (found.knots[1][0] + found.knots[2][0]) / 2.0
    correction, uncertainty, _ = found.correction_at(middle)
    assert middle + correction == pytest.approx(6e5)
    assert 0.0 < uncertainty < 20.0


def test_a_bent_sensor_shows_as_lack_of_fit_and_a_straight_one_does_not() -> None:
    straight = calibrate(transducer(STEPS * 2, noise=100.0), "line", DEMANDS)
    bent = [
        replace(p, read=p.read + 2e-9 * p.true * (12e5 - p.true)) for p in transducer(STEPS * 2, noise=100.0)
    ]
    found = calibrate(bent, "line", DEMANDS)
    assert straight.lack.probability > 0.05
    assert found.lack.probability < 0.001
    said = " ".join(sentences(found, "pressure_Pa", FULL_SCALE))
    assert "farther off a line than they repeat" in said
    assert "farther off" not in " ".join(sentences(straight, "pressure_Pa", FULL_SCALE))


def test_uncertainties_weigh_and_bad_ones_are_found_out() -> None:
    points = [replace(p, uncertainty=50.0) for p in transducer(noise=50.0, seed=3)]
    heavy = [replace(points[0], read=points[0].read + 3000.0, uncertainty=5000.0), *points[1:]]
    found = calibrate(heavy, "line", DEMANDS)
    assert found.span * 1.003 == pytest.approx(1.0, abs=3e-4)
    # an uncertainty ten times too small is widened to the scatter, and said
    optimist = calibrate([replace(p, uncertainty=5.0) for p in points], "line", DEMANDS)
    honest = calibrate(points, "line", DEMANDS)
    assert optimist.span_uncertainty > 5 * honest.span_uncertainty / 10
    assert "than their uncertainties allow" in " ".join(sentences(optimist, "pressure_Pa", FULL_SCALE))


def test_the_uncertainty_holds_the_truth_as_often_as_it_says() -> None:
    held = 0
    for seed in range(400):
        found = calibrate(transducer(noise=200.0, seed=seed), "line", DEMANDS)
        fresh = 1.003 * 6e5 + 1200.0 + np.random.default_rng(10_000 + seed).normal(0.0, 200.0)
        held += abs(found.zero + found.span * fresh - 6e5) < found.expanded_at(fresh)
    # binomial: 380 ± 4.4, four deviations
    assert 362 < held < 398


def runs(zero: float = 0.8e-4, span: float = 1.5e-4, noise: float = 100.0, seed: int = 5) -> list[Point]:
    """Points warm, cold and in between; drifts are shares of the full scale per kelvin."""
    rng = np.random.default_rng(seed)
    return [
        Point(
            bar * BAR * (1.001 + span * (degC - 22.0))
            + 900.0
            + zero * FULL_SCALE * (degC - 22.0)
            + rng.normal(0.0, noise),
            bar * BAR,
            temperature_K=degC + 273.15 + 0.1 * k,
        )
        for degC in (22.0, 22.0, -12.0, 3.0)
        for k, bar in enumerate((0.0, 4.0, 8.0, 4.0, 0.0))
    ]


def test_temperature_runs_give_the_drift_of_zero_and_span() -> None:
    found = calibrate(runs(), "line", DEMANDS)
    drift = found.drift
    assert drift.zero_per_K == pytest.approx(0.8e-4, abs=3 * drift.zero_uncertainty)
    assert drift.span_per_K == pytest.approx(1.5e-4, abs=3 * drift.span_uncertainty + 2e-6)
    assert drift.bound_per_K > 1.5e-4
    assert found.at_K == pytest.approx(295.35, abs=0.5)
    # zero and span are those of the warm sensor
    assert found.zero + found.span * (1.001 * 8e5 + 900.0) == pytest.approx(8e5, abs=400.0)
    said = " ".join(sentences(found, "pressure_Pa", FULL_SCALE))
    assert "the zero moves by 0.0080" in said.replace("0.0079", "0.0080").replace("0.0081", "0.0080")


def test_open_to_the_air_gives_the_drift_of_the_zero_alone() -> None:
    points = [point for point in runs() if point.true == 0.0]
    found = calibrate(points, "zero", DEMANDS)
    assert found.drift.zero_per_K == pytest.approx(0.8e-4, abs=4e-6)
    assert found.drift.span_per_K is None
    assert found.drift.bound_per_K > 0.8e-4


def test_one_temperature_is_no_run() -> None:
    points = [replace(point, temperature_K=294.0 + 0.3 * k) for k, point in enumerate(transducer())]
    assert calibrate(points, "line", DEMANDS).drift is None


def test_one_cold_point_of_many_is_the_zero_s_drift() -> None:
    points = [replace(p, temperature_K=295.0) for p in transducer(noise=50.0)]
    points += [Point(1200.0 - 4000.0, 0.0, temperature_K=265.0)]
    drift = calibrate(points, "line", DEMANDS).drift
    assert drift.span_per_K is None
    assert drift.zero_per_K == pytest.approx(4000.0 / 30.0 / FULL_SCALE, rel=0.1)


def test_the_reference_adds_its_own() -> None:
    found = calibrate(transducer(noise=100.0), "line", replace(DEMANDS, reference_uncertainty=300.0))
    alone = calibrate(transducer(noise=100.0), "line", DEMANDS)
    _, with_reference, degrees = found.correction_at(5e5)
    _, without, few = alone.correction_at(5e5)
    assert with_reference == pytest.approx(math.hypot(without, 300.0))
    assert few == pytest.approx(5.0)
    assert degrees > 1000.0
    assert found.span_uncertainty == alone.span_uncertainty


@pytest.mark.parametrize(
    ("points", "shape", "reason"),
    [
        ([], "line", "no point"),
        ([Point(1.0, 0.0)], "line", "1 value of the reference can't fix a line"),
        ([Point(1.0, 0.0), Point(3.0, 0.0)], "line", "1 value of the reference"),
        ([Point(1.0, 0.0)], "points", "can't fix a curve"),
        ([Point(math.nan, 0.0), Point(4e5, 4e5)], "line", "point 1: is no number"),
        ([Point(0.0, 0.0), Point(20e5, 20e5)], "line", "point 2: 2000 kPa is no reading of this channel"),
        ([Point(4e5, 0.0), Point(0.0, 4e5)], "line", "wrong order.*the reading falls, 400 kPa to 0 kPa"),
        ([Point(0.0, 0.0), Point(0.0, 4e5)], "line", "wrong order.*stays"),
        # three points of a sound transducer, two of them changed over
        ([Point(0.0, 0.0), Point(8e5, 4e5), Point(4e5, 8e5)], "line", "wrong order"),
        # and a slip that keeps the order
        (
            [Point(0.0, 0.0), Point(4.3e5, 4e5), Point(8e5, 8e5)],
            "line",
            "point 2.*off the fit, the datasheet allows 8 kPa",
        ),
        # gauge against absolute
        ([Point(1e3, 101e3), Point(4e5, 5.01e5)], "line", "about one atmosphere"),
        ([Point(0.0, 0.0), Point(4e5, 5.2e5)], "line", "more than a calibration may take off"),
        ([Point(0.0, 0.0, 10.0), Point(4e5, 4e5)], "line", "point 2 has no uncertainty while others have"),
        ([Point(0.0, 0.0, None, 290.0), Point(4e5, 4e5)], "line", "point 2 has no temperature"),
        ([Point(0.0, 0.0, 10.0), Point(4e5, 4e5, 0.0)], "line", "must be above zero"),
        (
            [Point(0.0, 0.0, None, 295.0), Point(4e5, 4e5, None, 295.0), Point(0.0, 0.0, None, 265.0)],
            "points",
            "points of one temperature",
        ),
    ],
)
def test_nonsense_is_refused_with_the_reason(points: list[Point], shape: Shape, reason: str) -> None:
    with pytest.raises(CalibrationError, match=reason):
        calibrate(points, shape, DEMANDS)


numbers = st.floats(-2e6, 2e6, allow_nan=False) | st.sampled_from([0.0, 1e5, 4e5, 8e5])
either = st.none() | st.floats(200.0, 330.0) | st.sampled_from([295.0, 261.0])
fuzzed = st.builds(Point, numbers, numbers, st.none() | st.floats(0.0, 1e6), either)
sound = st.builds(
    lambda true, off, warm: Point(true + off, true, temperature_K=warm),
    st.sampled_from([0.0, 4e5, 8e5, 12e5]),
    st.floats(-5e3, 5e3),
    st.sampled_from([295.0, 294.0, 261.0, 278.0]),
)


LOOSE = replace(DEMANDS, correction_limit=math.inf, residual_limit=1e9)
NO_RANGE = replace(DEMANDS, full_scale=None)


@given(
    st.lists(fuzzed, max_size=6) | st.lists(sound, max_size=14),
    st.sampled_from(["line", "zero", "points"]),
    st.sampled_from([DEMANDS, LOOSE, NO_RANGE]),
)
def test_any_points_give_a_calibration_or_the_reason_why_not(
    points: list[Point], shape: Shape, demands: Demands
) -> None:
    found = None
    reason = ""
    try:
        found = calibrate(points, shape, demands)
    except CalibrationError as error:
        reason = str(error)
    if found is None:
        assert len(reason.splitlines()) == 1
        return
    assert math.isfinite(found.zero)
    assert 0.5 <= found.span <= 2.0
    assert sentences(found, "pressure_Pa", demands.full_scale)
    assert object_of(found, "a.pressure", "pressure_Pa", [0.0, 8e5])["shape"] == shape
    keys = settings_keys(found, "pressure_Pa", made_on=date(2026, 11, 2), reference="gauge 7")
    settings_editor.edited("", {("channels", "a.pressure", "calibration"): keys}, Path("x.toml"))


def test_a_span_that_the_settings_would_refuse_is_refused() -> None:
    points = [Point(bar * BAR * 3.0, bar * BAR) for bar in (0.0, 0.1, 0.2)]
    with pytest.raises(CalibrationError, match=r"the span would be 0\.333"):
        calibrate(points, "line", DEMANDS)


def test_points_too_near_one_another_are_no_line() -> None:
    """Seen in a trial: two readings 7 kPa apart gave a span of 0.55 without a word."""
    near = [Point(886.173e3, 881e3), Point(879.213e3, 877.2e3)]
    whole = replace(DEMANDS, ends=(0.0, FULL_SCALE))
    with pytest.raises(
        CalibrationError, match=r"at 0 kPa the correction would be 397.* too near one another"
    ):
        calibrate(near, "line", whole)
    with pytest.raises(CalibrationError, match="too near one another"):
        calibrate(near, "points", whole)
    # the zero alone can be had from them
    assert calibrate(near, "zero", whole).zero == pytest.approx(-3593.0)
    assert calibrate(transducer(), "line", whole).span < 1.0


def test_two_points_are_enough_and_say_so() -> None:
    found = calibrate(transducer((0.0, 12.0)), "line", DEMANDS)
    assert math.isnan(found.worst)
    assert found.zero + found.span * (1.003 * 5e5 + 1200.0) == pytest.approx(5e5)
    assert "nothing is left to judge" in " ".join(sentences(found, "pressure_Pa", FULL_SCALE))
    said = object_of(found, "a.pressure", "pressure_Pa", [5e5])
    assert said["expanded_uncertainty"] is None
    assert said["at"][0]["uncertainty"] is None


def test_hysteresis() -> None:
    points = [Point(0.0, 0.0), Point(4e5, 4e5), Point(8e5, 8e5), Point(4.02e5, 4e5), Point(100.0, 0.0)]
    assert hysteresis(points) == pytest.approx(2e3)
    assert hysteresis(points[:3]) is None
    # a repeat at the top is still on the way up
    assert hysteresis([*points[:3], Point(8.1e5, 8e5)]) is None


@pytest.mark.parametrize("seed", range(5))
def test_what_is_written_is_what_was_found(seed: int) -> None:
    """The rounded keys correct every reading as the exact fit does, to some hundredths of a pascal."""
    found = calibrate(transducer(noise=300.0, seed=seed, zero=-2345.678), "line", DEMANDS)
    keys = settings_keys(found, "pressure_Pa", made_on=date(2026, 11, 2), reference="gauge 7")
    zero_Pa = float(keys["zero"].removesuffix(" kPa")) * 1e3
    for point in found.points:
        exact = found.zero + found.span * point.read
        assert zero_Pa + keys["span"] * point.read == pytest.approx(exact, abs=0.05)
    # in the middle, from where the rounded span turns, a thousandth
    exact = found.zero + found.span * found.centre
    assert zero_Pa + keys["span"] * found.centre == pytest.approx(exact, abs=1e-3)
    assert len(keys["residuals"]) == len(found.points)


@pytest.mark.parametrize(
    ("bound", "text"),
    # rounded up, never down: a bound must stay one
    [
        (1.234e-4, "0.013 %/K"),
        (2e-4, "0.02 %/K"),
        (3.01e-6, "0.00031 %/K"),
        (0.0, "0.0000 %/K"),
        (1.21e-2, "1.21 %/K"),
    ],
)
def test_a_bound_is_rounded_up(bound: float, text: str) -> None:
    assert coefficient_text(bound).replace("0.020", "0.02") == text
    assert float(coefficient_text(bound).removesuffix(" %/K")) >= 100.0 * bound - 1e-12


def test_the_bar_stays_in_its_frame() -> None:
    for share in (-9.0, -1.0, -0.3, 0.0, 0.02, 1.0, 44.0):
        bar = residual_bar(share)
        assert len(bar) == 15
        assert bar.count("●") == 1


def test_a_short_range_is_said() -> None:
    found: Calibrated = calibrate(transducer((0.0, 2.0, 4.0), noise=10.0), "line", DEMANDS)
    assert "0 kPa to 400 kPa of 1600 kPa" in " ".join(sentences(found, "pressure_Pa", FULL_SCALE))


@pytest.mark.parametrize(
    "module",
    [calibration, calibration_points, calibration_words, quantities, settings_editor],
    ids=lambda m: m.__name__,
)
def test_the_examples_in_the_docstrings(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
