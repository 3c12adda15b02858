"""The regression core against certified sets, the GUM's worked calibration, and two other libraries."""

from __future__ import annotations

import doctest
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.anova import anova_lm

from analysis import regression
from analysis.regression import RegressionError, chi_square, fit_columns, fit_polynomial, lack_of_fit

DATA = Path(__file__).parent / "data"
STRD = json.loads((DATA / "strd_linear.json").read_text())["sets"]  # its source stands in the file
# digits of each set that must be right: of the coefficients, of their standard errors. The certified coefficients of
# the noisy Wampler sets are 1 beside a standard error of up to 2e7, so that double precision can't keep more
DIGITS = {
    "Norris": (12, 12),
    "Pontius": (12, 12),
    "NoInt1": (13, 13),
    "NoInt2": (13, 13),
    "Wampler1": (8, 8),
    "Wampler2": (12, 12),
    "Wampler3": (8, 13),
    "Wampler4": (8, 13),
    "Wampler5": (6, 13),
    "Longley": (10, 11),
    "Filip": (12, 12),
}
# GUM (JCGM 100:2008) H.3, table H.6; data and results read in the documentation of a library, recomputed
GUM = json.loads((DATA / "gum_h3.json").read_text())


def fitted(name: str) -> tuple[regression.Fit, np.ndarray, np.ndarray]:
    """The fit of one set, its coefficients and their standard errors as the set's model has them."""
    data: dict[str, Any] = STRD[name]
    x, y = np.array(data["x"]), np.array(data["y"])
    if len(x) > 1 or name.startswith("NoInt"):
        columns = x if name.startswith("NoInt") else np.vstack([np.ones(len(y)), x])
        fit = fit_columns(columns.T, y)
        return fit, fit.coefficients, fit.standard_errors
    polynomial = fit_polynomial(x[0], y, len(data["estimate"]) - 1)
    coefficients, covariance = polynomial.coefficients_about(0.0)
    return polynomial.fit, coefficients, np.sqrt(np.diag(covariance))


@pytest.mark.parametrize("name", STRD)
def test_certified_sets(name: str) -> None:
    certified = STRD[name]
    fit, coefficients, errors = fitted(name)
    of_value, of_error = DIGITS[name]
    np.testing.assert_allclose(coefficients, certified["estimate"], rtol=10.0**-of_value)
    # two sets lie on their polynomial exactly: no scatter (the points go up to 4e6)
    np.testing.assert_allclose(errors, certified["std_error"], rtol=10.0**-of_error, atol=2e-8)
    assert fit.deviation == pytest.approx(certified["residual_sd"], rel=1e-12, abs=2e-8)
    assert fit.r_squared == pytest.approx(certified["r_squared"], rel=1e-13)
    if certified["f"] is None:
        assert fit.f_value > 1e25
    else:
        assert fit.f_value == pytest.approx(certified["f"], rel=1e-9)


def test_thermometer_calibration_of_the_gum() -> None:
    line = fit_polynomial(GUM["t"], GUM["b"])
    (y1, y2), covariance = line.coefficients_about(GUM["t0"])
    u1, u2 = np.sqrt(np.diag(covariance))
    b30, u30 = (float(v[0]) for v in line.predict([30.0]))
    computed = {"y1": y1, "y2": y2, "u_y1": u1, "u_y2": u2, "s": line.fit.deviation, "b30": b30, "u_b30": u30}
    computed["r"] = covariance[0, 1] / (u1 * u2)
    printed_to = {
        "y1": 5e-5,
        "y2": 5e-6,
        "u_y1": 5e-5,
        "u_y2": 5e-6,
        "s": 5e-5,
        "b30": 5e-5,
        "u_b30": 5e-5,
        "r": 5e-4,
    }
    assert line.fit.degrees == GUM["published"]["df"]
    for name, value in computed.items():
        assert value == pytest.approx(GUM["published"][name], abs=printed_to[name]), name
        # the same in full digits, from exact arithmetic of the reference work
        assert value == pytest.approx(GUM["computed"][name], rel=1e-9), name


