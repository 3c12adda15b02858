"""From the journal to a recording and back."""

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.commands import main
from analysis.export import Exported, ExportError, export_recording
from analysis.recording import read_recording
from logger.clock import us_from_utc
from logger.files import whole_file
from logger.journal import Entry, Journal, sample_body
from logger.journal_reader import JournalReader
from logger.settings import Settings, settings_from_text

BEGIN_us = us_from_utc(datetime(2027, 1, 15, 18, tzinfo=UTC))
CHANNELS = (
    *("a.pressure", "a.height", "b-2.pressure", "ambient.temperature", "ambient.pressure"),
    *("rig.supply_voltage", "a.mood"),
)
SUPPLY = 26_133  # 4.9 V in steps of 187.5 µV
HALF = SUPPLY / 2  # half of the supply: 8 bar of 16


def body(second: int, pressure: int | str | None = -1) -> str:
    pressure = round(HALF) + second % 7 if pressure == -1 else pressure
    return sample_body((pressure, 3600 + second % 3, round(HALF), -160, 101_325, SUPPLY, 5))


def sample(boot_id: int, second: int, text: str | None = None, moved_us: int = 0) -> Entry:
    label_us = BEGIN_us + second * 1_000_000 + moved_us
    return Entry(
        0, "D", boot_id, second, second * 1_000_000, label_us, body(second) if text is None else text
    )


def filled(path: Path, entries: int = 100, settings_text: str = "") -> Path:
    with Journal.open(path, settings_text) as journal:
        boot = journal.note_boot(
            boot=1, rig="bay", firmware="1.0", period_ms=1000, channels=CHANNELS, resumed=True
        )
        after = journal.last_seq(boot.id)
        first = 0 if after is None else after + 1
        journal.append([sample(boot.id, second) for second in range(first, first + entries)])
    return path


def exported(
    journal: Path,
    target: Path,
    settings: Settings | None = None,
    span_utc_us: tuple[int | None, int | None] = (None, None),
) -> Exported:
    with JournalReader(journal) as reader:
        return export_recording(reader, target, settings, span_utc_us)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return filled(tmp_path / "bay.journal")


