"""`cornerhold calibrate` as its user calls it: points typed, from files, from a journal; refusals; the settings after."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.commands import main
from logger.channels import convert_block
from logger.clock import us_from_utc
from logger.journal import Entry, Journal, sample_body
from logger.samples import SampleBlock
from logger.settings import load_settings

NAME = "front_left.pressure"
SETTINGS = '# bay 2\n[rig]\nname = "bay-2"  # on the lid\n\n[sections.front_left]\ngas_column = "250 mm"\n'
THREE = ("-p", "0.02 bar = 0 bar", "-p", "4.03 bar = 4 bar", "-p", "8.03 bar = 8 bar")
GUM = json.loads((Path(__file__).parents[1] / "external" / "data" / "gum_h3.json").read_text())


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    file = tmp_path / "bay-2.toml"
    file.write_text(SETTINGS)
    return file


def run(settings: Path, *words: str, channel: str = NAME) -> int | str | None:
    with pytest.raises(SystemExit) as ended:
        main(["calibrate", "-s", str(settings), "-c", channel, "-r", "gauge 7, certificate 114", *words])
    return ended.value.code


def said(
    settings: Path, capsys: pytest.CaptureFixture[str], *words: str, channel: str = NAME
) -> dict[str, Any]:
    assert run(settings, "--json", *words, channel=channel) == 0
    out = json.loads(capsys.readouterr().out)
    assert isinstance(out, dict)
    return out


def test_three_points(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(settings, *THREE, "--date", "2026-11-02", "--at", "5 bar") == 0
    shown = capsys.readouterr().out
    assert "corrected = -2.16375 kPa + 0.998751 × read" in shown
    assert "At 500 kPa the correction is -2.788" in shown
    assert "written." in shown
    text = settings.read_text()
    assert text.startswith(SETTINGS)
    calibration = load_settings(settings).channels[NAME].calibration
    assert str(calibration.made_on) == "2026-11-02"
    assert calibration.reference == "gauge 7, certificate 114"
    # numpy's straight line through the same three points
    slope, level = np.polyfit([2e3, 403e3, 803e3], [0.0, 400e3, 800e3], 1)
    assert calibration.span == pytest.approx(slope, abs=1e-7)
    assert calibration.zero == pytest.approx(level, abs=0.1)
    assert calibration.residuals == pytest.approx((166.3, -332.9, 166.7), abs=0.1)
    assert calibration.uncertainty == pytest.approx(7015.6, rel=1e-4)


def test_the_logger_reads_true_afterwards(settings: Path) -> None:
    assert run(settings, *THREE) == 0
    # 4.03 bar of 16 in counts of 187.5 µV at 5 V
    counts = np.array([[(0.1 + 0.8 * 4.03 / 16.0) * 5.0 / 187.5e-6]])
    no = np.zeros((1, 1), bool)
    at = np.zeros(1, np.int64)
    block = SampleBlock(at, at, (NAME,), counts, no, no)
    corrected = convert_block(block, load_settings(settings)).values[0, 0]
    assert corrected == pytest.approx(4e5 + 332.9, abs=0.1)  # the residual of that point


def test_a_second_calibration_starts_from_what_the_first_one_shows(
    settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(settings, "-p", "0.02 bar = 0 bar", "-p", "8.03 bar = 8 bar") == 0
    first = load_settings(settings).channels[NAME].calibration
    # it shows the truth now: nothing changes
    assert run(settings, "-p", "0 bar = 0 bar", "-p", "8 bar = 8 bar") == 0
    again = load_settings(settings).channels[NAME].calibration
    assert (again.zero, again.span) == pytest.approx((first.zero, first.span), abs=1e-3)
    # readings that were taken without it say the same when told so
    assert run(settings, "--uncorrected", "-p", "0.02 bar = 0 bar", "-p", "8.03 bar = 8 bar") == 0
    assert load_settings(settings).channels[NAME].calibration.span == pytest.approx(first.span, abs=1e-7)
    capsys.readouterr()
    assert run(settings, "-p", "0 bar = 0 bar", "-p", "4.3 bar = 4 bar", "-p", "8 bar = 8 bar") == 1
    assert "without the calibration that the settings have" in capsys.readouterr().err


def test_the_zero_alone_leaves_the_span(settings: Path) -> None:
    assert run(settings, *THREE) == 0
    before = load_settings(settings).channels[NAME].calibration
    assert run(settings, "--shape", "zero", "-p", "0.01 bar = 0 bar") == 0
    after = load_settings(settings).channels[NAME].calibration
    assert after.span == before.span
    assert after.zero == pytest.approx(before.zero - 1000.0, abs=0.01)


def test_pieces_through_points(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(settings, *THREE, "--shape", "points") == 0
    knots = np.array(load_settings(settings).channels[NAME].calibration.points)
    np.testing.assert_allclose(knots, [(2e3, 0.0), (403e3, 4e5), (803e3, 8e5)], atol=1e-3)
    capsys.readouterr()
    assert run(settings, "--shape", "zero", "-p", "0 bar = 0 bar") == 1
    assert "calibrated by points" in capsys.readouterr().err
    # and back to a line: what is shown now is true at the points
    assert run(settings, "-p", "0 bar = 0 bar", "-p", "4 bar = 4 bar", "-p", "8 bar = 8 bar") == 0
    assert load_settings(settings).channels[NAME].calibration.points == ()


def test_the_calibration_of_the_gum(
    settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # GUM (JCGM 100:2008) H.3: correction of a thermometer at 20 and 30 °C; printed -0.1712 ± 0.0029, -0.1494 ± 0.0041,
    # slope 0.00218 ± 0.00067, s = 0.0035; source in the file
    file = tmp_path / "h3.csv"
    rows = [f"{t},{t + b:.3f}" for t, b in zip(GUM["t"], GUM["b"], strict=True)]
    file.write_text("\n".join(["read_degC,true_degC", *rows]) + "\n")
    words = ("--points", str(file), "--at", "20 degC", "--at", "30 degC")
    got = said(settings, capsys, *words, "--dry-run", channel="ambient.temperature")
    at20, at30 = got["at"]
    printed = GUM["published"]
    assert at20["correction"] == pytest.approx(printed["y1"], abs=5e-5)
    assert at20["uncertainty"] == pytest.approx(printed["u_y1"], abs=5e-5)
    assert got["span"] - 1.0 == pytest.approx(printed["y2"], abs=5e-6)
    assert got["span_uncertainty"] == pytest.approx(printed["u_y2"], abs=5e-6)
    assert got["deviation"] == pytest.approx(printed["s"], abs=5e-5)
    assert at30["correction"] == pytest.approx(printed["b30"], abs=5e-5)
    assert at30["uncertainty"] == pytest.approx(printed["u_b30"], abs=5e-5)
    assert got["degrees_of_freedom"] == printed["df"]
    # the same with 5 mK of the reference that all points share: u 0.0057689, 145.38 degrees of freedom, the slope's
    # uncertainty as before (the worked example of a library's documentation, read)
    words = (*words, "--reference-uncertainty", "5 mK")
    shared = said(settings, capsys, *words, "--dry-run", channel="ambient.temperature")
    assert shared["at"][0]["uncertainty"] == pytest.approx(0.0057689314, rel=1e-6)
    assert shared["at"][0]["degrees_of_freedom"] == pytest.approx(145.38, abs=0.01)
    assert shared["span_uncertainty"] == pytest.approx(got["span_uncertainty"], rel=1e-9)
    # and what is written corrects as it was found
    assert run(settings, *words, channel="ambient.temperature") == 0
    calibration = load_settings(settings).channels["ambient.temperature"].calibration
    corrected = calibration.zero + calibration.span * (20.0 + 273.15)
    assert corrected - 293.15 == pytest.approx(GUM["computed"]["y1"], abs=2e-5)


def test_readings_at_one_pressure_are_one_point(
    settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "many.csv"
    rows = [f"{bar + 0.01 + k * 1e-5:.5f},{bar}" for bar in (0, 4, 8, 4, 0) for k in range(10)]
    file.write_text("read_bar,true_bar\n" + "\n".join(rows) + "\n\n")
    got = said(settings, capsys, "--points", str(file))
    assert [point["readings"] for point in got["points"]] == [10] * 5
    assert got["points"][1]["read"] == pytest.approx(4.010045e5)


def test_temperature_runs_set_the_section_s_coefficient(
    settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "runs.csv"
    rng = np.random.default_rng(8)
    rows = [
        f"{bar * 100 + 0.16 * 0.5 * (degC - 22) + rng.normal(0, 0.05):.4f},{bar},{degC}"
        for degC in (22.0, 22.0, -12.0)
        for bar in (0, 4, 8, 4, 0)
    ]
    file.write_text("read_kPa,true_bar,temperature_degC\n" + "\n".join(rows) + "\n")
    got = said(settings, capsys, "--points", str(file))
    # 0.08 kPa of 1600 per kelvin are 0.005 %/K
    assert got["drift"]["zero_per_K"] == pytest.approx(5e-5, rel=0.05)
    after = load_settings(settings)
    assert 5e-5 < after.sensor_of("front_left").temperature_coefficient_per_K < 2e-4
    assert after.section("front_left").gas_column_m == 0.25
    calibration = after.channels[NAME].calibration
    assert calibration.zero_drift_per_K == pytest.approx(5e-5, rel=0.05)
    assert calibration.span_drift_per_K == pytest.approx(0.0, abs=1e-5)
    # the span alone was not seen to move: without it the datasheet's bound stays
    settings.write_text(SETTINGS)
    zeros = [f"{0.08 * (degC - 22) + 0.01 * k:.3f},0,{degC}" for degC in (22, -12, 22, -12) for k in range(3)]
    file.write_text("read_kPa,true_bar,temperature_degC\n" + "\n".join(zeros) + "\n")
    got = said(settings, capsys, "--points", str(file), "--shape", "zero")
    assert load_settings(settings).sensor_of("front_left").temperature_coefficient_per_K == pytest.approx(
        2e-4
    )
    assert any("span was not measured" in remark for remark in got["remarks"])


BEGIN = datetime(2026, 11, 2, 10, tzinfo=UTC)
SUPPLY = 26_133  # 4.9 V in steps of 187.5 µV


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Three minutes: at 0, 4 and 8 bar of 16, each for a minute; the reading is 0.02 bar too high."""
    path = tmp_path / "bay.journal"
    rng = np.random.default_rng(2)
    begin_us = us_from_utc(BEGIN)
    with Journal.open(path) as book:
        boot = book.note_boot(
            boot=1,
            rig="bay",
            firmware="1.0",
            period_ms=1000,
            channels=(NAME, "rig.supply_voltage"),
            resumed=True,
        )
        entries = []
        for second in range(180):
            share = 0.1 + 0.8 * (4.0 * (second // 60) + 0.02) / 16.0
            counts = round(share * SUPPLY + rng.normal(0.0, 1.5))
            at_us = begin_us + second * 1_000_000
            body = sample_body((counts, SUPPLY))
            entries.append(Entry(0, "D", boot.id, second, second * 1_000_000, at_us, body))
        book.append(entries)
    return path


def stretch(minute: int, true: str, begin_s: int = 5, end_s: int = 55) -> tuple[str, str]:
    return (
        "--stretch",
        f"2026-11-02T10:{minute:02d}:{begin_s:02d}Z/2026-11-02T10:{minute:02d}:{end_s:02d}Z = {true}",
    )


def test_stretches_of_a_journal(settings: Path, journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["-j", str(journal), *stretch(0, "0 bar"), *stretch(1, "4 bar"), *stretch(2, "8 bar")]
    got = said(settings, capsys, *words)
    assert [point["readings"] for point in got["points"]] == [51, 51, 51]
    assert got["points"][1]["read"] == pytest.approx(4.02e5, abs=60.0)
    assert load_settings(settings).channels[NAME].calibration.zero == pytest.approx(-2e3, abs=100.0)
    # what one reading is good to has the noise of one reading in it: 1.5 counts, each 16 bar / 0.8 of the supply's counts
    assert got["noise"] == pytest.approx(1.5 * 16e5 / 0.8 / SUPPLY, rel=0.15)
    assert got["expanded_uncertainty"] > 2 * got["noise"]
    # the journal holds counts: the calibration in force does not matter
    assert said(settings, capsys, *words)["zero"] == got["zero"]


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (stretch(1, "4 bar", 5, 6), "2 good readings"),
        (stretch(30, "4 bar"), "0 good readings"),
        (("--stretch", "2026-11-02T10:00:30Z/2026-11-02T10:01:30Z = 4 bar"), "the reading moved from 2"),
        (("--stretch", "2026-11-02T10:01:30Z/2026-11-02T10:00:30Z = 4 bar"), "ends before it begins"),
        (("--stretch", "2026-11-02T10:01:30/2026-11-02T10:02:30Z = 4 bar"), "has no zone"),
        (("--stretch", "ten/2026-11-02T10:02:30Z = 4 bar"), "'ten' is no time"),
        (("--stretch", "2026-11-02T10:02:30Z = 4 bar"), "is no stretch"),
    ],
)
def test_a_stretch_that_is_none(
    settings: Path, journal: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, str], reason: str
) -> None:
    assert run(settings, "-j", str(journal), *stretch(0, "0 bar"), *words) == 1
    assert reason in capsys.readouterr().err
    assert settings.read_text() == SETTINGS