def noisy(seed: int, n: int = 24, repeats: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.repeat(np.sort(rng.uniform(-3.0, 12.0, n)), repeats)
    u = rng.uniform(0.1, 0.6, len(x))
    return x, 3.0 - 0.7 * x + 0.05 * x**2 + rng.normal(0.0, u), u


@pytest.mark.parametrize("seed", range(3))
def test_weights_as_in_statsmodels(seed: int) -> None:
    x, y, u = noisy(seed)
    columns = np.vander(x, 3, increasing=True)
    theirs = sm.WLS(y, columns, weights=1.0 / u**2).fit()
    ours = fit_columns(columns, y, u)
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=1e-10)
    np.testing.assert_allclose(ours.covariance, theirs.normalized_cov_params, rtol=1e-9)
    np.testing.assert_allclose(ours.residuals, theirs.resid, rtol=1e-7, atol=1e-12)
    assert ours.deviation**2 == pytest.approx(theirs.mse_resid, rel=1e-10)
    assert ours.r_squared == pytest.approx(theirs.rsquared, rel=1e-10)
    assert ours.f_value == pytest.approx(theirs.fvalue, rel=1e-10)
    as_polynomial = fit_polynomial(x, y, 2, u)
    coefficients, covariance = as_polynomial.coefficients_about(0.0)
    np.testing.assert_allclose(coefficients, theirs.params, rtol=1e-10)
    np.testing.assert_allclose(covariance, theirs.normalized_cov_params, rtol=1e-9)


@pytest.mark.parametrize("scale", [1e-30, 1e30])
def test_the_size_of_the_uncertainties_moves_no_coefficient(scale: float) -> None:
    x, y, u = noisy(1)
    columns = np.vander(x, 3, increasing=True)
    plain, scaled = fit_columns(columns, y, u), fit_columns(columns, y, u * scale)
    np.testing.assert_allclose(scaled.coefficients, plain.coefficients, rtol=1e-12)
    np.testing.assert_allclose(scaled.standard_errors, plain.standard_errors * scale, rtol=1e-12)
    assert scaled.deviation * scale == pytest.approx(plain.deviation, rel=1e-12)
    assert (scaled.r_squared, scaled.f_value) == pytest.approx((plain.r_squared, plain.f_value), rel=1e-10)


def test_prediction_as_in_statsmodels() -> None:
    x, y, _ = noisy(5)
    theirs = sm.OLS(y, np.vander(x, 3, increasing=True)).fit()
    at = np.array([-5.0, 0.0, 4.2, 20.0])
    predicted = theirs.get_prediction(np.vander(at, 3, increasing=True))
    value, uncertainty = fit_polynomial(x, y, 2).predict(at)
    np.testing.assert_allclose(value, predicted.predicted_mean, rtol=1e-10)
    np.testing.assert_allclose(uncertainty, predicted.se_mean, rtol=1e-10)


@pytest.mark.parametrize("degree", [1, 2])
def test_lack_of_fit_as_a_comparison_of_two_models(degree: int) -> None:
    """The test is the F test of the polynomial against a model with a mean of its own for each x."""
    x, y, _ = noisy(9, n=6, repeats=4)
    polynomial = sm.OLS(y, np.vander(x, degree + 1, increasing=True)).fit()
    means = sm.OLS(y, (x[:, None] == np.unique(x)).astype(float)).fit()
    table = anova_lm(polynomial, means)
    tested = lack_of_fit(x, fit_polynomial(x, y, degree).fit.residuals, degree + 1)
    assert tested.statistic == pytest.approx(table["F"][1], rel=1e-9)
    assert tested.probability == pytest.approx(table["Pr(>F)"][1], rel=1e-7)
    assert tested.degrees == (6 - degree - 1, 18)


def test_lack_of_fit_needs_repeats_and_points_to_spare() -> None:
    assert lack_of_fit([1.0, 2.0, 3.0], [0.1, -0.2, 0.1], 2) is None
    assert lack_of_fit([1.0, 1.0, 2.0, 2.0], [0.1, -0.1, 0.1, -0.1], 2) is None


