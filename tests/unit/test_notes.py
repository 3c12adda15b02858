"""Notes of what somebody did: in the register, beside a recording, and in the analysis; live and replay agree."""

from __future__ import annotations

import json
import sqlite3
from contextlib import ExitStack, closing
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from test_journal_soak import text, write
from typer.testing import CliRunner

import analysis.judge
from analysis.commands import build_app
from analysis.live import JournalFollower, analyse_journal, chosen
from analysis.notes import KINDS, MEANINGS, NO_CLOCK, Note
from analysis.notes_file import parse_notes
from analysis.recording import Readings, RecordingError
from analysis.register import Beside, RegisterReader, read_register, soaks_path
from analysis.report_data import of_journal, of_readings
from analysis.soak import SoakAnalysis
from analysis.watcher import Watcher
from logger.errors import PlainError
from logger.journal_reader import JournalReader
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from pathlib import Path

BEGIN = np.datetime64("2027-01-15T18:00", "us")
CLOCKED = Readings(BEGIN, np.array([0.0, 36_000.0]), {"a.pressure": np.zeros(2), "b.pressure": np.zeros(2)})
UNCLOCKED = Readings(None, CLOCKED.time_s, CLOCKED.values)


def run(*words: str) -> str:
    result = CliRunner().invoke(build_app([words[0]]), [*words])
    if isinstance(result.exception, PlainError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "bay.journal"
    write(path)
    return path


def known(journal: Path, soak: str | None = None) -> tuple[Any, ...]:
    """What the analysis of a soak knows of notes."""
    with JournalReader(journal) as reader:
        follower = JournalFollower(reader, None, *chosen(journal, soak))
        while follower.step():
            pass
        assert follower.journal.soak is not None
        return follower.journal.soak.notes


def test_a_note_reaches_the_analysis_in_seconds_since_the_begin() -> None:
    soak = SoakAnalysis(
        settings_from_text(""),
        ("a", "b"),
        begin_utc=BEGIN,
        notes=[
            Note("refill", BEGIN + np.timedelta64(7_200_500_000, "us"), ("b", "gone"), "a little", "Mara"),
            Note("moved", BEGIN + np.timedelta64(60, "s")),
            Note("valve", BEGIN, ("gone",)),
        ],
    )
    # in time order; a section that isn't there is left out, and a note on such ones alone is none on all
    assert soak.notes == ((60.0, (), "moved"), (7200.5, ("b",), "refill"))


def test_each_kind_is_explained() -> None:
    assert set(MEANINGS) == set(KINDS) == {"valve", "refill", "load", "moved"}
    said = " ".join(run("soak", "note", "--help").split())
    assert all(meaning in said for meaning in MEANINGS.values())


def test_a_note_entered_later_is_taken_in_and_live_is_replay(journal: Path) -> None:
    run("soak", "begin", "night", "-j", str(journal), "--at", "2027-01-15T19:00:00Z", "--json")
    with ExitStack() as stack:
        reader = stack.enter_context(JournalReader(journal))
        register = stack.enter_context(RegisterReader(journal))
        watcher = Watcher(reader, None, register, rig="r")

        def drained() -> tuple[Any, ...]:
            watcher.look()
            while watcher.step(0.0, 137):
                pass
            soak = watcher.follower.journal.soak
            assert soak is not None
            assert text(watcher.findings() or {}) == text(analyse_journal(journal, None))
            return soak.notes

        assert drained() == ()
        taken_up = watcher.times_taken_up
        # for a time that was read long ago
        run("soak", "note", "valve", "-j", str(journal), "--section", "rear_left", "--section", "front_left",
            "--at", "2027-01-15T21:40:00Z", "--text", "nut tightened", "--by", "Mara")  # fmt: skip
        late = (9600.0, ("rear_left", "front_left"), "valve")
        # 19:00 to 21:40
        assert drained() == (late,)
        assert watcher.times_taken_up == taken_up + 1
        # now is the newest reading, of 02:00: a journal whose labels are of another year has no other now
        run("soak", "note", "moved", "-j", str(journal), "--at", "2027-01-16T02:00:00Z")
        assert drained() == (late, (25_200.0, (), "moved"))
        run("soak", "note", "--withdraw", "1", "-j", str(journal))
        assert drained() == ((25_200.0, (), "moved"),)
    assert of_journal(journal, None, None).soak.notes == known(journal) == ((25_200.0, (), "moved"),)


def test_a_note_counts_in_the_soak_in_which_it_was_done(journal: Path) -> None:
    for name, begin, end in (("one", "18:00", "20:00"), ("two", "20:30", "23:00")):
        run("soak", "begin", name, "-j", str(journal), "--at", f"2027-01-15T{begin}:00Z", "--json")
        run("soak", "end", "-j", str(journal), "--at", f"2027-01-15T{end}:00Z", "--json")
    for at, where in (("19:00", "one"), ("20:15", None), ("21:00", "two"), ("23:30", None)):
        said = run("soak", "note", "load", "-j", str(journal), "--at", f"2027-01-15T{at}:00Z", "--json")
        assert json.loads(said)["soak"] == where
    assert known(journal, "one") == ((3600.0, (), "load"),)
    assert known(journal, "two") == ((1800.0, (), "load"),)
    listed = run("soak", "notes", "-j", str(journal), "--soak", "two", "--json").splitlines()
    assert [json.loads(line)["at"] for line in listed] == ["2027-01-15T21:00:00Z"]
    assert "in no soak: it does not count" in run("soak", "notes", "-j", str(journal))


def test_a_note_is_withdrawn_once_and_stays_in_the_register(journal: Path) -> None:
    assert "nothing was noted" in run("soak", "notes", "-j", str(journal))
    run("soak", "note", "refill", "-j", str(journal), "--at", "2027-01-15T21:00:00Z", "--text", "to 7 bar")
    assert "it no longer counts" in run("soak", "note", "--withdraw", "1", "-j", str(journal))
    with pytest.raises(PlainError, match="withdrawn already"):
        run("soak", "note", "--withdraw", "1", "-j", str(journal))
    [kept] = read_register(journal)[1].notes
    assert (kept.kind, kept.text, kept.withdrawn is None) == ("refill", "to 7 bar", False)
    assert '"to 7 bar"; withdrawn' in run("soak", "notes", "-j", str(journal))
    # nor does it go into a file
    assert run("soak", "notes", "-j", str(journal), "--csv") == "time,kind,section,text\n"


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("weather",), "no kind 'weather': it is one of valve, refill, load, moved"),
        ((), "say what was done"),
        (("valve", "--withdraw", "1"), "say what was done"),
        (("--withdraw", "1"), "no note number 1"),
        (("valve", "--section", "left"), r"no section 'left' \(there: front_left"),
        (("valve", "--at", "yesterday"), "is no time like"),
        (("valve", "--at", "2999-01-01T00:00:00Z"), "yet to come"),
        (("valve", "--at", "2027-01-15T12:00:00Z"), "had read nothing by then"),
        (("valve", "--text", "two\nlines"), "one line"),
    ],
)
def test_what_makes_no_sense_is_refused(journal: Path, words: tuple[str, ...], reason: str) -> None:
    with pytest.raises(PlainError, match=reason):
        run("soak", "note", *words, "-j", str(journal))
    assert read_register(journal)[1].notes == ()


