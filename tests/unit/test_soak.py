"""Whole soaks, simulated, through the analysis: what is found, what is left undecided, and that cuts change nothing.

The simulator is the project's own (logger.virtual); what is expected is the truth that it hands out with a recording.
"""

from __future__ import annotations

import functools
import json
import os
from pathlib import Path
from typing import Any

# one soak is small work; threads inside numpy would only get into each other's way
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.bank import clearest_leak
from analysis.findings import findings
from analysis.notes import Note
from analysis.soak import SoakAnalysis
from logger.settings import settings_from_text
from logger.virtual.disturbances import Disturbance
from logger.virtual.draws import Fixed, Uniform
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import Simulated, SoakPlan
from logger.virtual.sensors import SensorPriors
from logger.virtual.thermal import ThermalPriors
from logger.virtual.weather import HourlyRecord

DAY_S = 86_400.0
BLOCKED = '[soak]\nsupport = "blocked"\ngas = "nitrogen"\nthreshold = "2 %/day"\n'
STANDING = BLOCKED.replace("blocked", "standing") + "".join(
    f'[sections.{name}]\ngas_column = "{column} mm"\n'
    for name, column in (("front_left", 250), ("front_right", 250), ("rear_left", 230), ("rear_right", 230))
)
PAIR = ("front_left", "rear_left")
# wind and sun as in the study: a car in a yard, not in a storm
YARD = ThermalPriors(wander_sd_K=Uniform(0.05, 0.4), shared_sd_K=Uniform(0.0, 0.15))
NO_DROPOUTS = SensorPriors(dropouts_per_day=0.0)
SCHEMA = json.loads((Path(__file__).parents[1] / "external/data/findings.schema.json").read_text("utf-8"))


def analysed(
    simulated: Simulated,
    text: str,
    *,
    cuts: tuple[int, ...] = (),
    without: tuple[str, ...] = (),
    days_later: int = 0,
) -> dict[str, Any]:
    """Return the findings of a simulated recording; the schema of the contract is checked on each."""
    measured = {name: v for name, v in simulated.measured.items() if not name.endswith(without or ("-",))}
    rows = np.any([np.isfinite(v) for v in measured.values()], axis=0)
    time_s, values = simulated.time_s[rows], {name: v[rows] for name, v in measured.items()}
    begin = np.datetime64(simulated.plan.begin_utc.replace(tzinfo=None), "us") + np.timedelta64(
        days_later, "D"
    )
    soak = SoakAnalysis(settings_from_text(text), simulated.plan.sections, begin_utc=begin)
    for start, end in zip([0, *cuts], [*cuts, len(time_s)], strict=True):
        soak.feed(time_s[start:end], {name: v[start:end] for name, v in values.items()})
    soak.finish()
    said = findings(soak, "soak.csv")
    jsonschema.validate(json.loads(json.dumps(said, allow_nan=False)), SCHEMA)
    return said


def section(said: dict[str, Any], name: str = "front_left") -> dict[str, Any]:
    return next(s for s in said["sections"] if s["name"] == name)


def kinds(said: dict[str, Any], name: str = "front_left") -> list[str]:
    return [alarm["kind"] for alarm in section(said, name)["alarms"]]


@functools.cache
def blocked(seed: int) -> Simulated:
    """26 h on stands, the first of two sections loses 10 %/day."""
    leak = Leak("front_left", 0.10 / DAY_S)
    return simulate(SoakPlan(hours=26.0, leaks=(leak,), thermal=YARD, sections=PAIR), seed)


@functools.cache
def standing(seed: int) -> Simulated:
    """38 h on the wheels, one corner loses 12 %/day."""
    leak = Leak("front_left", 0.12 / DAY_S)
    return simulate(
        SoakPlan(support="standing", hours=38.0, period_s=120.0, leaks=(leak,), thermal=YARD), seed
    )