def test_a_curve_is_no_straight_line_and_a_line_is() -> None:
    rng = np.random.default_rng(4)
    x = np.repeat(np.arange(6.0), 3)
    noise = rng.normal(0.0, 0.01, len(x))
    straight = lack_of_fit(x, fit_polynomial(x, 2.0 * x + noise).fit.residuals, 2)
    bent = lack_of_fit(x, fit_polynomial(x, 2.0 * x + 0.05 * x**2 + noise).fit.residuals, 2)
    assert bent.probability < 1e-6
    assert straight.probability > 0.01


def test_known_uncertainties_are_held_against_the_scatter() -> None:
    x, y, u = noisy(2, n=40)
    fit = fit_polynomial(x, y, 2, u).fit
    tested = chi_square(fit)
    # scipy's distribution function; the sum by hand
    value = float(((fit.residuals / u) ** 2).sum())
    assert tested.statistic == pytest.approx(value, rel=1e-9)
    assert tested.probability == pytest.approx(stats.chi2.sf(value, 37), rel=1e-9)
    assert 0.01 < tested.probability < 0.99
    assert chi_square(fit_polynomial(x, y, 2, u / 3.0).fit).probability < 1e-6
    assert chi_square(fit_polynomial([0.0, 1.0], [1.0, 2.0], 1, [0.1, 0.1]).fit) is None


@pytest.mark.parametrize(
    ("degrees", "factor"),
    # two-sided 95 % Student t as in the GUM's table G.2 (read in two copies of such a table)
    [(1, 12.706), (2, 4.303), (5, 2.571), (10, 2.228), (30, 2.042), (100, 1.984)],
)
def test_coverage_factor(degrees: int, factor: float) -> None:
    x = np.arange(degrees + 2.0)
    fit = fit_polynomial(x, np.cos(x)).fit
    assert fit.coverage_factor(0.95) == pytest.approx(factor, abs=5e-4)


def test_the_interval_of_the_line_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(31)
    x = np.linspace(0.0, 16.0, 6)
    held = 0
    for _ in range(1000):
        line = fit_polynomial(x, 0.3 + 1.002 * x + rng.normal(0.0, 0.02, 6))
        value, uncertainty = line.predict([5.0])
        held += bool(abs(value[0] - 5.31) < line.fit.coverage_factor() * uncertainty[0])
    # binomial: 950 ± 7, four deviations
    assert 922 < held < 978


@pytest.mark.parametrize(
    ("x", "y", "degree", "uncertainties", "reason"),
    [
        ([1.0], [1.0], 1, None, "needs 2 different x; there is 1"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], 1, None, "needs 2 different x"),
        ([1.0, 2.0, 2.0], [1.0, 2.0, 3.0], 2, None, "there are 2"),
        ([1.0, 2.0, np.nan], [1.0, 2.0, 3.0], 1, None, "no finite number"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, np.inf], 1, None, "no finite number"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], 1, None, "3 rows of columns, but 2 values"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 1, [0.1, 0.0, 0.1], "not above zero"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 1, [0.1, 1e-200, 0.1], "beyond all reason"),
    ],
)
def test_what_cannot_be_fitted_says_why(
    x: list[float], y: list[float], degree: int, uncertainties: list[float] | None, reason: str
) -> None:
    with pytest.raises(RegressionError, match=reason):
        fit_polynomial(x, y, degree, uncertainties)


def test_columns_that_say_the_same_are_refused() -> None:
    x = np.arange(6.0)
    with pytest.raises(RegressionError, match="can't tell the parameters apart"):
        fit_columns(np.column_stack([x, 3.0 * x]), x)
    with pytest.raises(RegressionError, match="zero throughout"):
        fit_columns(np.column_stack([x, 0.0 * x]), x)
    with pytest.raises(RegressionError, match="1 point can't fix 2"):
        fit_columns([[1.0, 2.0]], [1.0])


def test_no_freedom_no_claim() -> None:
    line = fit_polynomial([0.0, 1.0], [1.0, 3.0])
    assert np.isnan(line.fit.standard_errors).all()
    assert line.fit.coverage_factor() == np.inf


def test_the_examples_in_the_docstrings() -> None:
    result = doctest.testmod(regression)
    assert result.attempted > 0
    assert result.failed == 0
