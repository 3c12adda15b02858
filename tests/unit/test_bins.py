"""Rows into bins: the same however they are cut, spikes left out, a stuck channel found."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.bins import BinMaker, RawBin

WIDTH_S = 300.0


def fed(time_s: np.ndarray, values: np.ndarray, cuts: list[int], floor: float = 0.1) -> list[RawBin]:
    maker = BinMaker(values.shape[1], WIDTH_S, np.full(values.shape[1], floor))
    out = []
    for start, end in zip([0, *cuts], [*cuts, len(time_s)], strict=True):
        out += maker.feed(time_s[start:end], values[start:end])
    return out + maker.finish()


def recording(seed: int, rows: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Rows at uneven times with gaps, noise, a stuck stretch, spikes and missing readings."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.choice([20.0, 30.0, 60.0, 700.0], rows, p=[0.3, 0.3, 0.38, 0.02]))
    values = np.round(rng.normal(1000.0, 3.0, (rows, 3)), 1)
    values[100:200, 1] = 1001.0
    values[rng.uniform(size=rows) < 0.02, 0] += 500.0
    values[rng.uniform(size=(rows, 3)) < 0.1] = np.nan
    values[:, 2] = np.nan if seed % 2 else values[:, 2]
    return time_s, values


def assert_same(one: list[RawBin], other: list[RawBin]) -> None:
    assert len(one) == len(other)
    for a, b in zip(one, other, strict=True):
        assert a.time_s == b.time_s
        for name in ("mean", "used", "spikes", "variance", "stuck"):
            np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 3), cuts=st.lists(st.integers(0, 400), max_size=12))
def test_the_cut_of_the_stream_changes_nothing(seed: int, cuts: list[int]) -> None:
    time_s, values = recording(seed)
    assert_same(fed(time_s, values, []), fed(time_s, values, sorted(cuts)))


def test_row_by_row_is_all_at_once() -> None:
    time_s, values = recording(1)
    assert_same(fed(time_s, values, []), fed(time_s, values, list(range(1, len(time_s)))))


def test_mean_time_and_count() -> None:
    # by hand: bins of 300 s; two readings at 0 and 60 s, one at 310 s, nothing until 900 s
    time_s = np.array([0.0, 60.0, 310.0, 900.0])
    bins = fed(time_s, np.array([[1.0], [3.0], [5.0], [7.0]]), [])
    assert [b.time_s for b in bins] == [30.0, 310.0, 900.0]
    assert [float(b.mean[0]) for b in bins] == [2.0, 5.0, 7.0]
    assert [int(b.used[0]) for b in bins] == [2, 1, 1]


def test_a_bin_closes_with_the_first_reading_after_its_end() -> None:
    maker = BinMaker(1, WIDTH_S, np.array([0.1]))
    assert maker.feed(np.array([0.0, 299.9]), np.ones((2, 1))) == []
    assert len(maker.feed(np.array([300.0]), np.ones((1, 1)))) == 1
    assert len(maker.finish()) == 1
    assert maker.finish() == []
    assert maker.feed(np.empty(0), np.empty((0, 1))) == []


def test_spikes_are_left_out_and_counted() -> None:
    rng = np.random.default_rng(2)
    time_s = np.arange(600) * 10.0
    clean = rng.normal(500.0, 1.0, (600, 1))
    spiky = clean.copy()
    spikes = np.arange(5, 600, 40)
    spiky[spikes] += rng.choice([-1.0, 1.0], (len(spikes), 1)) * 80.0
    bins = fed(time_s, spiky, [])
    assert sum(int(b.spikes[0]) for b in bins) == len(spikes)
    # a mean of 29 of 30 readings of unit noise: standard deviation 0.18; a spike of 80 among 30 would add 2.7
    assert max(abs(float(b.mean[0]) - 500.0) for b in bins) < 1.0


def test_a_steep_trend_is_no_row_of_spikes() -> None:
    rng = np.random.default_rng(3)
    time_s = np.arange(600) * 10.0
    values = (500.0 - 0.05 * time_s + rng.normal(0.0, 0.02, 600))[:, None]
    bins = fed(time_s, values, [], floor=0.01)
    assert sum(int(b.spikes[0]) for b in bins) == 0
    for b in bins:
        assert float(b.mean[0]) == pytest.approx(500.0 - 0.05 * b.time_s, abs=0.05)


def test_noise_of_a_single_reading_gives_the_variance_of_the_mean() -> None:
    rng = np.random.default_rng(4)
    bins = fed(np.arange(6000) * 10.0, rng.normal(0.0, 2.0, (6000, 1)), [])
    assert int(bins[-1].used[0]) == 30
    # s²/n of independent readings; medians of 29 differences, averaged over some 60 bins: own scatter about 7 %
    assert float(bins[-1].variance[0]) == pytest.approx(4.0 / 30.0, rel=0.25)


def test_the_floor_holds_where_the_readings_show_no_noise() -> None:
    bins = fed(np.arange(600) * 10.0, np.full((600, 1), 7.0), [], floor=0.5)
    assert float(bins[-1].variance[0]) == pytest.approx(0.5**2 / 30.0)
    # a converter that is coarser than the noise: equal readings from the beginning prove nothing
    assert not any(b.stuck[0] for b in bins)
    assert float(bins[-1].mean[0]) == 7.0


def test_a_stuck_channel_is_found_and_gives_no_mean() -> None:
    rng = np.random.default_rng(5)
    values = np.round(rng.normal(800.0, 3.0, (600, 2)), 1)
    values[300:, 0] = values[300, 0]
    bins = fed(np.arange(600) * 10.0, values, [])
    assert [bool(b.stuck[0]) for b in bins] == [False] * 10 + [True] * 10
    assert all(np.isnan(b.mean[0]) and b.used[0] == 0 for b in bins[10:])
    assert not any(b.stuck[1] for b in bins)


def test_a_converter_step_as_large_as_the_noise_is_not_stuck() -> None:
    # noise of a third of a step: whole bins without a change are normal
    rng = np.random.default_rng(6)
    values = np.round(rng.normal(0.0, 0.2, (3000, 1)))
    bins = fed(np.arange(3000) * 60.0, values, [])
    assert any(np.isfinite(b.mean[0]) for b in bins)
    assert not any(b.stuck[0] for b in bins)


def test_empty_columns_and_empty_bins() -> None:
    rng = np.random.default_rng(7)
    values = rng.normal(size=(600, 3))
    values[:, 1] = np.nan
    values[60:90, 2] = np.nan
    with np.errstate(all="raise"):
        bins = fed(np.arange(600) * 10.0, values, [])
    assert all(np.isnan(b.mean[1]) and b.used[1] == 0 and not b.stuck[1] for b in bins)
    assert [bool(np.isnan(b.mean[2])) for b in bins[:5]] == [False, False, True, False, False]
    assert all(np.isfinite(b.mean[0]) for b in bins)
    assert all(np.isfinite(b.variance).all() for b in bins)


@pytest.mark.parametrize("readings", [3, 5, 10, 60])
def test_noise_is_right_however_few_readings_a_bin_holds(readings: int) -> None:
    # truth: the standard deviation that the random numbers are drawn with
    rng = np.random.default_rng(7)
    maker = BinMaker(1, 60.0, np.array([1e-6]))
    found = []
    for k in range(2000):
        time_s = 60.0 * k + np.arange(readings) * (60.0 / readings)
        maker.feed(time_s, 5.0 + 0.3 * rng.standard_normal((readings, 1)))
        found.append(maker.noise[0])
    assert np.mean(found[60:]) == pytest.approx(0.3, rel=0.04)
