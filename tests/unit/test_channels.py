"""Raw samples to SI with quality: faults, calibration, missing supply, stuck sensors, cut in any way."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.channels import STUCK_SAMPLES, Conversion, Quality, convert_block, flag_stuck
from logger.samples import SampleBlock
from logger.settings import Settings, settings_from_text

STEP_V = 187.5e-6
SECOND_us = 1_000_000


def block(columns: dict[str, list[float]], begin: int = 0) -> SampleBlock:
    """Counts by channel; NaN not read, ±inf over and under."""
    raw = np.array(list(columns.values()), float).T
    times = (begin + np.arange(len(raw), dtype=np.int64)) * SECOND_us
    over, under = np.isposinf(raw), np.isneginf(raw)
    return SampleBlock(times, times + 7, tuple(columns), np.where(over | under, np.nan, raw), over, under)


def counts(share: float, supply_V: float = 5.0) -> float:
    return share * supply_V / STEP_V


def test_standard_names_need_no_settings() -> None:
    converted = convert_block(
        block(
            {
                "a.pressure": [counts(0.5)],
                "a.height": [3615],
                "a.gas_temperature": [-160],
                "ambient.temperature": [320],
                "ambient.pressure": [101_325],
                "rig.supply_voltage": [5.0 / STEP_V],
                "a.mood": [7],
            }
        ),
        Settings(),
    )
    assert converted.names == (
        *("a.pressure", "a.height", "a.gas_temperature"),
        *("ambient.temperature", "ambient.pressure", "rig.supply_voltage"),
    )
    np.testing.assert_allclose(converted.values[0], [8e5, 0.3615, 263.15, 293.15, 101_325, 5.0])
    assert (converted.quality == Quality.GOOD).all()
    assert converted.utc_us.tolist() == [7]


def test_a_section_with_a_transducer_of_its_own_has_its_range() -> None:
    settings = settings_from_text('[sections.a.pressure_sensor]\nfull_scale = "10 bar"')
    converted = convert_block(block({"a.pressure": [counts(0.5)], "b.pressure": [counts(0.5)]}), settings)
    np.testing.assert_allclose(converted.values[0], [5e5, 8e5])


NAN, OVER, UNDER = np.nan, np.inf, -np.inf


@pytest.mark.parametrize(
    ("settings", "value", "quality"),
    [
        ("", NAN, Quality.MISSING),
        ("", OVER, Quality.SHORT),
        ("", UNDER, Quality.OPEN),
        ("", counts(0.01), Quality.OPEN),
        ("", counts(0.99), Quality.SHORT),
        ('idle = "high"', counts(0.01), Quality.SHORT),
        ('idle = "high"', counts(0.99), Quality.OPEN),
        ("", counts(0.07), Quality.OUT_OF_RANGE),
        ("", counts(0.085), Quality.GOOD),
        ("", counts(0.93), Quality.OUT_OF_RANGE),
        ('limits = ["1 bar", "12 bar"]', counts(0.11), Quality.OUT_OF_RANGE),
        ('signal_low = "0 %"\nsignal_high = "100 %"', counts(0.01), Quality.GOOD),
        ('signal_low = "0 %"\nsignal_high = "100 %"', counts(0.99), Quality.GOOD),
    ],
)
def test_quality_of_a_ratiometric_pressure(settings: str, value: float, quality: Quality) -> None:
    converted = convert_block(
        block({"a.pressure": [value]}), settings_from_text(f'[channels."a.pressure"]\n{settings}')
    )
    assert Quality(converted.quality[0, 0]) is quality
    assert np.isnan(converted.values[0, 0]) == (quality not in {Quality.GOOD, Quality.OUT_OF_RANGE})
    assert np.isnan(converted.good()[0, 0]) == (quality is not Quality.GOOD)


@pytest.mark.parametrize(
    ("converter", "share", "quality"),
    [
        ("thermistor", 0.001, Quality.SHORT),
        ("thermistor", 0.999, Quality.OPEN),
        ("thermistor", 0.5, Quality.GOOD),
        ("pt1000", 0.001, Quality.SHORT),
        ("pt1000", 0.999, Quality.OPEN),
        ("pt1000", 0.5, Quality.GOOD),
        ("pt1000", 0.7, Quality.OUT_OF_RANGE),  # 2333 Ω: 362 °C
        ("pt1000", 0.1, Quality.OUT_OF_RANGE),  # 111 Ω: below −200 °C
    ],
)
def test_quality_of_resistive_thermometers(converter: str, share: float, quality: Quality) -> None:
    settings = settings_from_text(f'[channels."ambient.temperature"]\nconverter = "{converter}"')
    converted = convert_block(block({"ambient.temperature": [counts(share)]}), settings)
    assert Quality(converted.quality[0, 0]) is quality
    if quality is Quality.GOOD:
        # R is that of the resistor above: by definition 1000 Ω are 0 °C, and 10 kΩ 25 °C
        expected_K = {"pt1000": 273.15, "thermistor": 298.15}[converter]
        assert converted.values[0, 0] == pytest.approx(expected_K, abs=0.001)


def test_lead_resistance_is_taken_off() -> None:
    text = '[channels."ambient.temperature"]\nconverter = "pt1000"\nlead = "3.9 ohm"\nsupply = "3.3 V"'
    share = 1003.9 / 2003.9
    converted = convert_block(block({"ambient.temperature": [counts(share, 3.3)]}), settings_from_text(text))
    assert converted.values[0, 0] == pytest.approx(273.15, abs=1e-6)


def test_over_and_under_of_a_digital_sensor_are_out_of_range() -> None:
    converted = convert_block(block({"a.height": [OVER, UNDER, NAN, 3600]}), Settings())
    assert converted.quality[:, 0].tolist() == [
        *(Quality.OUT_OF_RANGE, Quality.OUT_OF_RANGE, Quality.MISSING, Quality.GOOD)
    ]
    assert np.isnan(converted.values[:3, 0]).all()


def test_a_linear_sensor() -> None:
    text = '[channels."a.height"]\nconverter = "linear"\nrange = ["0 mm", "250 mm"]\ndivider = 2.0'
    converted = convert_block(block({"a.height": [1.25 / STEP_V]}), settings_from_text(text))
    assert converted.values[0, 0] == pytest.approx(0.125)  # 2.5 V of 0.5…4.5 V


def test_calibration_by_zero_and_span_and_by_points() -> None:
    zero_span = '[channels."a.pressure".calibration]\nzero = "2 kPa"\nspan = 1.01'
    converted = convert_block(block({"a.pressure": [counts(0.5)]}), settings_from_text(zero_span))
    assert converted.values[0, 0] == pytest.approx(2e3 + 1.01 * 8e5)
    points = (
        '[channels."a.pressure".calibration]\n'
        'points = [["0.1 bar", "0 bar"], ["8 bar", "8.1 bar"], ["16 bar", "16 bar"]]'
    )
    converted = convert_block(
        block({"a.pressure": [counts(0.5), counts(0.1 + 0.8 * 0.1 / 16), counts(0.7)]}),
        settings_from_text(points),
    )
    np.testing.assert_allclose(converted.values[:, 0], [8.1e5, 0.0, 8.1e5 + 4e5 * 7.9 / 8], atol=1e-6)


def test_a_missing_supply_reading_is_bridged_by_the_last_one_across_blocks() -> None:
    conversion = Conversion(Settings())
    supply, signal = 4.9 / STEP_V, counts(0.5, 4.9)
    first = conversion.convert(
        block({"a.pressure": [signal] * 4, "rig.supply_voltage": [NAN, supply, NAN, 0.0]})
    )
    assert first.quality[:, 0].tolist() == [Quality.MISSING, *[Quality.GOOD] * 3]
    np.testing.assert_allclose(first.values[1:, 0], 8e5)
    second = conversion.convert(block({"a.pressure": [signal], "rig.supply_voltage": [NAN]}, begin=4))
    assert second.quality[0, 0] == Quality.GOOD
    assert second.values[0, 0] == pytest.approx(8e5)


def test_a_rig_that_does_not_measure_its_supply_is_believed_to_have_five_volts() -> None:
    assert convert_block(block({"a.pressure": [counts(0.5)]}), Settings()).values[0, 0] == pytest.approx(8e5)


def test_a_stuck_transducer_is_flagged_after_its_time_and_good_again_when_it_moves() -> None:
    settings = settings_from_text('[channels."a.pressure"]\nstuck_after = "60 s"')
    series = [counts(0.5) + n % 2 for n in range(10)] + [counts(0.5)] * 100 + [counts(0.5) + 1]
    converted = convert_block(block({"a.pressure": series}), settings)
    quality = converted.quality[:, 0]
    assert (quality[:70] == Quality.GOOD).all()
    assert (quality[70:110] == Quality.STUCK).all()
    assert quality[110] == Quality.GOOD
    assert np.isfinite(converted.values[70:110, 0]).all()


def test_a_quiet_thermometer_is_not_stuck() -> None:
    converted = convert_block(block({"ambient.temperature": [80.0] * 100_000}), Settings())
    assert (converted.quality == Quality.GOOD).all()


def test_few_samples_far_apart_prove_nothing() -> None:
    rig_us = np.arange(STUCK_SAMPLES - 1, dtype=np.int64) * 3600 * SECOND_us
    flags, _ = flag_stuck(np.full(len(rig_us), 5.0), rig_us, 60 * SECOND_us, None)
    assert not flags.any()


@given(
    st.lists(st.sampled_from([1.0, 2.0, np.nan]), min_size=1, max_size=20).flatmap(
        lambda values: st.lists(st.integers(1, 30), min_size=len(values), max_size=len(values)).map(
            lambda repeats: np.repeat(values, repeats)
        )
    ),
    st.lists(st.integers(0, 200), max_size=6),
)
def test_stuck_does_not_depend_on_how_the_samples_are_cut(series: np.ndarray, cuts: list[int]) -> None:
    rig_us = np.arange(len(series), dtype=np.int64) * SECOND_us
    whole, _ = flag_stuck(series, rig_us, 25 * SECOND_us, None)
    parts, run = [], None
    for piece in np.split(np.arange(len(series)), sorted(min(cut, len(series)) for cut in cuts)):
        flags, run = flag_stuck(series[piece], rig_us[piece], 25 * SECOND_us, run)
        parts.append(flags)
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    # the plain way, sample by sample
    last, since, length, expected = np.nan, 0, 0, []
    for at, value in enumerate(series):
        if np.isnan(value):
            expected.append(False)
            continue
        if value != last:
            last, since, length = value, at, 0
        length += 1
        expected.append(at - since >= 25 and length >= STUCK_SAMPLES)
    np.testing.assert_array_equal(whole, expected)
