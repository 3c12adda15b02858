"""Sensor formulas against published tables; each table in data/ names its source and how it was obtained."""

import csv
import doctest
from pathlib import Path

import numpy as np
import pytest

from logger import channel_settings, convert
from logger.channels import Quality, convert_block
from logger.samples import SampleBlock
from logger.settings import Settings, settings_from_text

DATA = Path(__file__).parent / "data"


def table(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def column(rows: list[dict[str, str]], name: str) -> np.ndarray:
    return np.array([float(row[name]) for row in rows])


def block_of(name: str, counts: np.ndarray) -> SampleBlock:
    raw = counts.reshape(-1, 1).astype(float)
    times = np.arange(len(raw), dtype=np.int64) * 1_000_000
    return SampleBlock(times, times, (name,), raw, np.isposinf(raw), np.isneginf(raw))


def test_platinum_resistance_and_temperature() -> None:
    rows = table("pt100_iec60751.csv")
    t_degC = column(rows, "t_C")
    np.testing.assert_allclose(
        convert.pt_resistance(t_degC, 100.0), column(rows, "R_Pt100_computed_ohm"), atol=6e-6
    )
    np.testing.assert_allclose(
        convert.pt_resistance(t_degC), column(rows, "R_Pt1000_computed_ohm"), atol=6e-5
    )
    published = [row for row in rows if row["R_Pt100_published_ohm"]]
    assert len(published) == 12
    # printed to 0.01 Ω
    np.testing.assert_allclose(
        convert.pt_resistance(column(published, "t_C"), 100.0),
        column(published, "R_Pt100_published_ohm"),
        atol=0.005,
    )
    # 0.005 Ω of a Pt100 are 0.013 K
    back_K = convert.pt_temperature_K(column(published, "R_Pt100_published_ohm"), 100.0)
    np.testing.assert_allclose(back_K - 273.15, column(published, "t_C"), atol=0.014)


def test_platinum_there_and_back_over_its_whole_range() -> None:
    t_degC = np.linspace(-200, 850, 2101)
    back_K = convert.pt_temperature_K(convert.pt_resistance(t_degC))
    np.testing.assert_allclose(back_K - 273.15, t_degC, atol=1e-8)
    assert np.isnan(convert.pt_temperature_K(np.array([100.0, 5000.0, -1.0, np.nan]))).all()


def test_thermistor() -> None:
    rows = table("thermistor_10k.csv")
    coefficients = (1.129241e-3, 2.341077e-4, 8.775468e-8)
    published = [row for row in rows if row["R_published_ohm"]]
    assert len(published) == 13
    t_K = convert.thermistor_temperature_K(column(published, "R_published_ohm"), coefficients)
    # the reference work found the printed table and the printed coefficients within 0.0024 K of one another
    np.testing.assert_allclose(t_K - 273.15, column(published, "t_C"), atol=0.0025)
    t_K = convert.thermistor_temperature_K(column(rows, "R_from_coefficients_ohm"), coefficients)
    np.testing.assert_allclose(t_K - 273.15, column(rows, "t_C"), atol=1e-4)
    assert np.isnan(convert.thermistor_temperature_K(np.array([0.0, -5.0, np.nan]), coefficients)).all()
    assert coefficients == channel_settings.NTC_10K


def counts_of_divider(lower_ohm: np.ndarray, upper_ohm: float, supply_V: float = 3.3) -> np.ndarray:
    """Counts of 187.5 µV at a pin with a resistor to the supply and the sensor to ground: the divider, by hand."""
    return supply_V * lower_ohm / (lower_ohm + upper_ohm) / 187.5e-6


def test_a_platinum_thermometer_from_counts_to_kelvin() -> None:
    rows = table("pt100_iec60751.csv")
    text = '[channels."a.gas_temperature"]\nconverter = "pt1000"\nsupply = "3.3 V"\n'
    text += 'pull_up = "2.2 kohm"\nlead = "0.4 ohm"\n'
    counts = counts_of_divider(column(rows, "R_Pt1000_computed_ohm") + 0.4, 2200.0)
    converted = convert_block(block_of("a.gas_temperature", counts), settings_from_text(text))
    np.testing.assert_allclose(converted.values[:, 0] - 273.15, column(rows, "t_C"), atol=1e-4)
    inside = column(rows, "t_C") > -60.0
    assert (converted.quality[inside, 0] == Quality.GOOD).all()


def test_a_thermistor_from_counts_to_kelvin() -> None:
    rows = table("thermistor_10k.csv")
    text = '[channels."ambient.temperature"]\nconverter = "thermistor"\nsupply = "3.3 V"\npull_up = "10 kohm"'
    counts = counts_of_divider(column(rows, "R_from_coefficients_ohm"), 10e3)
    converted = convert_block(block_of("ambient.temperature", counts), settings_from_text(text))
    np.testing.assert_allclose(converted.values[:, 0] - 273.15, column(rows, "t_C"), atol=1e-4)
    assert (converted.quality[:, 0] == Quality.GOOD).all()
    # rounding to whole counts is at most half a step: 0.015 K at -40 °C, where a count is worth most (computed)
    whole = convert_block(block_of("ambient.temperature", np.round(counts)), settings_from_text(text))
    assert np.abs(whole.values[:, 0] - converted.values[:, 0]).max() < 0.02


@pytest.mark.parametrize("row", table("converter_steps.csv"), ids=lambda row: row["full_scale_V"])
def test_converter_steps(row: dict[str, str]) -> None:
    full_scale_V = float(row["full_scale_V"])
    step_V = float(row["step_uV"]) * 1e-6
    assert channel_settings.converter_step_V(full_scale_V) == pytest.approx(step_V, rel=1e-12)
    text = f'[channels."a.pressure"]\nadc_full_scale = "{full_scale_V} V"'
    assert settings_from_text(text).channels["a.pressure"].adc_step_V == pytest.approx(step_V, rel=1e-12)


def test_words_of_a_digital_thermometer() -> None:
    rows = table("digital_thermometer_words.csv")
    words = np.array([int(row["word"], 16) for row in rows], float)
    t_degC = column(rows, "t_C")
    np.testing.assert_array_equal(convert.twos_complement(words, 16) / 16, t_degC)
    unsigned = settings_from_text('[channels."ambient.temperature"]\nsigned_bits = 16')
    from_words = convert_block(block_of("ambient.temperature", words), unsigned)
    from_counts = convert_block(block_of("ambient.temperature", t_degC * 16), Settings())
    np.testing.assert_allclose(from_words.values[:, 0], t_degC + 273.15)
    np.testing.assert_array_equal(from_words.values, from_counts.values)
    # 85 °C is what such a sensor says when it has only been switched on; 125 °C is no weather either
    suspicious = t_degC >= 85
    np.testing.assert_array_equal(from_counts.quality[:, 0] == Quality.OUT_OF_RANGE, suspicious)


def test_fault_bands_of_the_current_loop() -> None:
    rows = [row for row in table("signal_bands.csv") if row["signal"] == "loop_mA"]
    settings = settings_from_text(
        '[channels."a.pressure"]\nconverter = "current_loop"\nadc_step = "1 uV"\nshunt = "100 ohm"\n'
        'range = ["0 bar", "16 bar"]\nlimits = ["-1 bar", "20 bar"]'
    )
    current_mA = column(rows, "value")
    converted = convert_block(block_of("a.pressure", current_mA * 1e-3 * 100 / 1e-6), settings)
    expected = {
        "failure": {Quality.OPEN, Quality.SHORT},
        "undefined": {Quality.OUT_OF_RANGE},
        "measuring": {Quality.GOOD},
    }
    for row, quality, value in zip(rows, converted.quality[:, 0], converted.values[:, 0], strict=True):
        assert quality in expected[row["band"]], row
        if row["band"] == "measuring":
            assert value == pytest.approx((float(row["value"]) - 4) / 16 * 16e5)
    # a broken wire is 0 mA: open, not short
    assert converted.quality[0, 0] == Quality.OPEN
    assert converted.quality[-1, 0] == Quality.SHORT


def test_fault_bands_of_the_ratiometric_signal() -> None:
    rows = [row for row in table("signal_bands.csv") if row["signal"] == "ratiometric_share"]
    share = column(rows, "value")
    converted = convert_block(block_of("a.pressure", share * 5.0 / 187.5e-6), Settings())
    failed = np.isin(converted.quality[:, 0], [Quality.OPEN, Quality.SHORT])
    np.testing.assert_array_equal(failed, [row["band"] == "failure" for row in rows])
    good = ~failed
    np.testing.assert_allclose(converted.values[good, 0], (share[good] - 0.1) / 0.8 * 16e5, atol=1e-6)
    assert np.isnan(converted.values[failed, 0]).all()


def test_the_supply_that_is_not_five_volts() -> None:
    """Taking 5.000 V for 4.900 V: x' = 0.98·x − 0.0025, x as a share of full scale (computed by hand)."""
    true_share = np.array([0.0, 0.25, 0.5, 1.0])
    counts = (0.1 + 0.8 * true_share) * 4.9 / 187.5e-6
    wrong = convert_block(block_of("a.pressure", counts), Settings()).values[:, 0] / 16e5
    np.testing.assert_allclose(wrong, 0.98 * true_share - 0.0025, atol=1e-12)
    raw = np.column_stack([counts, np.full(4, 4.9 / 187.5e-6)])
    no = np.zeros(raw.shape, bool)
    times = np.arange(4, dtype=np.int64)
    block = SampleBlock(times, times, ("a.pressure", "rig.supply_voltage"), raw, no, no)
    right = convert_block(block, Settings()).values[:, 0] / 16e5
    np.testing.assert_allclose(right, true_share, atol=1e-12)


@pytest.mark.parametrize("module", [convert, channel_settings])
def test_the_examples_in_the_docstrings(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted > 0
    assert result.failed == 0
