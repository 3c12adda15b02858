"""Settings: what a file may say, and the one line it gets for what it may not."""

import pickle
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.settings import (
    Settings,
    SettingsError,
    default_settings,
    load_settings,
    settings_fingerprint,
    settings_from_text,
)

EXAMPLE = """
[rig]
name = "bay-2"
port = "socket://127.0.0.1:4001"
period = "500 ms"

[soak]
support = "standing"
gas = "dry air"
threshold = "5 mm/day"
planned_length = "62 h"
planned_cold = "-10 degC"

[pressure_sensor]
reference = "sealed"
full_scale = "250 psi"
temperature_coefficient = "0.01 %/degC"
sealed_reference = "1 atm"

[sections.front_left]
gas_column = "250 mm"
gas_column_uncertainty = "15 %"
reference_height = "36 cm"
volume = "3.2 L"
encloses = ["front left strut", "front left fitting"]
threshold = "3 %/day"
floor = "3 bar"
limit = "12 bar"

[sections.rear-line_2]
[sections.rear-line_2.pressure_sensor]
reference = "absolute"

[channels."front_left.pressure"]
supply = "4.95 V"
adc_step = "125 uV"
range = ["0 bar", "10 bar"]
[channels."front_left.pressure".calibration]
date = 2026-11-02
reference = "comparison gauge 7"
zero = "-0.4 kPa"
span = 1.0021

[channels."ambient.temperature"]
converter = "thermistor"
pull_up = "22 kohm"
[channels."ambient.temperature".calibration]
zero = "-0.3 degC"

[journal]
path = "bay-2.journal"
keep = "400 day"
"""


def test_an_example_with_every_table_arrives_in_si() -> None:
    settings = settings_from_text(EXAMPLE, Path("shop/bay-2.toml"))
    assert settings.rig.period_ms == 500
    assert settings.soak.threshold.dimension == "sink_m_per_s"
    assert settings.soak.threshold.value == pytest.approx(5e-3 / 86400)
    assert settings.soak.planned_hours == pytest.approx(62)
    assert settings.soak.planned_cold_K == pytest.approx(263.15)
    # 1 psi = 6894.757 Pa: NIST SP 811 appendix B (from memory)
    assert settings.pressure_sensor.full_scale_Pa == pytest.approx(250 * 6894.757, rel=1e-6)
    assert settings.pressure_sensor.temperature_coefficient_per_K == pytest.approx(1e-4)
    section = settings.section("front_left")
    assert (section.gas_column_m, section.reference_height_m) == (pytest.approx(0.25), pytest.approx(0.36))
    assert section.volume_m3 == pytest.approx(3.2e-3)
    assert section.encloses == ("front left strut", "front left fitting")
    assert settings.threshold_of("front_left").value == pytest.approx(0.03 / 86400)
    assert settings.threshold_of("unknown_to_the_file") is settings.soak.threshold
    assert settings.sensor_of("rear-line_2").reference == "absolute"
    assert settings.sensor_of("rear-line_2").full_scale_Pa == settings.pressure_sensor.full_scale_Pa
    channel = settings.channels["front_left.pressure"]
    assert (channel.supply_channel, channel.supply_V) == (None, 4.95)
    assert channel.range == (0.0, 1e6)
    assert channel.calibration.zero == pytest.approx(-400.0)
    assert str(channel.calibration.made_on) == "2026-11-02"
    assert settings.channels["ambient.temperature"].calibration.zero == pytest.approx(-0.3)
    assert settings.journal.path == Path("shop/bay-2.journal")
    assert settings.journal.keep_days == pytest.approx(400)


def test_an_empty_file_is_the_defaults() -> None:
    settings = settings_from_text("")
    for field in fields(Settings):
        assert getattr(settings, field.name) == getattr(default_settings(), field.name), field.name
    assert settings.soak.threshold.value == pytest.approx(0.02 / 86400)