@functools.cache
def busy() -> Simulated:
    """A night with something of everything: a leak that begins, a valve, dropouts, spikes by the sensors' priors."""
    return simulate(
        SoakPlan(
            hours=9.0,
            leaks=(Leak("front_left", 1.0 / DAY_S, begin_s=9000.0),),
            disturbances=(Disturbance("valve", 20_000.0, 0.05, "rear_left"),),
            thermal=YARD,
            sections=PAIR,
            sensors=SensorPriors(dropouts_per_day=8.0),
        ),
        4,
    )


# -- blocked -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tight_and_leaking_section_on_stands(seed: int) -> None:
    simulated = blocked(seed)
    said = analysed(simulated, BLOCKED)
    assert (section(said)["verdict"], section(said, "rear_left")["verdict"]) == ("leaking", "tight")
    for name in PAIR:
        # three times the 0.35 %/day that the design aims at as RMS for 14 h; these are 26 h
        truth = simulated.truth.loss_per_s[name] * DAY_S
        assert section(said, name)["loss_per_day"] == pytest.approx(truth, abs=0.0105)
        low, high = section(said, name)["loss_per_day_interval95"]
        assert low < section(said, name)["loss_per_day"] < high
        coldest = simulated.truth.coldest_gas_K[name] - 273.15
        assert section(said, name)["coldest_gas_degC"] == pytest.approx(coldest, abs=1.5)
    assert "leak" in kinds(said)
    assert "leak" not in kinds(said, "rear_left")
    assert section(said)["probability_over_threshold"] > 0.95
    assert section(said, "rear_left")["probability_over_threshold"] < 0.05
    assert any("coldest reached" in note for note in section(said, "rear_left")["notes"])
    assert said["hours"] == pytest.approx(26.0, abs=0.5)


def test_a_short_soak_does_not_say_tight() -> None:
    simulated = simulate(SoakPlan(hours=3.0, thermal=YARD, sections=PAIR, sensors=NO_DROPOUTS), 1)
    said = analysed(simulated, BLOCKED)
    assert {s["verdict"] for s in said["sections"]} == {"undecided"}
    assert any("3.0 h of 4.0 h" in note for note in section(said)["notes"])


def test_a_plan_that_was_not_kept_is_undecided_for_the_tight_and_leaking_for_the_leak() -> None:
    said = analysed(blocked(2), BLOCKED + 'planned_cold = "-25 degC"\nplanned_length = "60 h"\n')
    assert section(said)["verdict"] == "leaking"
    tight = section(said, "rear_left")
    assert tight["verdict"] == "undecided"
    assert sum("-25.0 °C" in note or "60.0 h" in note for note in tight["notes"]) == 2


def test_volume_gives_a_leak_rate() -> None:
    # q = loss·p·V, ideal identity at the mean absolute pressure as the rig read it
    simulated = blocked(1)
    said = section(analysed(simulated, BLOCKED + '[sections.front_left]\nvolume = "3.2 L"\n'))
    read = simulated.measured
    mean_Pa = float(np.nanmean(read["front_left.pressure"] + read["ambient.pressure"]))
    expected = said["loss_per_day"] / DAY_S * mean_Pa * 3.2e-3
    # the transducer errs by offset, span and temperature: 0.02 %/K of 16 bar over 20 K alone are 0.8 % of 8 bar
    assert said["leak_rate_Pa_m3_per_s"] == pytest.approx(expected, rel=0.02)
    # the words are tested with analysis.hole; here, that whoever looks for the leak gets them
    assert any(note.startswith("The leak: ") and "bubble" in note for note in said["notes"])


