"""One journal under several names is one journal: the same soaks, alarms and cursors, and one writer."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from parts import need

from analysis.alarm_store import AlarmStore, alarms_path
from analysis.database import DatabaseError
from analysis.page_sessions import sessions_path
from analysis.register import Register, read_soaks, soaks_path
from analysis.soak_model import Soak
from logger.journal import Entry, Journal, JournalError
from logger.mirror_state import READINGS, refused_path, state_path
from logger.readings_mirror import cursor_path

SCRIPT = 'mount --bind "$0" "$1" && { "$2" -c "$3" "$1"; umount "$1"; }'
BESIDE = (
    soaks_path,
    alarms_path,
    cursor_path,
    sessions_path,
    lambda journal: state_path(journal, READINGS),
    lambda journal: refused_path(journal, READINGS),
)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    (tmp_path / "kept").mkdir()
    return tmp_path / "kept" / "bay.journal"


@pytest.fixture(params=["file", "folder", "dangling"])
def link(request: pytest.FixtureRequest, tmp_path: Path, journal: Path) -> Path:
    """Another way to the journal: a link to the file, also one that isn't there yet, or to its folder."""
    if request.param == "folder":
        (tmp_path / "here").symlink_to(journal.parent)
        return tmp_path / "here" / "bay.journal"
    if request.param == "file":
        fill(journal)
    link = tmp_path / "bay.journal"
    link.symlink_to(journal)
    return link


def fill(journal: Path) -> None:
    with Journal.open(journal) as writer:
        boot = writer.note_boot(
            boot=7, rig="bay", firmware="1", period_ms=1000, channels=("a.pressure",), resumed=False
        )
        writer.append([Entry(0, "D", boot.id, n, n, n, str(n)) for n in range(5)])


def test_what_belongs_to_a_journal_lies_beside_the_real_file(journal: Path, link: Path) -> None:
    for place in BESIDE:
        assert place(link) == place(journal)
        assert place(link).parent == journal.parent


def test_a_name_as_it_was_typed_stays_where_no_link_is_followed(
    journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(journal.parent)
    assert soaks_path(Path("bay.journal")) == Path("bay.journal.soaks")


def test_soaks_and_alarms_are_the_same_by_a_link(journal: Path, link: Path) -> None:
    fill(journal) if not journal.exists() else None
    with Register.open(journal) as register:
        register.begin(Soak(0, "job-1042", begun="2027-01-15T18:00:00Z"))
    assert [soak.name for soak in read_soaks(link)] == ["job-1042"]
    with AlarmStore.open(journal, rig="bay"), pytest.raises(DatabaseError, match="another process"):
        AlarmStore.open(link, rig="bay")
    assert not link.with_name(link.name + ".alarms").exists() or link.parent.is_symlink()


def test_a_second_logger_by_a_link_is_refused(journal: Path, link: Path) -> None:
    with Journal.open(link), pytest.raises(JournalError, match="another process"):
        Journal.open(journal)
    with Journal.open(journal), pytest.raises(JournalError, match="another process"):
        Journal.open(link)


OPENER = """
import sys
from pathlib import Path
from logger.journal import Journal, JournalError
try:
    Journal.open(Path(sys.argv[1])).close()
except JournalError as error:
    print(error)
"""


def open_elsewhere(path: Path) -> str:
    """What another process says that opens a journal to write it."""
    return subprocess.run(
        [sys.executable, "-c", OPENER, str(path)], capture_output=True, text=True, timeout=120, check=True
    ).stdout


def test_a_second_logger_by_a_hard_link_is_refused(tmp_path: Path, journal: Path) -> None:
    fill(journal)
    other = tmp_path / "other.journal"
    os.link(journal, other)
    with Journal.open(journal) as writer:
        assert "another process, under another name" in open_elsewhere(other)
        with pytest.raises(JournalError, match="under another name"):
            Journal.open(other)
        # the refusal took nothing from the one that writes
        writer.append([Entry(0, "D", 1, 9, 9, 9, "9")])
        assert "another process" in open_elsewhere(journal)
        assert journal.with_name("bay.journal-wal").exists()
    with Journal.open(journal) as writer:
        assert writer.last_seq(1) == 9


def test_a_second_logger_by_a_mount_is_refused(tmp_path: Path, journal: Path) -> None:
    fill(journal)
    other = tmp_path / "mounted.journal"
    other.touch()
    need("mount")
    # a chroot's root is no mount whose propagation could be changed, so what is mounted is taken off again
    words = [need("unshare"), "--mount", "--propagation", "unchanged", "sh", "-c", SCRIPT]
    words += [str(journal), str(other), sys.executable, OPENER]
    with Journal.open(journal):
        done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    if "unshare" in done.stderr or "mount" in done.stderr:
        pytest.skip(f"nothing can be mounted here: {done.stderr.strip()}")
    assert "another process, under another name" in done.stdout