def test_the_time_lapse_clock_takes_a_first_label() -> None:
    settings = settings_from_text('[rig]\nclock = "rig"\nbegin = "2027-01-15T19:00:00+01:00"')
    assert settings.rig.begin_utc == datetime(2027, 1, 15, 18, tzinfo=UTC)
    assert settings_from_text('[rig]\nclock = "rig"\nbegin = 2027-01-15T18:00:00Z').rig == settings.rig


REFUSED = [
    ('[soak]\nsuport = "blocked"', "soak.suport", "did you mean 'support'"),
    ("[soaking]", "soaking", "did you mean 'soak'"),
    ('[soak]\nsupport = "standin"', "soak.support", "did you mean 'standing'"),
    ('[soak]\nthreshold = "5 kg"', "soak.threshold", "is a mass"),
    ('[soak]\nthreshold = "2 %"', "soak.threshold", "2 %/day"),
    ("[soak]\nthreshold = 2", "soak.threshold", "with a unit"),
    ('[soak]\nthreshold = "-2 %/day"', "soak.threshold", "above zero"),
    ('[soak]\nthreshold = "0 %/day"', "soak.threshold", "above zero"),
    ('[soak]\nthreshold = "2 %/bay"', "soak.threshold", "did you mean 'day'"),
    ('[soak]\nplanned_length = "14"', "soak.planned_length", "no unit"),
    ('[soak]\nplanned_cold = "-300 degC"', "soak.planned_cold", "impossible"),
    ('[pressure_sensor]\nfull_scale = "-16 bar"', "pressure_sensor.full_scale", "impossible"),
    ("[pressure_sensor]\nfull_scale = 16", "pressure_sensor.full_scale", "in quotes like '16 bar'"),
    ("[pressure_sensor]\nfull_scale = nan", "pressure_sensor.full_scale", "in quotes"),
    ('[pressure_sensor]\nfull_scale = "nan bar"', "pressure_sensor.full_scale", "number"),
    ('[pressure_sensor]\nfull_scale = "1e999 bar"', "pressure_sensor.full_scale", "beyond"),
    ('[pressure_sensor]\ntemperature_coefficient = "2 %"', "temperature_coefficient", "is a share"),
    ('[pressure_sensor]\nsealed_reference = "1 bar"', "sealed_reference", "means something only"),
    ('[sections.a]\ngas_column = "0 mm"', "sections.a.gas_column", "impossible"),
    ('[sections.a]\ngas_column = "3 L"', "sections.a.gas_column", "is a volume"),
    ('[sections.a]\ngas_column_uncertainty = "150 %"', "gas_column_uncertainty", "impossible"),
    ('[sections.a]\ngas_column_uncertainty = "0 %"', "gas_column_uncertainty", "impossible"),
    ('[sections.a]\nvolume = "-1 L"', "sections.a.volume", "impossible"),
    ('[sections.a]\nencloses = "strut"', "sections.a.encloses", "list of texts"),
    ('[sections.a]\nfloor = "9 bar"\nlimit = "8 bar"', "sections.a.floor", "below the limit"),
    ('[sections."front left"]', 'sections."front left"', "letters, digits"),
    ("[sections]\nfront_left = 3", "sections.front_left", "must be a table"),
    ("[rig]\nbaud = 115200.5", "rig.baud", "whole number"),
    ("[rig]\nbaud = true", "rig.baud", "whole number"),
    ('[rig]\nname = "a/b"', "rig.name", "letters"),
    ('[rig]\nport = ""', "rig.port", "text in quotes"),
    ('[rig]\nperiod = "0 s"', "rig.period", "impossible"),
    ('[rig]\nbegin = "2027-01-15T18:00:00Z"', "rig.begin", 'clock = "rig"'),
    ('[rig]\nclock = "rig"\nbegin = "2027-01-15T18:00:00"', "rig.begin", "zone"),
    ('[rig]\nclock = "rig"\nbegin = "soon"', "rig.begin", "no time"),
    ('[channels."a.presure"]', 'channels."a.presure"', "did you mean 'pressure'"),
    ('[channels."a.pressure"]\nconverter = "ratio"', "converter", "none of"),
    ('[channels."a.pressure"]\nconverter = "pt1000"', "converter", "measures a temperature"),
    ('[channels."a.pressure"]\nshunt = "100 ohm"', "shunt", "unknown key"),
    ('[channels."a.pressure"]\nrange = ["0 bar"]', "range", "two quantities"),
    ('[channels."a.pressure"]\nrange = ["1 bar", "1 bar"]', "range", "the same"),
    ('[channels."a.pressure"]\nsupply = "rig.voltage"', "supply", "neither"),
    ('[channels."a.pressure"]\nsupply = "5 bar"', "supply", "is a pressure"),
    ('[channels."a.pressure"]\nadc_step = "0 V"', "adc_step", "impossible"),
    ('[channels."a.height"]\nconverter = "ratiometric"', "range", "is missing"),
    ('[channels."a.pressure".calibration]\nspan = 0', "calibration.span", "impossible"),
    ('[channels."a.pressure".calibration]\nspan = nan', "calibration.span", "impossible"),
    ('[channels."a.pressure".calibration]\npoints = [["1 bar", "1 bar"]]', "points", "two pairs"),
    (
        '[channels."a.pressure".calibration]\npoints = [["1 bar", "1 bar"], ["0 bar", "2 bar"]]',
        "points",
        "ascend",
    ),
    ('[channels."a.pressure".calibration]\ndate = "2026-13-02"', "date", "no date"),
    ('[channels."a.temperature"]\nconverter = "thermistor"\nsteinhart_hart = [1.0, 2.0]', "hart", "3 finite"),
    ("[rig\n", "", "no valid TOML"),
    ("[rig]\n[rig]", "", "no valid TOML"),
]