# -- only in the cold ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("onset_degC", [-1.0, -5.0])
def test_a_leak_that_opens_in_the_cold_is_found_with_its_onset(seed: int, onset_degC: float) -> None:
    # three nights of -11 °C and days of +5 °C: the gas passes the onset six times
    time_s = np.arange(0.0, 73.0 * 3600.0, 3600.0)
    weather = HourlyRecord(time_s, 270.15 - 8.0 * np.sin(2.0 * np.pi * time_s / DAY_S))
    leak = Leak("front_left", 0.15 / DAY_S, below_K=273.15 + onset_degC)
    plan = SoakPlan(hours=70.0, period_s=120.0, weather=weather, leaks=(leak,), thermal=YARD, sections=PAIR)
    simulated = simulate(plan, seed)
    said = analysed(simulated, BLOCKED)
    found = section(said)
    assert found["verdict"] == "leaking"
    assert found["loss_per_day"] == pytest.approx(simulated.truth.loss_per_s["front_left"] * DAY_S, abs=0.01)
    assert found["cold_onset_degC"] == pytest.approx(onset_degC, abs=3.0)
    low, high = found["cold_onset_interval95_degC"]
    assert low < found["cold_onset_degC"] < high
    assert found["loss_per_day_below_onset"] == pytest.approx(0.15, rel=0.25)
    assert section(said, "rear_left")["cold_onset_degC"] is None
    assert section(said, "rear_left")["verdict"] == "tight"


@pytest.mark.parametrize("hours", [11.0, 35.0])
def test_an_onset_is_named_once_the_leak_has_closed_again(
    monkeypatch: pytest.MonkeyPatch, hours: float
) -> None:
    # while it only cools a leak that began at a time looks the same; whatever the weights say, it must become warmer
    monkeypatch.setattr("analysis.findings.ONSET_WEIGHT_ONLY_COOLED", 2.0)
    monkeypatch.setattr("analysis.findings.ONSET_WEIGHT", 0.0)
    time_s = np.arange(0.0, 37.0 * 3600.0, 1800.0)
    weather = HourlyRecord(time_s, 270.15 + 10.0 * np.cos(2.0 * np.pi * time_s / DAY_S))
    leak = Leak("front_left", 0.3 / DAY_S, below_K=273.15 - 2.0)
    plan = SoakPlan(hours=hours, period_s=120.0, weather=weather, leaks=(leak,), thermal=YARD, sections=PAIR)
    found = section(analysed(simulate(plan, 1), BLOCKED))
    assert (found["cold_onset_degC"] is not None) == (hours > 24.0)


# -- standing ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
def test_standing_with_heights(seed: int) -> None:
    said = analysed(standing(seed), STANDING)
    assert section(said)["verdict"] == "leaking"
    assert section(said)["loss_per_day"] == pytest.approx(
        0.12, abs=0.0135
    )  # three times the aimed RMS for 14 h
    assert section(said)["sink_mm_per_day"] == pytest.approx(section(said)["loss_per_day"] * 250.0, rel=1e-4)
    for name in ("front_right", "rear_left", "rear_right"):
        assert section(said, name)["verdict"] == "tight", name
        assert "leak" not in kinds(said, name)


def test_standing_without_heights_is_undecided_with_that_reason() -> None:
    said = analysed(standing(1), STANDING, without=(".height",))
    for found in said["sections"]:
        assert found["verdict"] == "undecided"
        for key in (
            "loss_per_day",
            "loss_per_day_interval95",
            "probability_over_threshold",
            "sink_mm_per_day",
        ):
            assert found[key] is None, key
        assert any("no heights" in note for note in found["notes"])
        assert "leak" not in [a["kind"] for a in found["alarms"]]


def test_standing_without_a_gas_column_is_undecided_with_that_reason() -> None:
    said = analysed(standing(1), BLOCKED.replace("blocked", "standing"))
    for found in said["sections"]:
        assert (found["verdict"], found["loss_per_day"]) == ("undecided", None)
        assert any("gas_column" in note for note in found["notes"])


# -- what is missing -----------------------------------------------------------------------------------------


