"""What `bench` makes of samples: values, noise, rate, quality."""

from __future__ import annotations

import json

import numpy as np
import pytest

from logger.bench.commands import cells_of
from logger.bench.window import Window, noise_of
from logger.protocol import Identity, Sample
from logger.settings import default_settings
from logger.virtual.counts import values_of
from logger.virtual.plan import SoakPlan
from logger.virtual.scenario import Scenario

CHANNELS = ("fl.pressure", "ambient.temperature", "fl.humidity", "rig.supply_voltage")
WHO = Identity(1, "bay-2", "1", 100, 7, 0, -1, CHANNELS)


def window(samples: int = 60) -> Window:
    return Window(WHO, default_settings(), samples)


def test_counts_become_values_with_quality() -> None:
    seen = window()
    for seq in range(6):
        assert seen.take(Sample(7, seq, 100 * seq, (8000, 401, 5, 26667)))
    picture = seen.picture()
    assert picture is not None
    pressure, temperature, unknown, supply = picture.channels
    # (8000/26667 - 0.1)/0.8 of 16 bar, the ratiometric rule on a default transducer, by hand
    assert pressure.value == pytest.approx((8000 / 26667 - 0.1) / 0.8 * 16e5)
    assert (pressure.unit, pressure.quality, pressure.good_share) == ("Pa", "good", 1.0)
    # 401/16 °C, the DS18B20 datasheet's 25.0625
    assert temperature.value == pytest.approx(273.15 + 25.0625)
    assert supply.value == pytest.approx(26667 * 187.5e-6)  # ADS1115, 187.5 µV a count
    assert (unknown.raw, unknown.value, unknown.quality) == (5, None, "unknown")
    assert picture.rate_per_s == pytest.approx(10.0)


def test_noise_is_that_of_a_reading_and_not_the_drift() -> None:
    rng = np.random.default_rng(3)
    for drift in (0.0, 5.0):
        noise = noise_of(rng.normal(0.0, 3.0, 4000) + drift * np.arange(4000))
        assert noise.one_reading == pytest.approx(3.0, rel=0.05)  # by construction
        assert noise.jumps == 0
    assert noise_of(np.array([1.0, np.nan, 2.0, 1.0, 2.0])) is None


def test_a_spike_and_a_step_are_jumps_and_no_noise() -> None:
    values = np.random.default_rng(4).normal(0.0, 3.0, 400)
    values[100] += 200.0
    values[300:] += 200.0
    noise = noise_of(values)
    assert noise.one_reading == pytest.approx(3.0, rel=0.15)  # by construction
    assert noise.jumps == 2
    quiet = noise_of(np.array([5.0, 5.0, 5.0, 5.0, 6.0, 5.0, 5.0, 5.0]))
    assert 0 < quiet.one_reading < 1  # a count now and then is the converter's own step


def test_noise_in_pascals_is_the_counts_times_the_step() -> None:
    seen = window()
    for seq in range(30):
        seen.take(Sample(7, seq, 100 * seq, (8000 + seq % 2, 401, 5, 26667)))
    pressure = seen.picture().channels[0]
    # a count is 16 bar / 0.8 / 26667 with this supply
    assert pressure.noise == pytest.approx(pressure.noise_counts * 16e5 / 0.8 / 26667)
    assert pressure.noise_counts == pytest.approx(np.std([(-1) ** n for n in range(29)], ddof=1) / 2**0.5)


def test_what_is_not_read_or_marked_has_no_value() -> None:
    seen = window()
    for seq, value in enumerate([8000, None, "+", "-", 3]):
        seen.take(Sample(7, seq, 100 * seq, (value, 401, 5, 26667)))
        reading = seen.picture().channels[0]
        assert reading.raw == value
        assert (reading.value is None) == (value != 8000)
        assert (reading.quality == "good") == (value == 8000)
    assert reading.good_share == pytest.approx(1 / 5)
    assert "20 % good" in cells_of(reading)[-1]


def test_only_samples_of_this_boot_in_order_count() -> None:
    seen = window()
    assert seen.take(Sample(7, 5, 2**32 - 100, (1, 2, 3, 4)))
    assert not seen.take(Sample(7, 5, 2**32 - 100, (1, 2, 3, 4)))
    assert not seen.take(Sample(8, 6, 0, (1, 2, 3, 4)))
    assert not seen.take(Sample(7, 6, 0, (1, 2, 3)))
    assert seen.take(Sample(7, 8, 200, (1, 2, 3, 4)))  # the uptime has wrapped
    picture = seen.picture(refused=4)
    assert (picture.missing, picture.samples, picture.refused) == (2, 2, 4)
    assert picture.rate_per_s == pytest.approx(10.0)
    assert json.loads(json.dumps(picture.as_dict()))["seq"] == 8


def test_a_pressure_without_noise_is_asked_about() -> None:
    for step, asked in ((0, True), (1, False)):
        seen = window()
        for seq in range(12):
            # a thermometer may stand still
            seen.take(Sample(7, seq, 100 * seq, (8000 + step * (seq * 7 % 5), 401, 5, 26667)))
        pressure, temperature, *_ = (cells_of(one)[-1] for one in seen.picture().channels)
        assert ("stuck?" in pressure) == asked
        assert temperature == "good"


def test_the_window_forgets() -> None:
    seen = window(samples=5)
    for seq in range(20):
        seen.take(Sample(7, seq, 100 * seq, (None if seq < 10 else 8000, 401, 5, 26667)))
    assert seen.picture().channels[0].good_share == 1.0


def test_the_noise_of_the_virtual_rig_is_what_its_makers_put_in() -> None:
    plan = SoakPlan(sections=("fl", "fr"), hours=1.0, period_s=2.0)
    table = Scenario(plan=plan, seed=11).table()
    seen = Window(
        Identity(1, "v", "1", 2000, 7, 0, -1, table.channels), default_settings(), len(table.counts)
    )
    for seq, row in enumerate(table.counts):
        seen.take(Sample(7, seq, 2000 * seq, values_of(row)))
    readings = {channel.name: channel for channel in seen.picture().channels}
    # logger/virtual: 700 Pa of noise on each sample and a count of 75 Pa
    for section in plan.sections:
        assert readings[f"{section}.pressure"].noise == pytest.approx(700.0, rel=0.06)
