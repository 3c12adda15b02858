"""What comes from elsewhere is bounded: kinds and sizes of files, depth and digits of documents, lengths of words."""

from __future__ import annotations

import json
import os
import time
import tomllib
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.calibration_checks import check_order
from analysis.calibration_model import CalibrationError, Point
from analysis.calibration_points import MOST_POINTS, MOST_ROWS, points_from_file
from analysis.csv_cells import _number
from analysis.recording import MOST_COLUMNS, LONGEST_s, RecordingError, parse_recording
from logger import units
from logger.bounded import MOST_TEXT, file_bytes, first_bytes, json_of, toml_of
from logger.errors import PlainError, one_line
from logger.settings import SettingsError, settings_from_text

if TYPE_CHECKING:
    from pathlib import Path


def test_a_file_of_just_the_size_is_read_and_one_byte_more_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_bytes(b"#" * MOST_TEXT)
    assert len(file_bytes(path)) == MOST_TEXT
    path.write_bytes(b"#" * (MOST_TEXT + 1))
    with pytest.raises(OSError, match="is larger than 256 KiB"):
        file_bytes(path)


def test_a_link_to_a_file_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x = 1")
    (tmp_path / "b").symlink_to("a")
    assert file_bytes(tmp_path / "b") == b"x = 1"
    assert first_bytes(tmp_path / "b", 1) == b"x"


def test_what_is_no_file_is_refused_without_waiting(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path, words in ((pipe, "is a pipe"), (tmp_path, "is a folder")):
        with pytest.raises(OSError, match=words) as caught:
            file_bytes(path)
        assert caught.value.filename == str(path)
    with pytest.raises(FileNotFoundError):
        file_bytes(tmp_path / "absent")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = " + "[" * 3000 + "]" * 3000, "nested too deeply"),
        ("x = " + "9" * 4301, "too many digits"),
        ("x" + ".a" * 1001 + " = 1", "line 1 has more than 1000 dots"),
        ("x = [", "Invalid value"),
    ],
)
def test_toml_that_no_parser_takes_is_a_value_error(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        toml_of(text)


def test_toml_within_the_bounds_is_what_the_library_says() -> None:
    lines = [
        "# " + "." * 5000,
        "x = " + "9" * 4300,
        "y = " + "[" * 100 + "]" * 100,
        "z" + ".a" * 100 + " = 1",
    ]
    text = "\n".join(lines)
    assert toml_of(text) == tomllib.loads(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [("[" * 100_000, "nested too deeply"), ("9" * 4301, "too many digits"), ("[1,", "Expecting")],
)
def test_json_that_no_parser_takes_is_a_value_error(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        json_of(text)


def test_json_within_the_bounds_is_what_the_library_says() -> None:
    assert json_of('{"a": [1.5, null]}') == json.loads('{"a": [1.5, null]}')


def test_an_error_for_people_is_one_line_of_letters_with_both_its_ends() -> None:
    said = str(PlainError("file 'a\r\n\x1b[2J\ud800': " + "x" * 10_000 + " write 5 bar"))
    assert said.startswith("file 'a  ?[2J?': xxx")
    assert said.endswith("xxx write 5 bar")
    assert len(said) < 610
    assert one_line("8 °C, 3 m³ – “so”") == "8 °C, 3 m³ – “so”"


@pytest.mark.parametrize(
    "text",
    [
        "1 m**9**9**9", "1 (m**9)**9", "1 ((m**9) **9)", "1 m**10", "1 2 bar", "1 bar 2", "1 bar\n2 bar", "1 m**2**2",
        "1" + "0" * 80 + " bar", "1 " + "(" * 60, "1 1/1/K",
    ],
)  # fmt: skip
def test_what_would_be_worked_out_for_ever_is_no_unit(text: str) -> None:
    with pytest.raises(units.UnitError):
        units.quantity(text, units.LENGTH)


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        ("3 m**3", units.VOLUME, 3.0), ("4 m^3", units.VOLUME, 4.0), ("5 m3", units.VOLUME, 5.0), ("2 1/K",
        units.PER_KELVIN, 2.0),
        ("2 /K", units.PER_KELVIN, 2.0), ("7 kg*m**-1*s**-2", units.PRESSURE, 7.0), (" 16 bar ", units.PRESSURE,
        16e5),
        ("1 1/(K)", units.PER_KELVIN, 1.0), ("1.bar", units.PRESSURE, 1e5), (".5bar", units.PRESSURE, 5e4),
    ],
)  # fmt: skip
def test_numbers_where_units_have_them(text: str, kind: units.Kind, si: float) -> None:
    assert units.quantity(text, kind) == pytest.approx(si, rel=1e-12)


