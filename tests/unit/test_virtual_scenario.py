"""Scenario files, raw counts, and faults of wires and sensors."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logger.channels import Quality, convert_block
from logger.samples import SampleBlock
from logger.settings import PressureSensorSettings, SettingsError, default_settings
from logger.virtual.commands import truth_of
from logger.virtual.counts import to_counts, values_of
from logger.virtual.faults import Fault
from logger.virtual.plan import SoakPlan
from logger.virtual.scenario import Scenario, load_scenario, scenario_from_text, shipped_scenario
from logger.virtual.weather import HourlyRecord

HERE = Path("my.toml")


def refused(text: str) -> str:
    with pytest.raises(SettingsError) as caught:
        scenario_from_text(text, HERE)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("my.toml")
    return message


def test_an_empty_file_is_a_plain_night() -> None:
    scenario = scenario_from_text("", HERE)
    assert scenario == Scenario()
    assert scenario.plan.hours == 14.0


def test_the_shipped_weekend_is_what_its_story_says() -> None:
    scenario = shipped_scenario()
    plan = scenario.plan
    assert (plan.support, plan.hours, plan.period_s) == ("blocked", 62.0, 60.0)
    assert plan.begin_utc == datetime(2027, 1, 15, 18, tzinfo=UTC)
    assert plan.leaks[0].below_K == pytest.approx(268.15)
    truth = scenario.simulated().truth
    assert truth.loss_per_s["rear_left"] * 86400.0 > 0.05
    assert [truth.loss_per_s[name] for name in plan.sections if name != "rear_left"] == [0.0] * 3
    gas = truth.gas_K[:, 2]
    assert 0.2 < np.mean(gas < 268.15) < 0.8  # cold for long enough to show, warm for long enough to compare
    table = scenario.table()
    column = table.channels.index("front_right.pressure")
    assert set(table.counts[900:960, column]) <= {3.0, np.nan}
    assert len(table.counts) == 3721
    story = truth_of(scenario)
    assert json.loads(json.dumps(story))["sections"][2]["cold_onset_degC"] == pytest.approx(-5.0)


def test_everything_can_be_said() -> None:
    scenario = scenario_from_text(
        """
        seed = 5
        [soak]
        support = "standing"
        gas = "dry air"
        length = "20 min"
        period = "1 s"
        begin = "2027-02-01T06:00:00+01:00"
        [rig]
        name = "bay-9"
        speed = 10
        wait_for_host = false
        uptime_ms = 4294967000
        boot = 77
        buffer_depth = 100
        [car]
        shop = "15 degC"
        roll_out = "5 min"
        driven = false
        [weather]
        mean = "-10 degC"
        pressure = "950 hPa"
        [sections.front_left]
        fill = "8 bar"
        gas_temperature = "25 degC"
        [sections.front_right]
        [sections.rear_left]
        [sections.rear_right]
        [pressure_sensor]
        reference = "absolute"
        full_scale = "20 bar"
        [sensors]
        barometer = false
        heights = true
        dropouts_per_day = 0.0
        [[leaks]]
        section = "front_left"
        loss = "10 %/h"
        law = "orifice"
        begin = "10 min"
        rise = "1 min"
        [[events]]
        kind = "door"
        at = "2 min"
        size = "2 kPa"
        [[faults]]
        kind = "corrupt"
        at = "1 min"
        lasts = "1 min"
        share = "10 %"
        """,
        HERE,
    )
    plan = scenario.plan
    assert plan.begin_utc == datetime(2027, 2, 1, 5, tzinfo=UTC)
    assert plan.fills_Pa == {"front_left": 8e5}
    assert plan.leaks[0].loss_per_s == pytest.approx(0.1 / 3600.0)
    assert plan.disturbances[0].size == 2e3
    assert scenario.faults[0].share == pytest.approx(0.1)
    assert (scenario.rig.boot, scenario.rig.wait_for_host) == (77, False)
    table = scenario.table()
    assert "ambient.pressure" not in table.channels
    assert "front_left.height" in table.channels
    assert len(table.counts) == 1201


@pytest.mark.parametrize(
    ("text", "key", "reason"),
    [
        ("[soak]\nlenght = '62 h'", "soak.lenght", "did you mean 'length'"),
        ("[soak]\nlength = '62 mm'", "soak.length", "is a length"),
        ("[soak]\nsupport = 'hanging'", "soak.support", "none of"),
        ("[sections.front_left]\nfill = '900 bar'", "sections.front_left.fill", "impossible"),
        ("[[leaks]]\nloss = '2 %/day'", "leaks[1].section", "missing"),
        ("[[leaks]]\nsection = 'front_left'", "leaks[1].loss", "missing"),
        ("[[leaks]]\nsection = 'boot'\nloss = '2 %/day'", "", "'boot' is named"),
        ("leaks = 3", "leaks", "must be tables"),
        ("[[faults]]\nkind = 'melt'", "faults[1].kind", "none of"),
        ("[[faults]]\nkind = 'open'\nat = '1 h'\nlasts = '1 h'", "faults[1].channel", "missing"),
        ("[[faults]]\nkind = 'silence'\nat = '1 h'", "faults[1].lasts", "missing"),
        (
            "[[faults]]\nkind = 'open'\nat = '1 h'\nlasts = '1 h'\nchannel = 'front_left.height'",
            "",
            "no channel 'front_left.height'",
        ),
        ("[rig]\nwait_for_host = 'yes'", "rig.wait_for_host", "true or false"),
        ("[weather]\nfile = 'none.csv'", "weather.file", "can't be read"),
        ("[soak", "", "is no TOML"),
        ("[tyres]", "tyres", "unknown key"),
    ],
)
def test_bad_files_get_file_key_and_reason(text: str, key: str, reason: str) -> None:
    message = refused(text)
    assert key in message
    assert reason in message


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="can't be read"):
        load_scenario(tmp_path / "none.toml")


def test_weather_from_a_file_beside_the_scenario(tmp_path: Path) -> None:
    (tmp_path / "winter.csv").write_text(
        "elapsed_h,temperature_degC,pressure_kPa\n0,1.5,100\n20,-8,99\n", encoding="utf-8"
    )
    (tmp_path / "my.toml").write_text("[weather]\nfile = 'winter.csv'\n", encoding="utf-8")
    weather = load_scenario(tmp_path / "my.toml").plan.weather
    assert isinstance(weather, HourlyRecord)
    np.testing.assert_allclose(weather.temperature_K, [274.65, 265.15])
    (tmp_path / "winter.csv").write_text("elapsed_h,temperature_degC\n0,1.5\n1,cold\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"row 3: column temperature_degC: 'cold' is not a number"):
        load_scenario(tmp_path / "my.toml")
    (tmp_path / "winter.csv").write_text("elapsed_h\n0\n1\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="column temperature_degC is missing"):
        load_scenario(tmp_path / "my.toml")


def test_counts_of_the_default_converters() -> None:
    # 0.5–4.5 V at 5 V: 8 of 16 bar are 2.5 V; 187.5 µV per count (16 bits over ±6.144 V, datasheet of
    # such converters): 13,333. Digital: 1/16 K, 1 Pa, 0.1 mm per count.
    measured = {
        "a.pressure": np.array([8e5, 0.0, np.nan]),
        "a.height": np.array([0.36, 0.3, np.nan]),
        "ambient.temperature": np.array([273.15, 261.15, np.nan]),
        "ambient.pressure": np.array([101_325.0, 1e5, np.nan]),
    }
    counts = to_counts(measured, tuple(measured), PressureSensorSettings())
    assert values_of(counts[0]) == (13_333, 3600, 0, 101_325)
    assert values_of(counts[1]) == (2667, 3000, -192, 100_000)
    assert values_of(counts[2]) == (None, None, None, None)


def test_a_ratiometric_signal_follows_its_supply() -> None:
    measured = {"a.pressure": np.array([8e5]), "rig.supply_voltage": np.array([4.9])}
    counts = to_counts(measured, tuple(measured), PressureSensorSettings())
    assert counts[0, 1] == round(4.9 / 187.5e-6)
    assert counts[0, 0] == round(2.45 / 187.5e-6)
    assert values_of(np.array([np.inf, -np.inf])) == ("+", "-")


def test_faults_show_where_and_when_they_are() -> None:
    plan = replace(SoakPlan(hours=2.0), sensors=replace(SoakPlan().sensors, dropouts_per_day=0.0))
    faults = (
        Fault("open", 600.0, 600.0, "front_left.pressure"),
        Fault("short", 1800.0, 600.0, "front_left.pressure"),
        Fault("stuck", 3000.0, 600.0, "front_left.pressure"),
        Fault("open", 600.0, 600.0, "ambient.temperature"),
        Fault("short", 1800.0, 600.0, "ambient.temperature"),
        Fault("brownout", 4800.0, 600.0),
    )
    good, bad = Scenario(plan).table(), Scenario(plan, faults=faults).table()
    pressure, air = good.channels.index("front_left.pressure"), good.channels.index("ambient.temperature")
    supply = good.channels.index("rig.supply_voltage")
    assert set(bad.counts[10:20, pressure]) == {3.0}
    assert np.isnan(bad.counts[10:20, air]).all()
    assert np.array_equal(bad.counts[30:40, pressure], good.counts[30:40, supply])
    assert np.isinf(bad.counts[30:40, air]).all()
    assert set(bad.counts[50:60, pressure]) == {good.counts[49, pressure]}
    assert np.allclose(bad.counts[80:90, supply] / good.counts[80:90, supply], 4.1 / 5.0, rtol=1e-3)
    assert np.allclose(bad.counts[80:90, pressure] / good.counts[80:90, pressure], 4.1 / 5.0, rtol=1e-3)
    untouched = np.ones(len(good.counts), dtype=bool)
    for first in (10, 30, 50, 80):
        untouched[first : first + 10] = False
    assert np.array_equal(bad.counts[untouched], good.counts[untouched], equal_nan=True)


def test_the_host_reads_back_what_the_sensors_said() -> None:
    faults = (
        Fault("open", 600.0, 600.0, "front_left.pressure"),
        Fault("short", 1800.0, 600.0, "front_right.pressure"),
        Fault("stuck", 3000.0, 3000.0, "rear_left.pressure"),
        Fault("open", 600.0, 600.0, "ambient.temperature"),
    )
    scenario = Scenario(SoakPlan(hours=2.0, support="standing"), 3, faults=faults)
    table, measured = scenario.table(), scenario.simulated().measured
    micros = np.arange(len(table.counts), dtype=np.int64) * 60_000_000
    infinite = np.isinf(table.counts)
    block = SampleBlock(
        micros,
        micros,
        table.channels,
        np.where(infinite, np.nan, table.counts),
        infinite & (table.counts > 0),
        infinite & (table.counts < 0),
    )
    si = convert_block(block, default_settings())
    # one count: 16 bar over 4 V at 187.5 µV is 75 Pa, and the supply's own rounding adds a little
    step = {"pressure": 100.0, "height": 1e-4, "temperature": 1 / 16}
    for column, name in enumerate(table.channels):
        good = si.quality[:, column] == Quality.GOOD
        good[50:100] = False  # that a value is stuck is known only after a while
        assert good.sum() >= 50
        allowed = 1.0 if name == "ambient.pressure" else step[name.rpartition(".")[2]]
        assert np.abs(si.values[good, column] - measured[name][good]).max() <= 0.75 * allowed

    def told(name: str) -> set[int]:
        return set(si.quality[:, table.channels.index(name)].tolist())

    assert np.all(si.quality[10:20, table.channels.index("front_left.pressure")] == Quality.OPEN)
    assert np.all(si.quality[30:40, table.channels.index("front_right.pressure")] == Quality.SHORT)
    assert np.all(si.quality[10:20, table.channels.index("ambient.temperature")] == Quality.MISSING)
    assert Quality.STUCK in told("rear_left.pressure")
    assert told("rear_right.pressure") <= {Quality.GOOD, Quality.MISSING}