def test_without_any_temperature_nothing_is_decided() -> None:
    said = analysed(blocked(1), BLOCKED, without=("ambient.temperature", ".gas_temperature"))
    assert said["coldest_ambient_degC"] is None
    for found in said["sections"]:
        assert (found["verdict"], found["loss_per_day"]) == ("undecided", None)
        assert any("temperature" in note for note in found["notes"])


def test_without_a_barometer_the_interval_is_wider_and_a_note_says_why() -> None:
    known = section(analysed(blocked(2), BLOCKED), "rear_left")
    without = section(analysed(blocked(2), BLOCKED, without=("ambient.pressure",)), "rear_left")
    width, wider = (np.diff(s["loss_per_day_interval95"])[0] for s in (known, without))
    assert wider > width
    assert any("barometer" in note for note in without["notes"])


def test_a_section_whose_transducer_never_spoke() -> None:
    said = analysed(blocked(1), BLOCKED, without=("front_left.pressure",))
    assert (section(said)["verdict"], section(said)["loss_per_day"]) == ("undecided", None)
    assert "sensor" in kinds(said)
    assert section(said, "rear_left")["verdict"] == "tight"


@pytest.mark.parametrize("rows", [0, 1, 5, 40])
def test_hardly_any_rows(rows: int) -> None:
    simulated = blocked(2)
    soak = SoakAnalysis(settings_from_text(BLOCKED), PAIR)
    soak.feed(simulated.time_s[:rows], {name: v[:rows] for name, v in simulated.measured.items()})
    soak.finish()
    said = findings(soak, "soak.csv")
    jsonschema.validate(json.loads(json.dumps(said, allow_nan=False)), SCHEMA)
    assert {s["verdict"] for s in said["sections"]} == {"undecided"}


# -- events --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_valve_opened_counts_as_loss_unless_somebody_says_that_it_was_theirs(seed: int) -> None:
    valve = Disturbance("valve", 30_000.0, 0.05, "front_left")
    plan = SoakPlan(hours=26.0, thermal=YARD, sections=PAIR, disturbances=(valve,), sensors=NO_DROPOUTS)
    simulated = simulate(plan, seed)
    said = analysed(simulated, BLOCKED)
    found = section(said)
    assert found["verdict"] == "leaking"
    assert found["loss_per_day"] == pytest.approx(0.05 / 26.0 * 24.0, abs=0.0105)
    # 18:00 + 30,000 s = 02:20; a bin is five minutes
    (note,) = (n for n in found["notes"] if "went at once" in n)
    assert "2027-01-16T02:2" in note
    assert "5." in note or "4.9" in note
    assert not any("went at once" in n for n in section(said, "rear_left")["notes"])
    assert kinds(said) == ["leak"]
    begin = np.datetime64("2027-01-15T18:00", "us")
    at = Note("valve", begin + np.timedelta64(30_000, "s"), ("front_left",))
    soak = SoakAnalysis(settings_from_text(BLOCKED), PAIR, begin_utc=begin, notes=(at,))
    soak.feed(simulated.time_s, simulated.measured)
    soak.finish()
    theirs = section(findings(soak, "x"))
    assert theirs["verdict"] != "leaking"
    assert abs(theirs["loss_per_day"]) < 0.0105
    assert theirs["alarms"] == []
    assert any("in 2 pieces" in n for n in theirs["notes"])


def test_a_burst_is_an_alarm_and_forbids_tight() -> None:
    # 1.2 % a minute for six minutes, then shut: 7 %
    simulated = simulate(SoakPlan(hours=14.0, thermal=YARD, sections=PAIR, sensors=NO_DROPOUTS), 1)
    lost = 0.012 * np.clip((simulated.time_s - 20_000.0) / 60.0, 0.0, 6.0)
    around = 101_325.0
    name = "front_left.pressure"
    measured = dict(simulated.measured)
    measured[name] = (measured[name] + around) * np.exp(-lost) - around
    burst = Simulated(simulated.plan, 1, simulated.time_s, measured, simulated.truth)
    said = analysed(burst, BLOCKED)
    assert "burst" in kinds(said)
    assert section(said)["verdict"] != "tight"
    (alarm,) = (a for a in section(said)["alarms"] if a["kind"] == "burst")
    # begins at 23:33:20; 2 % are lost 100 s later
    assert "2027-01-15T23:34:00Z" < alarm["raised"] <= "2027-01-15T23:37:00Z"
    assert "burst" not in kinds(said, "rear_left")