def test_long_cells_and_words_take_no_longer_than_they_are_long() -> None:
    begun_s = time.process_time()
    for cell in (b"1" * 1_000_000, b"0." + b"1" * 1_000_000, b" " * 1_000_000 + b"x"):
        with pytest.raises(ValueError, match="is no number"):
            _number(cell)
    for text in ("1" * 1_000_000 + "\nbar", "1" + " " * 1_000_000 + "\nx"):
        with pytest.raises(units.UnitError, match="too long"):
            units.quantity(text, units.PRESSURE)
    assert time.process_time() - begun_s < 1.0


def _recording(*times: str, name: str = "elapsed_s") -> bytes:
    return "\n".join([f"{name},a.pressure_kPa", *(f"{one},700" for one in times)]).encode()


def test_a_recording_may_last_a_year_and_not_longer() -> None:
    assert parse_recording(_recording("0", f"{LONGEST_s:.0f}")).time_s[-1] == LONGEST_s
    with pytest.raises(RecordingError, match=r"column 'elapsed_s': a time lies 366 days after the first"):
        parse_recording(_recording("0", f"{LONGEST_s + 1:.0f}"))
    with pytest.raises(RecordingError, match="no soak lasts that long"):
        parse_recording(_recording("0", "1e300"))


def test_labels_lie_in_centuries_that_can_be() -> None:
    for good in ("1900-01-01T00:00:00Z", "2199-12-31T23:59:59Z"):
        assert parse_recording(_recording(good, name="time")).begin_utc is not None
    for bad in (
        "1899-12-31T23:59:59Z",
        "2200-01-01T00:00:00Z",
        "9999-12-31T23:59:59-23:59",
        "0001-01-01T00:00:00+23:59",
    ):
        with pytest.raises(
            RecordingError, match=r"row 2, column 'time': .* lies outside the years 1900 to 2199"
        ):
            parse_recording(_recording(bad, name="time"))


def test_a_table_of_too_many_columns_is_refused() -> None:
    def table(count: int) -> bytes:
        names = ["elapsed_s", "a.pressure_kPa", *(f"x{n}" for n in range(count - 2))]
        return f"{','.join(names)}\n0,700{',' * (count - 2)}\n".encode()

    assert parse_recording(table(MOST_COLUMNS)).sections == ("a",)
    with pytest.raises(RecordingError, match="has 501 columns"):
        parse_recording(table(MOST_COLUMNS + 1))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "[rig]\nbaud = 0x" + "f" * 20_000,
            "rig.baud: must be a whole number from 300 to 4000000, not a number of very",
        ),
        ("[rig]\nlongitude = 0x" + "f" * 20_000, "rig.longitude: a number of very many digits is impossible"),
        (
            '[rig]\nclock = "rig"\nbegin = "9999-12-31T23:59:59-23:59"',
            "rig.begin: the year 9999 is impossible",
        ),
        ("[rig]\nname" + ".a" * 900 + " = 1", "rig.name: must be a text in quotes, not {'a': {'a'"),
        ('[sections.a]\nencloses = ["a\\nb"]', "sections.a.encloses: must be a list of texts"),
    ],
)
def test_settings_beyond_all_bounds_are_refused_with_their_key(text: str, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        settings_from_text(text)
    assert words in str(caught.value)


def test_a_file_of_points_has_its_bounds(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"

    def read(rows: list[str]) -> int:
        path.write_text("\n".join(["read_bar,true_bar", *rows]))
        return len(points_from_file(path, "pressure_Pa"))

    assert read([f"{n}e-3,{n}e-3" for n in range(MOST_POINTS)]) == MOST_POINTS
    with pytest.raises(CalibrationError, match=r"points\.csv: makes 1001 points, at most 1000"):
        read([f"{n}e-3,{n}e-3" for n in range(MOST_POINTS + 1)])
    with pytest.raises(CalibrationError, match="row 3: a reading like that"):
        read(["0,0", "1e300,1"])
    with pytest.raises(CalibrationError, match="at most 20000 are read"):
        read(["0,0"] * MOST_ROWS)


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=1, max_size=12))
def test_the_order_of_points_is_judged_as_if_every_pair_were_looked_at(pairs: list[tuple[int, int]]) -> None:
    points = [Point(float(read), float(true)) for read, true in pairs]
    wrong = any(b.true - a.true > 4.0 and b.read <= a.read for a in points for b in points)
    try:
        check_order(points, 2.0, "pressure_Pa")
    except CalibrationError:
        assert wrong
    else:
        assert not wrong
