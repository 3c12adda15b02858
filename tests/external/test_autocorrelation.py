"""AR(1): certified autocorrelations, a table of exact inflation factors, and simulated rows of readings."""

from __future__ import annotations

import csv
import doctest
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis import autocorrelation
from analysis.autocorrelation import effective_number, lag_one, mean_inflation, mean_of, slope_inflation

DATA = Path(__file__).parent / "data"
CERTIFIED = json.loads((DATA / "strd_univariate.json").read_text())["sets"]  # source in the file
with (DATA / "ar1_inflation.csv").open(encoding="utf-8") as table:  # source at its head
    ROWS = list(csv.DictReader(line for line in table if not line.startswith("#")))


def ar1(rho: float, n: int, rows: int, seed: int) -> np.ndarray:
    """Rows (rows, n) of unit variance and correlation rho^|i-j|, from their stationary start."""
    noise = np.random.default_rng(seed).normal(size=(rows, n))
    noise[:, 1:] *= np.sqrt(1.0 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], noise))


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_autocorrelation_and_deviation(name: str) -> None:
    certified: dict[str, Any] = CERTIFIED[name]
    assert len(certified["y"]) == certified["n_obs"]
    assert lag_one(certified["y"]) == pytest.approx(certified["lag1_autocorrelation"], rel=1e-10)
    mean = mean_of(certified["y"])
    assert mean.value == pytest.approx(certified["mean"], rel=1e-13)
    assert mean.deviation == pytest.approx(certified["sd"], rel=1e-10)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['rho']}-{row['n']}")
def test_inflation(row: dict[str, str]) -> None:
    rho, n = float(row["rho"]), int(row["n"])
    assert mean_inflation(rho, n) == pytest.approx(float(row["VIF_mean_exact"]), abs=1e-6)
    assert effective_number(rho, n) == pytest.approx(float(row["n_eff_mean"]), abs=1e-4)
    assert slope_inflation(rho, n) == pytest.approx(float(row["VIF_ols_slope_exact"]), abs=1e-5)
    # the whole matrix of correlations, by numpy
    place = np.arange(n)
    matrix = rho ** np.abs(place[:, None] - place).astype(float)
    assert mean_inflation(rho, n) == pytest.approx(matrix.sum() / n, rel=1e-9)
    d = place - place.mean()
    assert slope_inflation(rho, n) == pytest.approx(d @ matrix @ d / (d @ d), rel=1e-9)


def test_many_readings_reach_the_limit_that_textbooks_give() -> None:
    # (1 + rho)/(1 - rho); both factors
    assert mean_inflation(0.7, 10**6) == pytest.approx(1.7 / 0.3, rel=1e-4)
    assert slope_inflation(0.7, 10**5) == pytest.approx(1.7 / 0.3, rel=1e-3)


def test_readings_that_alternate_are_worth_more() -> None:
    assert mean_inflation(-0.5, 50) < 1.0 < mean_inflation(0.5, 50)
    assert mean_inflation(0.0, 7) == slope_inflation(0.0, 7) == 1.0
    assert slope_inflation(0.3, 1) == 1.0


@pytest.mark.parametrize(("rho", "n"), [(1.0, 5), (-1.0, 5), (float("nan"), 5), (0.5, 0)])
def test_no_correlation_beyond_one(rho: float, n: int) -> None:
    for factor in (mean_inflation, slope_inflation):
        with pytest.raises(ValueError, match="between -1 and 1"):
            factor(rho, n)


@pytest.mark.parametrize(
    ("rho", "n", "least"),
    # two uncertainties are to hold the true mean about as often as a normal's 95.4 %; a strong correlation in a
    # short row can't be seen in full
    [(0.0, 30, 0.93), (0.5, 60, 0.92), (0.9, 200, 0.88), (0.9, 60, 0.75)],
)
def test_the_uncertainty_of_a_mean_holds_the_truth(rho: float, n: int, least: float) -> None:
    rows = ar1(rho, n, 800, seed=round(100 * rho) + n)
    means = [mean_of(row) for row in rows]
    held = np.mean([abs(mean.value) < 2.0 * mean.uncertainty for mean in means])
    naive = np.mean(np.abs(rows.mean(axis=1)) < 2.0 * rows.std(axis=1, ddof=1) / np.sqrt(n))
    assert least < held < 0.995
    if rho:
        assert held > naive + 0.1


def test_one_reading_has_no_scatter() -> None:
    mean = mean_of([3.0])
    assert mean.value == 3.0
    assert np.isnan(mean.uncertainty)
    assert np.isnan(lag_one([2.0, 2.0]))


def test_the_examples_in_the_docstrings() -> None:
    result = doctest.testmod(autocorrelation)
    assert result.attempted > 0
    assert result.failed == 0