@pytest.mark.parametrize(("text", "key", "reason"), REFUSED)
def test_what_is_wrong_gets_one_line_with_file_key_and_reason(text: str, key: str, reason: str) -> None:
    with pytest.raises(SettingsError) as caught:
        settings_from_text(text, Path("bay.toml"))
    line = str(caught.value)
    assert line.startswith("bay.toml: ")
    assert "\n" not in line
    assert key in caught.value.key
    assert reason in caught.value.reason


def test_files_that_cant_be_read_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="can't be read"):
        load_settings(tmp_path / "absent.toml")
    bad = tmp_path / "latin.toml"
    bad.write_bytes(b'[rig]\nname = "caf\xe9"')
    with pytest.raises(SettingsError, match="not UTF-8"):
        load_settings(bad)


def test_a_byte_order_mark_is_no_matter(tmp_path: Path) -> None:
    path = tmp_path / "bom.toml"
    path.write_bytes(b'\xef\xbb\xbf[rig]\r\nname = "bay"\r\n')
    assert load_settings(path).rig.name == "bay"


def test_the_fingerprint_ignores_line_ends_and_nothing_else() -> None:
    assert settings_fingerprint("a = 1\nb = 2\n") == settings_fingerprint("\ufeffa = 1  \r\nb = 2")
    assert settings_fingerprint("a = 1") != settings_fingerprint("a = 2")


def test_settings_can_be_sent_to_another_process() -> None:
    settings = settings_from_text(EXAMPLE)
    assert pickle.loads(pickle.dumps(settings)) == settings  # noqa: S301  our own bytes


@given(
    st.text(st.characters(codec="utf-8"), max_size=60),
    st.sampled_from(["threshold", "planned_cold", "support"]),
)
def test_any_text_as_a_value_is_read_or_refused_with_our_own_error(value: str, key: str) -> None:
    quoted = "".join(
        f"\\U{ord(character):08x}" for character in value if not "\ud800" <= character <= "\udfff"
    )
    try:
        settings_from_text(f'[soak]\n{key} = "{quoted}"')
    except SettingsError as error:
        assert "\n" not in str(error)  # noqa: PT017  most texts are refused, some are not
