"""Sensors that fail in the middle of a soak: the unknown must widen the interval, not look like a leak or like none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.effects import COLUMN
from analysis.findings import findings
from analysis.judging import judge
from analysis.soak import SoakAnalysis
from analysis.verdict import MISFIT, Conditions, decide
from logger.settings import settings_from_text
from logger.virtual.draws import Fixed
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import Simulated, SoakPlan
from logger.virtual.weather import InventedWinter

HOUR_S = 3600.0
DAY_S = 86_400.0
SETTINGS = settings_from_text('[soak]\nsupport = "blocked"\n')


def soaked(seed: int) -> Simulated:
    # a place well above the sea: the standard atmosphere is wrong there by 60 hPa
    weather = InventedWinter(pressure_Pa=Fixed(95_000.0))
    leak = Leak("rear_left", 0.06 / DAY_S)
    return simulate(SoakPlan(hours=26.0, weather=weather, leaks=(leak,)), seed)


def analysed(
    simulated: Simulated, without: dict[str, tuple[float, float]]
) -> tuple[dict[str, dict], SoakAnalysis]:
    """Findings by section, with channels empty between the hours given ('*' = all channels)."""
    time_s = simulated.time_s
    values = {name: column.copy() for name, column in simulated.measured.items()}
    for channel, (begin_h, end_h) in without.items():
        gone = (time_s >= begin_h * HOUR_S) & (time_s < end_h * HOUR_S)
        for name in values if channel == "*" else (channel,):
            values[name][gone] = np.nan
    soak = SoakAnalysis(
        SETTINGS, simulated.plan.sections, begin_utc=np.datetime64("2027-01-15T18:00:00", "us")
    )
    soak.feed(time_s, values)
    soak.finish()
    return {s["name"]: s for s in findings(soak, "x")["sections"]}, soak


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize(
    "without",
    [
        {"ambient.pressure": (10.0, 99.0)},
        {"ambient.pressure": (10.0, 14.0)},
        {"ambient.temperature": (10.0, 16.0)},
        {"*": (10.0, 16.0)},
    ],
    ids=["barometer gone", "barometer away", "air away", "rig away"],
)
def test_a_sensor_that_fails_midway_makes_no_leak_and_hides_none(
    seed: int, without: dict[str, tuple[float, float]]
) -> None:
    simulated = soaked(seed)
    said, soak = analysed(simulated, without)
    for name, section in said.items():
        truth = simulated.truth.loss_per_s[name] * DAY_S
        # truth from the simulator; 2 %/day is three times the usual error of such a soak (tests/study)
        assert section["loss_per_day"] == pytest.approx(truth, abs=0.02)
        assert section["verdict"] != ("tight" if truth > 0.04 else "leaking")
        assert [s for s in soak.estimator.guard.steps if s.section == name] == []


def test_a_silent_rig_is_blind_and_no_row_of_dead_sensors() -> None:
    said, _ = analysed(soaked(1), {"*": (10.0, 11.0)})
    for section in said.values():
        kinds = [a["kind"] for a in section["alarms"]]
        assert "blind" in kinds
        assert "sensor" not in kinds


def test_one_dead_wire_is_one_dead_sensor() -> None:
    said, _ = analysed(soaked(1), {"front_left.pressure": (10.0, 11.0)})
    assert [name for name, s in said.items() if any(a["kind"] == "sensor" for a in s["alarms"])] == [
        "front_left"
    ]


def test_a_pressure_that_is_away_leaves_the_gas_column_alone() -> None:
    """A standing section with a height and no pressure once pinned its column's error to nothing."""
    text = '[soak]\nsupport = "standing"\n[sections.front_left]\ngas_column = "250 mm"\n'
    simulated = simulate(SoakPlan(support="standing", hours=26.0), 3)
    values = {name: column.copy() for name, column in simulated.measured.items()}
    gone = (simulated.time_s > 15.0 * HOUR_S) & (simulated.time_s < 17.0 * HOUR_S)
    values["front_left.pressure"][gone] = np.nan
    said = []
    for one in (simulated.measured, values):
        soak = SoakAnalysis(settings_from_text(text), ("front_left",))
        soak.feed(simulated.time_s, one)
        soak.finish()
        covariance = soak.estimator.bank.covariance[0, :, COLUMN, COLUMN]
        said.append(np.sqrt(covariance))
    # two hours less tell less of the column, never more
    assert (said[1] >= 0.95 * said[0]).all()


def test_readings_that_no_model_describes_are_never_tight() -> None:
    simulated = simulate(SoakPlan(hours=62.0, weather=InventedWinter(), leaks=()), 5)
    hours = simulated.time_s / HOUR_S
    plain = judge_all(simulated)
    # a valve that breathes every half hour: up and down, on the mean nothing is lost
    simulated.measured["front_left.pressure"] *= 1.0 + 0.004 * np.sign(np.sin(2.0 * np.pi * hours))
    strange = judge_all(simulated)
    assert plain["front_left"].misfit < 1.3
    assert strange["front_left"].misfit > MISFIT
    verdict, reasons = decide(replace(strange["front_left"], probability_over=0.0))
    assert verdict == "undecided"
    assert "the readings stray" in reasons[-1]
    assert strange["front_right"].misfit == plain["front_right"].misfit


def judge_all(simulated: Simulated) -> dict[str, Conditions]:
    _, soak = analysed(simulated, {})
    return {name: judge(soak, i).conditions for i, name in enumerate(soak.sections)}