def test_a_register_without_notes_is_renewed(journal: Path) -> None:
    run("soak", "begin", "a", "-j", str(journal), "--json")
    # as the version before left it
    with closing(sqlite3.connect(soaks_path(journal))) as connection:
        connection.execute("DROP TABLE notes")
        connection.execute("DROP TABLE corrections")
        connection.execute("DROP TABLE seal")
        connection.execute("PRAGMA user_version = 4")
    soaks, beside = read_register(journal)
    assert [one.name for one in soaks] == ["a"]
    assert beside == Beside()
    run("soak", "note", "moved", "-j", str(journal))
    assert [one.kind for one in read_register(journal)[1].notes] == ["moved"]


# -- the file ------------------------------------------------------------------------------------------------


def test_a_file_of_notes_is_read() -> None:
    read = parse_notes(
        'time,kind,section,text\n2027-01-15T19:05:00+01:00,valve,a b,"tight, at last"\n\n'
        "2027-01-16T04:00:00Z,moved,,\n",
        CLOCKED,
    )
    assert read == [
        Note("valve", np.datetime64("2027-01-15T18:05", "us"), ("a", "b"), "tight, at last"),
        Note("moved", np.datetime64("2027-01-16T04:00", "us")),
    ]
    [one] = parse_notes("elapsed_s,kind\n60.5,load\n", UNCLOCKED)
    assert one == Note("load", NO_CLOCK + np.timedelta64(60_500_000, "us"))
    soak = SoakAnalysis(settings_from_text(""), ("a",), notes=[one])
    assert soak.notes == ((60.5, (), "load"),)


