"""A roll-out is seen in the air, whatever thermometer and sampling; evenings, doors, clouds and dead sensors are none."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import pytest
from numpy.typing import NDArray
from test_journal_soak import PERIOD_us, write
from typer.testing import CliRunner

from analysis.commands import build_app
from analysis.rolled_out import roll_out

if TYPE_CHECKING:
    from pathlib import Path

Array = NDArray[np.float64]
HOUR_s = 3600.0


def air(
    hours: float = 6.0,
    *,
    period_s: float = 30.0,
    out_h: float | None = 3.0,
    shop_degC: float = 20.0,
    outside_degC: float = -5.0,
    lag_s: float = 300.0,
    noise_K: float = 0.2,
    seed: int = 0,
) -> tuple[Array, Array]:
    """A thermometer with a lag: in a shop, then (None: never) outside, where the evening cools by 1.5 K an hour."""
    time_s = np.arange(0.0, hours * HOUR_s, period_s)
    rng = np.random.default_rng(seed)
    around = shop_degC + 0.4 * np.sin(time_s / 1700.0)
    if out_h is not None:
        outside = outside_degC - 1.5 * (time_s / HOUR_s - out_h) + 0.5 * np.sin(time_s / 900.0)
        around = np.where(time_s < out_h * HOUR_s, around, outside)
    return time_s, 273.15 + lagged(around, period_s, lag_s) + noise_K * rng.standard_normal(len(time_s))


def lagged(around: Array, period_s: float, lag_s: float) -> Array:
    out = np.empty(len(around))
    out[0] = around[0]
    share = 1.0 - np.exp(-period_s / lag_s)
    for k in range(1, len(around)):
        out[k] = out[k - 1] + share * (around[k] - out[k - 1])
    return out


@pytest.mark.parametrize("period_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("lag_s", [30.0, 300.0, 1200.0])
@pytest.mark.parametrize("seed", range(5))
def test_a_roll_out_is_seen_when_it_was_and_how_deep(period_s: float, lag_s: float, seed: int) -> None:
    out_h = 2.0 + 0.3 * seed
    found = roll_out(*air(period_s=period_s, out_h=out_h, lag_s=lag_s, seed=seed))
    assert found is not None
    # to the minute or two; a slow thermometer takes a tenth of its fall to show it
    assert -120.0 <= found.at_s - out_h * HOUR_s <= 120.0 + 0.15 * lag_s
    # 20 °C in the shop, -5 °C outside, which goes on cooling for the hour that is looked at
    assert found.fall_K == pytest.approx(25.5, abs=2.5)
    assert found.over_s <= 3600.0


@pytest.mark.parametrize(
    ("shop", "outside", "seen"), [(18.0, 10.0, True), (20.0, 17.0, False), (2.0, -14.0, True)]
)
def test_how_much_is_enough(shop: float, outside: float, seen: bool) -> None:
    found = roll_out(*air(shop_degC=shop, outside_degC=outside))
    assert (found is not None) == seen


def test_it_is_seen_ten_minutes_afterwards_and_not_before() -> None:
    time_s, air_K = air(lag_s=120.0)
    for minutes, seen in ((3.0, False), (8.0, False), (16.0, True), (60.0, True)):
        there = time_s <= 3.0 * HOUR_s + 60.0 * minutes
        assert (roll_out(time_s[there], air_K[there]) is not None) == seen, minutes


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("period_s", [10.0, 60.0])
def test_what_is_no_roll_out(seed: int, period_s: float) -> None:
    time_s, shop = air(out_h=None, period_s=period_s, seed=seed)
    rng = np.random.default_rng(100 + seed)
    hour = time_s / HOUR_s
    noise = 0.3 * rng.standard_normal(len(time_s))
    evening = 283.15 - 3.0 * hour + noise
    # a warm front's end, as quick as they come: 6 K in 45 min
    front = 288.15 - 6.0 * np.clip((hour - 3.0) / 0.75, 0.0, 1.0) - hour + noise
    door = shop - 14.0 * np.isin(np.floor(time_s / 300.0), [20, 33, 34, 50])
    # outside: the sun is on the thermometer for two hours, with clouds; then it is gone
    sun = 271.15 + lagged(
        np.where((hour > 1.5) & (hour < 3.5), 11.0 * (np.sin(time_s / 800.0) > -0.6), 0.0), period_s, 400.0
    )
    # and without a cloud, on a mild day, until the shade of a wall comes
    mild = 279.15 + lagged(np.where((hour > 1.5) & (hour < 2.7), 11.0, 0.0), period_s, 400.0)
    pushed_in = shop - 20.0 * (hour < 2.0)
    out_and_in = shop - 20.0 * ((hour > 2.0) & (hour < 3.0))
    for name, series in {
        "shop": shop, "evening": evening, "front": front, "door": door, "sun": sun + noise, "mild": mild + noise,
        "pushed in": pushed_in, "out and in": out_and_in,
    }.items():  # fmt: skip
        assert roll_out(time_s, series) is None, name


def test_dropouts_spikes_and_a_thermometer_without_supply_change_nothing() -> None:
    time_s, air_K = air(period_s=60.0)
    plain = roll_out(time_s, air_K)
    assert plain is not None
    rng = np.random.default_rng(3)
    holes = np.where(rng.random(len(time_s)) < 0.4, np.nan, air_K)
    spiked = air_K.copy()
    spiked[::17] = 273.15 - 50.0
    dead = air_K.copy()
    dead[10:60] = 273.15 + 85.0
    gap = np.where(np.abs(time_s - 3.0 * HOUR_s) < 600.0, np.nan, air_K)
    for series, apart_s in ((holes, 300.0), (spiked, 180.0), (dead, 1.0), (gap, 720.0)):
        found = roll_out(time_s, series)
        assert found is not None
        assert found.at_s == pytest.approx(plain.at_s, abs=apart_s)
        assert found.fall_K == pytest.approx(plain.fall_K, abs=1.0)


@pytest.mark.parametrize("count", [0, 1, 3, 9])
def test_too_little_is_none(count: int) -> None:
    time_s, air_K = air()
    assert roll_out(time_s[:count], air_K[:count]) is None
    assert roll_out(time_s, np.full(len(time_s), np.nan)) is None


# -- what ready and soak begin say ---------------------------------------------------------------------------


def invoke(*words: str) -> str:
    result = CliRunner().invoke(build_app([words[0]]), [*words])
    assert result.exit_code == 0, result.output
    return result.output


@pytest.mark.parametrize(
    ("begun", "seen"),
    [("18:20", False), ("19:00", True), ("21:00", True)],
)
def test_soak_begin_says_that_the_car_was_outside_already(tmp_path: Path, begun: str, seen: bool) -> None:
    path = tmp_path / "bay.journal"
    write(path)  # the simulated car stands in the shop at 16.9 °C and is rolled out at 18:27 into 5.7 °C
    said = json.loads(
        invoke("soak", "begin", "a", "-j", str(path), "--at", f"2027-01-15T{begun}:00Z", "--json")
    )
    if not seen:
        assert said["rolled_out"] is None
        return
    assert said["rolled_out"]["at"] == "2027-01-15T18:26:00Z"
    assert said["rolled_out"]["fall_K"] == pytest.approx(11.2, abs=0.3)
    # and so it is put right
    corrected = invoke("soak", "correct", "a", "-j", str(path), "--begin", said["rolled_out"]["at"], "--json")
    assert json.loads(corrected)["begun"] == "2027-01-15T18:26:00Z"


def test_people_are_told_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bay.journal"
    write(path)
    monkeypatch.setattr("logger.status.read_status", lambda _path, *, patience_s: Told(patience_s))
    said = invoke("soak", "begin", "a", "-j", str(path), "--at", "2027-01-15T19:00:00Z")
    assert "the air fell 11 K at 18:26 UTC, within" in said
    assert "the car seems to be outside already" in said
    assert "cornerhold soak correct 'a' --begin 2027-01-15T18:26:00Z" in said


class Told:
    """Stands for the logger's status, which waits for readings that don't come here."""

    def __init__(self, patience_s: float) -> None:
        self.sentence = f"waited {patience_s} s"


def test_ready_says_so_and_how_the_begin_is_given(tmp_path: Path) -> None:
    path, settings = tmp_path / "bay.journal", tmp_path / "bay.toml"
    settings.write_text('[soak]\nsupport = "blocked"\n')
    now_us = int(time.time() * 1e6)
    write(path, numbers=range(120), label=lambda n: now_us - (119 - n) * PERIOD_us)
    words = ["ready", "-s", str(settings), "-j", str(path), "--confirmed", "--no-delivery", "--json"]
    result = CliRunner().invoke(build_app(["ready"]), words)
    [check] = [one for one in json.loads(result.output)["checks"] if one["what"] == "roll-out"]
    assert check["state"] == "care"
    # 93 minutes ago, in UTC
    label = datetime.fromtimestamp((now_us - 93 * PERIOD_us) / 1e6, UTC)
    assert f"the air fell 11 K at {label:%H:%M} UTC" in check["sentence"]
    assert f"soak begin NAME --at {label:%Y-%m-%dT%H:%M}" in check["sentence"]


def test_in_the_shop_ready_has_nothing_to_say(tmp_path: Path) -> None:
    path, settings = tmp_path / "bay.journal", tmp_path / "bay.toml"
    settings.write_text('[soak]\nsupport = "blocked"\n')
    now_us = int(time.time() * 1e6)
    write(path, numbers=range(25), label=lambda n: now_us - (24 - n) * PERIOD_us)
    words = ["ready", "-s", str(settings), "-j", str(path), "--confirmed", "--no-delivery", "--json"]
    result = CliRunner().invoke(build_app(["ready"]), words)
    [check] = [one for one in json.loads(result.output)["checks"] if one["what"] == "roll-out"]
    assert check["state"] == "ok"