# -- cuts and labels -----------------------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(cuts=st.lists(st.integers(0, 480), max_size=12))
def test_chunks_of_any_size_give_identical_findings(cuts: list[int]) -> None:
    assert analysed(busy(), BLOCKED, cuts=tuple(sorted(cuts))) == whole()


@pytest.mark.parametrize("size", [1, 7, 100])
def test_equal_chunks_give_identical_findings(size: int) -> None:
    rows = len(busy().time_s)
    got = analysed(busy(), BLOCKED, cuts=tuple(range(size, rows - 100, size)))
    assert got == whole()


@functools.cache
def whole() -> dict[str, Any]:
    said = analysed(busy(), BLOCKED)
    # else the comparison would compare next to nothing
    assert kinds(said)
    assert kinds(said, "rear_left")
    assert section(said)["loss_per_day"] is not None
    return said


def test_standing_chunks_give_identical_findings() -> None:
    cuts = (1, 2, 50, 51, 333, 700)
    assert analysed(standing(1), STANDING, cuts=cuts) == analysed(standing(1), STANDING)


def test_a_snapshot_changes_nothing_and_is_what_a_finished_soak_says() -> None:
    simulated = blocked(3)
    rows = np.any([np.isfinite(v) for v in simulated.measured.values()], axis=0)
    time_s, values = simulated.time_s[rows], {name: v[rows] for name, v in simulated.measured.items()}
    half = len(time_s) // 2
    looked, unseen = (SoakAnalysis(settings_from_text(BLOCKED), PAIR) for _ in range(2))
    for soak in (looked, unseen):
        soak.feed(time_s[:half], {name: v[:half] for name, v in values.items()})
    early = findings(looked.snapshot(), "soak.csv")
    for soak in (looked, unseen):
        soak.feed(time_s[half:], {name: v[half:] for name, v in values.items()})
        soak.finish()
    assert findings(looked, "soak.csv") == findings(unseen, "soak.csv")
    assert early["hours"] == pytest.approx(13.0, abs=0.5)


@pytest.mark.parametrize("days", [1, -1, 365])
def test_a_wall_clock_off_by_days_changes_labels_only(days: int) -> None:
    right, shifted = analysed(blocked(1), BLOCKED), analysed(blocked(1), BLOCKED, days_later=days)
    assert shifted["begin"] != right["begin"]
    for a, b in zip(right["sections"], shifted["sections"], strict=True):
        for key in set(a) - {"alarms", "notes"}:
            assert a[key] == b[key], key
        assert [x["kind"] for x in a["alarms"]] == [x["kind"] for x in b["alarms"]]


def test_no_wall_clock_at_all_is_said_and_changes_no_verdict() -> None:
    simulated = blocked(1)
    rows = np.any([np.isfinite(v) for v in simulated.measured.values()], axis=0)
    soak = SoakAnalysis(settings_from_text(BLOCKED), PAIR)
    soak.feed(simulated.time_s[rows], {name: v[rows] for name, v in simulated.measured.items()})
    soak.finish()
    said = findings(soak, "soak.csv")
    assert [s["verdict"] for s in said["sections"]] == ["leaking", "tight"]
    assert any("no clock" in note for note in section(said)["notes"])


