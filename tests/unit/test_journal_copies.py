"""A copy of the journal's one file lacks what is not folded in yet, and what lies beside it: it is known, and said."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from analysis.alarm_store import AlarmStore, alarms_path, read_alarms
from analysis.commands import main
from analysis.database import DatabaseError
from analysis.register import Register, RegisterReader, read_soaks, soaks_path
from analysis.soak_model import Soak
from logger.journal import Entry, Journal, JournalError
from logger.journal_reader import JournalReader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bay.journal"


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    (tmp_path / "usb").mkdir()
    return tmp_path / "usb" / "bay.journal"


def append(journal: Journal, first: int, count: int = 5) -> None:
    boot = journal.note_boot(
        boot=7, rig="bay", firmware="1", period_ms=1000, channels=("a.pressure",), resumed=True
    )
    journal.append([Entry(0, "D", boot.id, n, n, n, str(n)) for n in range(first, first + count)])


def begin_soak(path: Path) -> None:
    with Register.open(path) as register:
        register.begin(Soak(0, "job-1042", begun="2027-01-15T18:00:00Z"))


@pytest.fixture
def running(path: Path) -> Iterator[Journal]:
    with Journal.open(path) as journal:
        append(journal, 0)
        yield journal


@pytest.mark.usefixtures("running")
def test_a_copy_of_a_running_logger_s_file_alone_is_refused(
    path: Path, copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(path, copy)
    for _ in range(2):  # a reader leaves an empty log beside it, which is none
        with pytest.raises(
            JournalError, match=r"is a copy.* without the log beside it .bay\.journal-wal.*cornerhold backup"
        ):
            JournalReader(copy)
    for _ in range(2):
        with pytest.raises(JournalError, match=r"is a copy.*--incomplete"):
            Journal.open(copy)
    with pytest.raises(SystemExit):
        main(["analyse", "--json", str(copy)])
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"cornerhold: {copy}: is a copy")
    with JournalReader(path) as reader:
        assert len(reader.read()) == 5


@pytest.mark.usefixtures("running")
def test_a_copy_with_its_log_is_taken(path: Path, copy: Path) -> None:
    for end in ("", "-wal"):
        shutil.copy(f"{path}{end}", f"{copy}{end}")
    with JournalReader(copy) as reader:
        assert len(reader.read()) == 5


def test_a_copy_of_a_journal_whose_logger_has_ended_is_whole(path: Path, copy: Path) -> None:
    for first in (0, 5):
        with Journal.open(path) as journal:
            append(journal, first)
    shutil.copy(path, copy)
    with JournalReader(copy) as reader:
        assert len(reader.read()) == 10
    with Journal.open(copy) as journal:
        append(journal, 10)


@pytest.mark.usefixtures("running")
def test_another_name_of_a_running_logger_s_file_is_refused(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.journal"
    os.link(path, other)
    # in another process: within one, SQLite itself would be led astray by two names
    reading = "import sys; from analysis.commands import main; main()"
    said = subprocess.run(
        [sys.executable, "-c", reading, "soak", "list", "-j", str(other)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert said.returncode == 1
    assert "is a copy, or another name, of a journal" in said.stderr


def kill(journal: Journal, path: Path) -> None:
    """Leave the files as a logger that was killed leaves them."""
    aside = path.with_name("aside")
    aside.mkdir()
    for end in ("", "-wal", ".lock"):
        shutil.copy(f"{path}{end}", aside)
    journal.close()
    for file in aside.iterdir():
        # the same inode, as after a kill
        (path.parent / file.name).write_bytes(file.read_bytes())
    shutil.rmtree(aside)


def test_a_journal_whose_logger_was_killed_is_no_copy(path: Path) -> None:
    journal = Journal.open(path)
    append(journal, 0)
    kill(journal, path)
    with JournalReader(path) as reader:
        assert len(reader.read()) == 5
    with closing(sqlite3.connect(path)) as other:  # another program that folds the log in and takes it away
        other.execute("SELECT count(*) FROM entries").fetchone()
    assert not path.with_name("bay.journal-wal").exists()
    with JournalReader(path) as reader:
        assert len(reader.read()) == 5
    with Journal.open(path) as journal:
        append(journal, 5)


def test_a_copy_without_the_register_is_refused_by_whoever_would_judge(
    running: Journal, path: Path, copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    begin_soak(path)
    append(running, 5)
    running.close()
    shutil.copy(path, copy)
    with pytest.raises(DatabaseError, match=r"bay\.journal\.soaks: is gone, but .*bay\.journal had one"):
        read_soaks(copy)
    for words in (["soak", "list", "-j"], ["analyse"], ["report"]):
        with pytest.raises(SystemExit):
            main([*words, str(copy)])
        out, err = capsys.readouterr()
        assert out == ""
        assert ".soaks: is gone" in err
    shutil.copy(soaks_path(path), soaks_path(copy))
    assert [soak.name for soak in read_soaks(copy)] == ["job-1042"]


def test_the_register_is_known_in_the_file_itself_while_the_logger_runs(
    running: Journal, path: Path, copy: Path
) -> None:
    """Not only in the log, which a copy lacks: else the way forward for such a copy would forget the soaks."""
    begin_soak(path)
    append(running, 5)
    shutil.copy(path, copy)
    with closing(sqlite3.connect(f"file:{copy}?immutable=1", uri=True)) as found:
        assert found.execute("SELECT open, beside FROM mark").fetchall() == [(1, ".soaks")]


def test_a_register_that_is_moved_away_may_be_begun_anew(running: Journal, path: Path) -> None:
    begin_soak(path)
    append(running, 5)
    soaks_path(path).rename(path.with_name("aside"))
    with RegisterReader(path) as reader, pytest.raises(DatabaseError, match="is gone"):
        reader.soaks()
    begin_soak(path)
    assert len(read_soaks(path)) == 1


def test_a_copy_without_the_alarms_is_said(running: Journal, path: Path, copy: Path) -> None:
    AlarmStore.open(path, rig="bay").close()
    append(running, 5)
    running.close()
    shutil.copy(path, copy)
    with pytest.raises(DatabaseError, match=r"\.alarms: is gone"):
        read_alarms(copy)
    shutil.copy(alarms_path(path), alarms_path(copy))
    assert read_alarms(copy) == []


def test_a_journal_of_before_has_no_mark_and_is_read(path: Path, copy: Path) -> None:
    with Journal.open(path) as journal:
        append(journal, 0)
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("DROP TABLE mark")
    shutil.copy(path, copy)
    with JournalReader(copy) as reader:
        assert len(reader.read()) == 5
    assert read_soaks(copy) == []
    with Journal.open(copy) as journal:
        append(journal, 5)


def test_a_mark_that_is_not_what_was_written_is_damage(path: Path) -> None:
    with Journal.open(path) as journal:
        append(journal, 0)
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("UPDATE mark SET open = 1")
    with pytest.raises(JournalError, match="is damaged"):
        JournalReader(path)


def test_a_full_disk_holds_up_neither_opening_nor_appending(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mark is written when there is room again; what was appended must not fail after it is safe."""
    with Journal.open(path) as journal:
        append(journal, 0)

    def full(*_: object) -> None:
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = 13
        raise error

    def marks() -> list[tuple[int, str]]:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as other:
            return other.execute("SELECT open, beside FROM mark").fetchall()

    with monkeypatch.context() as patch:
        patch.setattr("logger.journal.write_mark", full)
        journal = Journal.open(path)
        append(journal, 5)
    assert marks() == [(0, "")]
    begin_soak(path)
    with monkeypatch.context() as patch:
        patch.setattr("logger.journal.write_mark", full)
        append(journal, 10)
    append(journal, 15)
    assert marks() == [(1, ".soaks")]
    with monkeypatch.context() as patch:
        patch.setattr("logger.journal.write_mark", full)
        journal.close()
    with JournalReader(path) as reader:
        assert [entry.seq for entry in reader.read()] == list(range(20))
    with Journal.open(path) as journal:
        append(journal, 20)


def test_a_log_that_can_t_be_folded_in_now_is_folded_in_later(path: Path, copy: Path) -> None:
    """A reader in the middle of a long read holds it up."""
    with Journal.open(path) as journal:
        append(journal, 0)
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, isolation_level=None)) as other:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM entries").fetchone()
        with Journal.open(path) as journal:
            append(journal, 5)
            other.execute("ROLLBACK")
            append(journal, 10)
            shutil.copy(path, copy)
    with pytest.raises(JournalError, match="is a copy"):
        JournalReader(copy)