def test_a_journal_of_another_rig(settings: Path, journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(settings, "-j", str(journal), *stretch(0, "0 mm"), channel="front_left.height") == 1
    assert "has no channel front_left.height" in capsys.readouterr().err


NIGHT_s = 10 * 3600


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten hours open to the air, from 20 to -12 °C: a gauge transducer and an absolute one drift by 80 Pa/K each."""
    path = tmp_path_factory.mktemp("night") / "night.journal"
    rng = np.random.default_rng(6)
    begin_us = us_from_utc(BEGIN)
    channels = (NAME, "rear_left.pressure", "ambient.temperature", "ambient.pressure", "rig.supply_voltage")
    with Journal.open(path) as book:
        boot = book.note_boot(
            boot=1, rig="bay", firmware="1.0", period_ms=30_000, channels=channels, resumed=True
        )
        entries = []
        for number, second in enumerate(range(0, NIGHT_s, 30)):
            warm_degC = -12.0 + 32.0 * np.exp(-second / 9000.0)
            air_Pa = 101_325.0 + 500.0 * np.sin(second / 20_000.0)
            reads = (1000.0 + 80.0 * (warm_degC - 20.0), air_Pa + 80.0 * (warm_degC - 20.0))
            counts = [round((0.1 + 0.8 * r / 16e5) * SUPPLY + rng.normal(0.0, 1.0)) for r in reads]
            body = sample_body((*counts, round(warm_degC * 16), round(air_Pa), SUPPLY))
            at_us = begin_us + second * 1_000_000
            entries.append(Entry(0, "D", boot.id, number, second * 1_000_000, at_us, body))
        book.append(entries)
    return path


RUN = "2026-11-02T10:00:00Z/2026-11-02T20:00:00Z"


def test_a_night_open_to_the_air(settings: Path, night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("-j", str(night), "--run", f"{RUN} = 0 bar", "--shape", "zero")
    got = said(settings, capsys, *words)
    assert 20 <= len(got["points"]) <= 24
    assert sum(point["readings"] for point in got["points"]) == NIGHT_s // 30
    # 80 Pa/K of 16 bar
    assert got["drift"]["zero_per_K"] == pytest.approx(5e-5, rel=0.02)
    assert load_settings(settings).channels[NAME].calibration.zero_drift_per_K == pytest.approx(
        5e-5, rel=0.02
    )
    # it was the span that nobody measured: the datasheet's bound stays
    assert load_settings(settings).sensor_of("front_left").temperature_coefficient_per_K == pytest.approx(
        2e-4
    )


def test_a_night_of_an_absolute_transducer(
    settings: Path, night: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("-j", str(night), "--run", f"{RUN} = air", "--shape", "zero")
    got = said(settings, capsys, *words, channel="rear_left.pressure")
    assert got["drift"]["zero_per_K"] == pytest.approx(5e-5, rel=0.02)
    assert all(abs(point["true"] - 101_325.0) < 501.0 for point in got["points"])


@pytest.mark.parametrize(
    ("run_text", "channel", "reason"),
    [
        ("2026-11-02T19:00:00Z/2026-11-02T20:00:00Z = 0 bar", NAME, "the air went from -11.4 °C to -11."),
        ("2026-11-03T19:00:00Z/2026-11-03T20:00:00Z = 0 bar", NAME, "0 good readings"),
        (f"{RUN} = 0 bar @ 3 degC", NAME, "takes its temperatures from ambient.temperature"),
        (f"{RUN} = air", "ambient.temperature", "only a pressure"),
    ],
)
def test_a_run_that_is_none(
    settings: Path, night: Path, capsys: pytest.CaptureFixture[str], run_text: str, channel: str, reason: str
) -> None:
    assert run(settings, "-j", str(night), "--run", run_text, "--shape", "zero", channel=channel) == 1
    assert reason in capsys.readouterr().err
    assert settings.read_text() == SETTINGS


def test_a_run_in_a_journal_without_the_air(
    settings: Path, journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run_text = "2026-11-02T10:00:00Z/2026-11-02T10:03:00Z = 0 bar"
    assert run(settings, "-j", str(journal), "--run", run_text) == 1
    assert "0 good readings of ambient.temperature" in capsys.readouterr().err


def test_a_reading_between_two_counts_stands(settings: Path, tmp_path: Path) -> None:
    """A quiet converter that steps by one count in the middle has not moved."""
    path = tmp_path / "quiet.journal"
    with Journal.open(path) as book:
        boot = book.note_boot(
            boot=1,
            rig="bay",
            firmware="1.0",
            period_ms=1000,
            channels=(NAME, "rig.supply_voltage"),
            resumed=True,
        )
        begin_us = us_from_utc(BEGIN)
        book.append(
            [
                Entry(
                    0, "D", boot.id, s, s * 10**6, begin_us + s * 10**6, sample_body((2613 + s // 30, SUPPLY))
                )
                for s in range(60)
            ]
        )
    text = "2026-11-02T10:00:00Z/2026-11-02T10:01:00Z = 0 bar"
    assert run(settings, "-j", str(path), "--stretch", text, "--shape", "zero") == 0


FILES = {
    "": "is empty",
    "read_bar,true_bar\n": "no row but its header",
    "read_bar,true\n1,1\n": "row 1: 'true' is no column like read_kPa",
    "read_bar,true_mm\n1,1\n": "row 1, column true_mm: '1 mm' is a length",
    "read_bar,read_bar\n1,1\n": "column read is there twice",
    "read_bar,uncertainty_bar\n1,1\n": "column true_kPa is missing",
    "read_bar,true_bar\n1\n": "row 2: 1 cells, the header has 2",
    "read_bar,true_bar\n1,x\n": "row 2, column true_bar: 'x bar' does not begin with a number",
    "read_bar,true_bar\n1,\n": "row 2: no true value",
}


@pytest.mark.parametrize("text", FILES)
def test_a_file_that_is_none(
    settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    file = tmp_path / "points.csv"
    file.write_text(text)
    assert run(settings, "--points", str(file)) == 1
    error = capsys.readouterr().err
    assert FILES[text] in error
    assert error.count("\n") == 1
    assert settings.read_text() == SETTINGS


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("-p", "4 bar"), "is no point like"),
        (("-p", "4 bar = 4 bar = 4 bar"), "is no point like"),
        (("-p", "4 bra = 4 bar"), "did you mean 'bar'"),
        (("-p", "4 bar = 4 K"), "needed is a pressure"),
        (
            ("-p", "0 bar = 0 bar", "-p", "4.3 bar = 4 bar", "-p", "8 bar = 8 bar"),
            "the datasheet allows 8 kPa",
        ),
        (("-p", "8.86 bar = 8.81 bar", "-p", "8.79 bar = 8.77 bar"), "too near one another"),
        ((*THREE, "--datasheet", "0.2 kPa"), "the datasheet allows 0.2 kPa"),
        ((*THREE, "--datasheet", "0.01 %"), "the datasheet allows 0.16 kPa"),
        ((*THREE, "--datasheet", "0 %"), "must be above zero"),
        ((*THREE, "--reference-uncertainty", "-1 kPa"), "can't be below zero"),
        ((*THREE, "--plot", "gone/x.png"), "no such folder"),
        ((*THREE, "--plot", "x.bmp"), "a picture ends in"),
        (("--points", "gone.csv"), "No such file"),
    ],
)
def test_refusals_are_a_line_and_leave_the_settings(
    settings: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], reason: str
) -> None:
    assert run(settings, *words) == 1
    out, error = capsys.readouterr()
    assert out == ""
    assert reason in error
    assert error.count("\n") == 1
    assert settings.read_text() == SETTINGS


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--stretch", "x"),
        ("-j", "x.journal", *THREE),
        (*THREE, "--at", "5 K"),
        (*THREE, "--date", "soon"),
    ],
)
def test_a_wrong_command_line(settings: Path, words: tuple[str, ...]) -> None:
    assert run(settings, *words) == 2
    assert settings.read_text() == SETTINGS


@pytest.mark.parametrize(
    ("channel", "hint"),
    [
        ("front_left.presure", "did you mean 'front_left.pressure'"),
        ("frontleft.pressure", "did you mean 'front_left'"),
    ],
)
def test_a_slip_in_the_channel_s_name(
    settings: Path, capsys: pytest.CaptureFixture[str], channel: str, hint: str
) -> None:
    assert run(settings, *THREE, channel=channel) == 1
    assert hint in capsys.readouterr().err


def test_a_dry_run_writes_nothing(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert said(settings, capsys, *THREE, "--dry-run")["written"] is False
    assert settings.read_text() == SETTINGS


def test_no_settings_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(tmp_path / "gone.toml", *THREE) == 1
    assert "gone.toml" in capsys.readouterr().err


@pytest.mark.parametrize("ending", [".png", ".svg"])
def test_a_picture_of_the_residuals(settings: Path, tmp_path: Path, ending: str) -> None:
    picture = tmp_path / f"residuals{ending}"
    assert run(settings, *THREE, "-p", "4.032 bar = 4 bar", "--plot", str(picture)) == 0
    head = picture.read_bytes()[:200]
    assert head.startswith(b"\x89PNG") or b"<?xml" in head
    if ending == ".svg":
        # the words are drawn as outlines; their text stands in comments
        comments = " ".join(re.findall(r"<!-- (.*?) -->", picture.read_text()))
        assert "residual, kPa" in comments
        assert "on the way down" in comments


def test_the_points_in_the_readme_make_a_calibration(
    settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    (example,) = re.findall(r"^```points\n(.*?)^```$", readme, re.MULTILINE | re.DOTALL)
    file = tmp_path / "up-and-down.csv"
    file.write_text(example)
    got = said(settings, capsys, "--points", str(file))
    assert len(got["points"]) == 5
    assert got["hysteresis"] == pytest.approx(300.0)