@pytest.mark.parametrize(
    ("file", "reason"),
    [
        ("", "row 1: has neither a column 'time'"),
        ("time\n", "has no column 'kind'"),
        ("time,kind,what\n", "column 'what': is none of time"),
        ("time,kind,kind\n", "column 'kind': stands twice"),
        ("time,kind\n", "holds no note"),
        ("time,kind\n2027-01-15T19:00:00Z,valve\n2027-01-15T19:00:00Z,rain\n", "row 3.*'rain' is none of valve"),
        ("time,kind,section\n2027-01-15T19:00:00Z,valve,c\n", "row 2, column 'section': .* no section 'c', but a, b"),
        ("time,kind\n2027-01-15T19:00:00,valve\n", "has no zone"),
        ("time,kind\n2027-01-16T19:00:00Z,valve\n", "lies 15.0 h after the recording ends"),
        ("time,kind\n2027-01-15T19:00:00Z\n", "row 2: has 1 cells"),
        ('time,kind\n"2027,valve\n', "bad quotes"),
    ],
)  # fmt: skip
def test_a_bad_file_of_notes_is_refused_with_row_and_reason(file: str, reason: str) -> None:
    with pytest.raises(RecordingError, match=reason):
        parse_notes(file, CLOCKED)
    with pytest.raises(RecordingError, match="has no clock"):
        parse_notes("time,kind\n", UNCLOCKED)


def test_a_journal_s_notes_go_with_its_recording(
    journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("soak", "note", "valve", "-j", str(journal), "--section", "rear_left", "--at", "2027-01-15T21:40:00Z")
    (tmp_path / "n.csv").write_text(run("soak", "notes", "-j", str(journal), "--csv"))
    run("export", "-j", str(journal), "-o", str(tmp_path / "night.csv"))
    seen: list[tuple[Any, ...]] = []

    class Watched(SoakAnalysis):
        def finish(self) -> None:
            seen.append(self.notes)
            super().finish()

    monkeypatch.setattr(analysis.judge, "SoakAnalysis", Watched)
    run("analyse", "--json", "--notes", str(tmp_path / "n.csv"), str(tmp_path / "night.csv"))
    assert seen == [known(journal)] == [((13_200.0, ("rear_left",), "valve"),)]
    with pytest.raises(PlainError, match="entered by 'cornerhold soak note'"):
        run("analyse", "--notes", str(tmp_path / "n.csv"), str(journal))
    with pytest.raises(PlainError, match="--notes belongs to one recording"):
        run("analyse", "--notes", str(tmp_path / "n.csv"), *[str(tmp_path / "night.csv")] * 2)
    report = str(tmp_path / "r.html")
    run("report", str(tmp_path / "night.csv"), "--notes", str(tmp_path / "n.csv"), "-o", report)
    with pytest.raises(PlainError, match="entered by 'cornerhold soak note'"):
        run("report", str(journal), "--notes", str(tmp_path / "n.csv"), "-o", report)
    note = Note("load", BEGIN + np.timedelta64(60, "s"))
    values = {"a.pressure": np.full(2, 7e5), "ambient.temperature": np.full(2, 290.0)}
    readings = Readings(BEGIN, np.array([0.0, 60.0]), values)
    assert of_readings(readings, settings_from_text(""), "x", (), [note]).soak.notes == ((60.0, (), "load"),)