def test_the_round_trip(journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    done = exported(journal, target)
    assert done.rows == 100
    readings = read_recording(target)
    assert readings.notes == ()
    assert list(readings.values) == [
        *("ambient.temperature", "ambient.pressure", "a.pressure", "a.height", "b-2.pressure")
    ]
    assert readings.begin_utc == np.datetime64("2027-01-15T18:00:00", "us")
    np.testing.assert_array_equal(readings.time_s, np.arange(100))
    counts = round(HALF) + np.arange(100) % 7
    # by hand: share of the supply, 10…90 % are 0…16 bar; written to 0.1 Pa
    pressure_Pa = (counts / SUPPLY - 0.1) / 0.8 * 16e5
    np.testing.assert_allclose(readings.values["a.pressure"], pressure_Pa, atol=0.051)
    np.testing.assert_allclose(readings.values["a.height"], (3600 + np.arange(100) % 3) * 1e-4, atol=1e-9)
    np.testing.assert_allclose(readings.values["ambient.temperature"], 263.15)
    np.testing.assert_allclose(readings.values["ambient.pressure"], 101_325)


def test_bad_values_become_empty_cells(tmp_path: Path) -> None:
    path = filled(tmp_path / "bay.journal", entries=1)
    with Journal.open(path) as journal:
        bad = [None, "+", "-", 10, SUPPLY - 10, round(0.07 * SUPPLY)]
        journal.append([sample(1, n, body(n, value)) for n, value in enumerate(bad, 1)])  # type: ignore[arg-type]
    exported(path, tmp_path / "out.csv")
    readings = read_recording(tmp_path / "out.csv")
    assert np.isfinite(readings.values["a.pressure"]).tolist() == [True] + [False] * 6
    assert np.isfinite(readings.values["b-2.pressure"]).all()
    lines = (tmp_path / "out.csv").read_text().splitlines()
    assert lines[0].split(",")[3] == "a.pressure_kPa"
    assert [line.split(",")[3] for line in lines[2:]] == [""] * 6


def test_a_range_of_labels_with_both_ends(journal: Path, tmp_path: Path) -> None:
    span = (BEGIN_us + 10_000_000, BEGIN_us + 20_000_000)
    done = exported(journal, tmp_path / "out.csv", span_utc_us=span)
    assert (done.rows, done.begin_utc_us, done.end_utc_us) == (11, *span)
    readings = read_recording(tmp_path / "out.csv")
    assert readings.begin_utc == np.datetime64("2027-01-15T18:00:10", "us")
    assert len(readings.time_s) == 11


def test_a_range_without_samples_is_refused_and_nothing_written(journal: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    with pytest.raises(ExportError, match="no sample in that time"):
        exported(journal, target, span_utc_us=(BEGIN_us + 1_000_000_000, None))
    with pytest.raises(ExportError, match="no sample in that time"):
        exported(journal, target, span_utc_us=(None, BEGIN_us - 1))
    Journal.open(tmp_path / "empty.journal").close()
    with pytest.raises(ExportError, match="holds no sample"):
        exported(tmp_path / "empty.journal", target)
    assert [path for path in tmp_path.iterdir() if path.suffix in {".csv", ".part"}] == []


@pytest.mark.parametrize("moved_us", [86_400_000_000, -86_400_000_000])
def test_a_clock_that_was_set_in_between_loses_no_row(tmp_path: Path, moved_us: int) -> None:
    path = filled(tmp_path / "bay.journal", entries=50)
    with Journal.open(path) as journal:
        journal.append([sample(1, second, moved_us=moved_us) for second in range(50, 100)])
    exported(path, tmp_path / "out.csv")
    readings = read_recording(tmp_path / "out.csv")
    np.testing.assert_array_equal(readings.time_s, np.arange(100))
    assert readings.notes == ()
    # the newest label is the one that is believed
    assert readings.begin_utc == np.datetime64(BEGIN_us + moved_us, "us")


def test_an_old_range_has_the_labels_of_its_own_time(tmp_path: Path) -> None:
    """A rig's clock that has drifted by an hour since then must not move the labels of last spring."""
    path = filled(tmp_path / "bay.journal", entries=50)
    with Journal.open(path) as journal:
        journal.append([sample(1, second, moved_us=3_600_000_000) for second in range(50, 100)])
    exported(path, tmp_path / "out.csv", span_utc_us=(None, BEGIN_us + 30_000_000))
    readings = read_recording(tmp_path / "out.csv")
    assert readings.begin_utc == np.datetime64(BEGIN_us, "us")
    assert readings.time_s[-1] == 30


def test_counts_are_converted_by_the_settings_under_which_they_were_logged(tmp_path: Path) -> None:
    first, second = ('[pressure_sensor]\nfull_scale = "10 bar"', '[pressure_sensor]\nfull_scale = "20 bar"')
    path = filled(tmp_path / "bay.journal", 10, first)
    filled(path, 10, second)
    exported(path, tmp_path / "out.csv")
    pressure = read_recording(tmp_path / "out.csv").values["b-2.pressure"]
    np.testing.assert_allclose(pressure, [5e5] * 10 + [10e5] * 10, rtol=1e-4)
    exported(path, tmp_path / "out.csv", settings=settings_from_text(first))
    np.testing.assert_allclose(read_recording(tmp_path / "out.csv").values["b-2.pressure"], 5e5, rtol=1e-4)


def test_the_last_supply_before_the_range_is_known(tmp_path: Path) -> None:
    path = filled(tmp_path / "bay.journal", 10)
    with Journal.open(path) as journal:
        journal.append([sample(1, 10, sample_body((round(HALF), None, None, None, None, None, None)))])
    exported(path, tmp_path / "out.csv", span_utc_us=(BEGIN_us + 10_000_000, None))
    pressure = read_recording(tmp_path / "out.csv").values["a.pressure"]
    np.testing.assert_allclose(pressure, [8e5], rtol=1e-4)


def test_boots_with_other_channels_share_the_columns(tmp_path: Path) -> None:
    path = filled(tmp_path / "bay.journal", 3)
    with Journal.open(path) as journal:
        boot = journal.note_boot(
            boot=2, rig="bay", firmware="1.1", period_ms=1000, channels=("c.pressure",), resumed=False
        )
        journal.append([sample(boot.id, 3, str(round(0.5 * 5 / 187.5e-6)))])
    exported(path, tmp_path / "out.csv")
    readings = read_recording(tmp_path / "out.csv")
    assert readings.sections == ("a", "b-2", "c")
    assert np.isnan(readings.values["c.pressure"]).tolist() == [True, True, True, False]
    assert readings.values["c.pressure"][3] == pytest.approx(8e5, rel=1e-4)


def test_lost_samples_are_counted(journal: Path, tmp_path: Path) -> None:
    gap = '{"first_seq": 100, "last_seq": 149, "reason": "overwritten in the rig"}'
    with Journal.open(journal) as writer:
        writer.append([Entry(0, "G", 1, 100, 99_000_000, BEGIN_us, gap), sample(1, 150)])
    assert exported(journal, tmp_path / "out.csv").missing == 50


def test_what_stood_there_stays_when_writing_fails(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    target.write_text("precious")

    def half() -> None:
        with whole_file(target) as file:
            file.write("half a")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        half()
    assert target.read_text() == "precious"
    assert list(tmp_path.iterdir()) == [target]
    with whole_file(target) as file:
        file.write("new")
    assert target.read_text() == "new"
    assert list(tmp_path.iterdir()) == [target]


def run(*arguments: str | Path) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["export", *map(str, arguments)])
    return int(ended.value.code or 0)


def test_the_command(journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "out.csv"
    settings = tmp_path / "bay.toml"
    settings.write_text('[soak]\nsupport = "blocked"\n')
    arguments = ("--journal", journal, "-o", target, "--settings", settings)
    assert run(*arguments, "--from", "2027-01-15T19:00:05+01:00", "--to", "2027-01-15T18:00:09Z") == 0
    said = capsys.readouterr().out
    assert said == f"{target}: 5 rows from 2027-01-15T18:00:05Z to 2027-01-15T18:00:09Z\n"
    assert run(*arguments, "--json") == 0
    assert json.loads(capsys.readouterr().out) == {
        "recording": str(target),
        "rows": 100,
        "begin": "2027-01-15T18:00:00Z",
        "end": "2027-01-15T18:01:39Z",
        "missing_samples": 0,
    }


def test_what_the_command_refuses(journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "out.csv"
    bad = tmp_path / "bad.toml"
    bad.write_text('[soak]\ngas = "helium"\n')
    before = journal.read_bytes()
    for arguments, code, reason in (
        (("-j", tmp_path / "absent.journal", "-o", target), 1, "there is no such journal"),
        (("-j", journal, "-o", target, "-s", bad), 1, "soak.gas: 'helium' is none of"),
        (("-j", journal, "-o", tmp_path / "absent" / "x.csv"), 1, "No such file or directory"),
        (("-j", journal, "-o", journal), 2, "is the journal itself"),
        (("-j", journal, "-o", target, "--from", "yesterday"), 2, "no time like"),
        (("-j", journal, "-o", target, "--from", "2027-01-15T18:00:00"), 2, "has no zone"),
        (("-j", journal, "-o", target, "--from", "2028-01-15T18:00:00Z"), 1, "no sample in that time"),
    ):
        assert run(*arguments) == code, arguments
        said = capsys.readouterr()
        assert reason in said.err
        assert "Traceback" not in said.err
        assert said.out == ""
        if code == 1:
            assert said.err.count("\n") == 1
    assert not target.exists()
    assert journal.read_bytes() == before