def test_a_gauge_and_an_absolute_transducer_agree() -> None:
    # the same readings with the barometer added to them: the balance is of absolute pressure either way
    simulated = simulate(
        SoakPlan(
            hours=26.0, thermal=YARD, sections=PAIR, sensors=SensorPriors(barometer_noise_Pa=Fixed(0.0))
        ),
        2,
    )
    measured = dict(simulated.measured)
    for name in PAIR:
        measured[f"{name}.pressure"] = measured[f"{name}.pressure"] + measured["ambient.pressure"]
    absolute = Simulated(simulated.plan, 2, simulated.time_s, measured, simulated.truth)
    as_gauge = analysed(simulated, BLOCKED)
    as_absolute = analysed(absolute, BLOCKED + '[pressure_sensor]\nreference = "absolute"\n')
    for name in PAIR:
        one, other = section(as_gauge, name), section(as_absolute, name)
        assert one["verdict"] == other["verdict"]
        # not the same number: as absolute the barometer's own error is no longer allowed for
        assert one["loss_per_day"] == pytest.approx(other["loss_per_day"], abs=0.002)


def test_a_glance_at_some_sections_is_what_one_at_all_says_of_them() -> None:
    simulated = simulate(SoakPlan(hours=8.0, thermal=YARD, leaks=(Leak("rear_left", 0.3 / DAY_S),)), 4)
    soak = SoakAnalysis(settings_from_text(BLOCKED), simulated.plan.sections)
    soak.feed(simulated.time_s, simulated.measured)
    everything = soak.estimator.glance(np.arange(4))
    some = soak.estimator.glance(np.array([2, 0]))
    assert everything is not None
    assert some is not None
    np.testing.assert_array_equal(some.weight, everything.weight[[2, 0]])
    np.testing.assert_array_equal(some.log_odds, everything.log_odds[[2, 0]])
    # the leak is the clearest of all
    clear = clearest_leak(soak.estimator.bank)
    assert clear.argmax() == 2
    assert clear[2] > 5.0


def test_the_sun_goes_by_the_place() -> None:
    """A car at 90° west, six hours behind: with its longitude the same soak says what it says at Greenwich."""
    simulated = simulate(SoakPlan(hours=40.0, sections=PAIR, thermal=YARD), 6)

    def said(longitude: float, hours_later: int) -> list[Any]:
        soak = SoakAnalysis(
            settings_from_text(f"[rig]\nlongitude = {longitude}\n" + BLOCKED),
            PAIR,
            begin_utc=np.datetime64("2027-01-15T18:00", "us") + np.timedelta64(hours_later, "h"),
        )
        soak.feed(simulated.time_s, simulated.measured)
        soak.finish()
        return [s["loss_per_day"] for s in findings(soak, "x")["sections"]]

    here = said(0.0, 0)
    # the day by UTC is another one then: the same hour of the sun is a whole day off
    assert said(-90.0, 6) == pytest.approx(here, rel=1e-9)
    assert said(0.0, 6) != pytest.approx(here, rel=1e-6)


def test_a_section_that_seems_to_gain_gas_is_not_tight() -> None:
    """A transducer that creeps upward hides a leak: 3 %/day lost, 6 %/day gained by its drift."""
    simulated = simulate(
        SoakPlan(hours=40.0, thermal=YARD, sections=PAIR, leaks=(Leak("front_left", 0.03 / DAY_S),)), 8
    )
    values = dict(simulated.measured)
    values["front_left.pressure"] = values["front_left.pressure"] * np.exp(0.06 * simulated.time_s / DAY_S)
    soak = SoakAnalysis(settings_from_text(BLOCKED), PAIR)
    soak.feed(simulated.time_s, values)
    soak.finish()
    bad, good = findings(soak, "x")["sections"]
    assert bad["verdict"] == "undecided"
    assert any("gain gas" in note for note in bad["notes"])
    # what is wrong there may be wrong with the temperature of all
    assert good["verdict"] == "undecided"
    assert good["reasons"] == ["neighbour_doubtful"]
