"""Backup and restore: all that belongs together, checked, and nothing in place of something without a word."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import stat
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis import alarm_store
from analysis import restore as restoring
from analysis.alarm_store import AlarmStore, alarms_path, read_alarms
from analysis.backup import BackupError, make_backup, read_backup
from analysis.commands import main
from analysis.database import Database, DatabaseError, Layout
from analysis.page_sessions import sessions_path
from analysis.register import Register, read_soaks, soaks_path
from analysis.restore import restore
from analysis.soak_model import Soak
from logger.cursor_file import CursorFile
from logger.errors import PlainError
from logger.journal import Entry, Journal, JournalError
from logger.journal_files import PLACES, beside
from logger.journal_reader import JournalReader
from logger.mirror_state import FINDINGS, READINGS, refused_path, state_path
from logger.readings_mirror import cursor_path

COUNT = 40


def append(journal: Journal, first: int, count: int) -> None:
    boot = journal.note_boot(
        boot=7, rig="bay-2", firmware="1", period_ms=1000, channels=("front_left.pressure",), resumed=True
    )
    journal.append(
        [Entry(0, "D", boot.id, n, n * 1_000_000, n * 1_000_000, str(n)) for n in range(first, first + count)]
    )


def fill(path: Path, count: int = COUNT, soak: str = "job-1042") -> None:
    """A journal with a soak, an alarm and a mirror's place."""
    with Journal.open(path, "[rig]\n") as journal:
        append(journal, 0, count)
        with Register.open(path) as register:
            register.begin(Soak(0, soak, after_entry=2, begun="2027-01-15T18:00:00Z"))
            register.end(count, "2027-01-16T08:00:00Z")
        seen = alarm_store.Seen("front_left", "leak", 5, None, "2027-01-15T19:00:00Z", None)
        with AlarmStore.open(path, rig="bay-2") as store:
            store.reconcile(1, [seen], lambda _: ("it leaks", {}), complete=True)
        CursorFile(cursor_path(path)).save(count - 3)
        append(journal, count, 1)


def state_of(path: Path) -> tuple[list[Entry], list[Soak], list[object], int]:
    """All that a journal and what belongs to it say."""
    with JournalReader(path, whole=True) as reader:
        entries = reader.read(10**6)
    return entries, read_soaks(path), list(read_alarms(path)), CursorFile(cursor_path(path)).load(10**6)


def names(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "bay").mkdir()
    return tmp_path / "bay" / "bay-2.journal"


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    (tmp_path / "disk").mkdir()
    return tmp_path / "disk"


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    (tmp_path / "server").mkdir()
    return tmp_path / "server" / "bay-2.journal"


def test_the_places_of_the_mirrors_are_all_known() -> None:
    journal = Path("x.journal")
    told = {cursor_path(journal)}
    told |= {place(journal, what) for place in (state_path, refused_path) for what in (READINGS, FINDINGS)}
    assert {beside(journal, ending) for ending in PLACES} == told


def test_a_backup_of_a_running_logger_has_all_and_is_restored_elsewhere(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    fill(path)
    sessions_path(path).touch()
    with Journal.open(path) as journal:
        append(journal, COUNT + 1, 5)  # in the log only
        before = state_of(path)
        backup = make_backup(path, disk)
        append(journal, COUNT + 6, 5)
    # the file itself and no log: it can be read where nothing can be written
    assert names(backup.folder) == sorted(
        ["backup.json", *(f"bay-2.journal{end}" for end in ("", ".soaks", ".alarms", ".readings-cursor"))]
    )
    assert names(disk) == [backup.folder.name]
    assert (backup.contents.entries, backup.contents.newest_entry) == (COUNT + 6, COUNT + 6)
    assert (backup.contents.rig, backup.contents.soaks, backup.contents.alarms) == ("bay-2", 1, 1)
    assert state_of(backup.folder / "bay-2.journal") == before
    done = restore(backup.folder, elsewhere)
    assert (done.before, done.contents) == (None, backup.contents)
    assert state_of(elsewhere) == before
    assert not [name for name in names(elsewhere.parent) if "restor" in name or "before" in name]
    with Journal.open(elsewhere) as journal:
        append(journal, COUNT + 6, 1)
    read_backup(backup.folder)  # nothing has touched it


def test_what_is_not_what_was_written_is_never_backed_up(path: Path, disk: Path) -> None:
    fill(path)
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("UPDATE entries SET body = '41' WHERE id = 7")
    with pytest.raises(JournalError) as refused:
        make_backup(path, disk)
    assert str(refused.value).startswith(f"{path}: is damaged (entry 7 ")
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("UPDATE entries SET body = '6' WHERE id = 7")
    with closing(sqlite3.connect(soaks_path(path))) as other, other:
        other.execute("UPDATE soaks SET name = 'x'")
    with pytest.raises(DatabaseError) as damaged:
        make_backup(path, disk)
    assert str(damaged.value).startswith(f"{soaks_path(path)}: is damaged")
    assert names(disk) == []


def test_a_register_of_another_journal_is_not_backed_up_with_it(path: Path, disk: Path) -> None:
    fill(path)
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("DELETE FROM entries WHERE id > 20")
    with pytest.raises(DatabaseError, match=r"soaks: has a soak up to entry 40, but .* ends with entry 20"):
        make_backup(path, disk)
    assert names(disk) == []


def test_an_older_register_is_brought_up_in_the_copy_only(path: Path, disk: Path, elsewhere: Path) -> None:
    with Journal.open(path) as journal:
        append(journal, 0, 5)
        AlarmStore.open(path, rig="bay-2").close()
    alarms_path(path).unlink()
    layout = alarm_store.LAYOUT
    old = Layout(layout.name, layout.application_id, layout.migrations[:1])
    Database.open_to_write(alarms_path(path), old).close()
    before = alarms_path(path).read_bytes()
    backup = make_backup(path, disk)
    assert alarms_path(path).read_bytes() == before
    restore(backup.folder, elsewhere)
    assert read_alarms(elsewhere) == []


@pytest.mark.parametrize(
    "name", ["bay-2.journal", "bay-2.journal.soaks", "bay-2.journal.readings-cursor", "backup.json"]
)
@pytest.mark.parametrize("how", ["turned over", "gone"])
def test_a_backup_that_is_not_what_was_written_is_refused(
    path: Path, disk: Path, elsewhere: Path, name: str, how: str
) -> None:
    fill(path)
    file = make_backup(path, disk).folder / name
    if how == "gone":
        file.unlink()
    else:
        content = bytearray(file.read_bytes())
        content[len(content) // 2] ^= 4
        file.write_bytes(content)
    with pytest.raises(BackupError, match=r"is damaged|is gone|is no backup"):
        restore(file.parent, elsewhere)
    assert not elsewhere.exists()


def test_a_journal_that_holds_something_is_left_alone_without_force(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    fill(path)
    backup = make_backup(path, disk)
    fill(elsewhere, 7, "other")
    before = state_of(elsewhere)
    with pytest.raises(PlainError, match=r"holds entries up to 8, 1 soaks, 1 alarms already; .*--force"):
        restore(backup.folder, elsewhere)
    assert state_of(elsewhere) == before
    done = restore(backup.folder, elsewhere, force=True)
    assert state_of(elsewhere) == state_of(path)
    assert done.before is not None
    assert state_of(done.before / elsewhere.name) == before


def test_numbers_that_were_told_are_not_given_to_others_after_a_restore(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    """A subscriber knows repeats by the entry's number."""
    fill(path, 10)
    backup = make_backup(path, disk)
    fill(elsewhere, 30, "other")
    restore(backup.folder, elsewhere, force=True)
    with Journal.open(elsewhere) as journal:
        append(journal, 11, 1)
    with JournalReader(elsewhere) as reader:
        assert [entry.id for entry in reader.read()] == [*range(1, 12), 32]


def test_a_journal_that_can_t_be_read_is_left_alone_and_moved_aside_with_force(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    fill(path)
    backup = make_backup(path, disk)
    elsewhere.write_bytes(b"no journal" * 1000)
    with pytest.raises(PlainError, match=r"can't be read to tell"):
        restore(backup.folder, elsewhere)
    done = restore(backup.folder, elsewhere, force=True)
    assert done.before is not None
    assert (done.before / elsewhere.name).read_bytes() == b"no journal" * 1000


def test_an_empty_journal_is_no_hindrance_and_an_old_log_never_meets_the_new_journal(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    fill(path)
    backup = make_backup(path, disk)
    with Journal.open(elsewhere):
        shutil.copy(f"{elsewhere}-wal", disk / "log")
    shutil.copy(disk / "log", f"{elsewhere}-wal")
    restore(backup.folder, elsewhere)
    assert not elsewhere.with_name(f"{elsewhere.name}-wal").exists()
    assert state_of(elsewhere) == state_of(path)


def test_nothing_is_restored_under_somebody_who_writes(path: Path, disk: Path, elsewhere: Path) -> None:
    fill(path)
    backup = make_backup(path, disk)
    for opened in (
        lambda: Journal.open(elsewhere),
        lambda: AlarmStore.open(elsewhere, rig="bay-2"),
        lambda: Register.open(elsewhere),
    ):
        with opened(), pytest.raises(PlainError, match="by another process"):  # type: ignore[attr-defined]
            restore(backup.folder, elsewhere, force=True)


@pytest.mark.parametrize("step", [*range(20), 100])
def test_a_restore_that_is_broken_off_is_finished_by_the_next(
    path: Path, disk: Path, elsewhere: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """After each rename, and before the first: the old one whole, or nobody may open it until it is the new one."""
    fill(path)
    backup = make_backup(path, disk)
    fill(elsewhere, 7, "other")
    old, new = state_of(elsewhere), state_of(path)
    count = 0
    rename, replace = Path.rename, Path.replace

    def counted(real: object) -> object:
        def move(one: Path, target: Path) -> Path:
            nonlocal count
            if count >= step:
                raise KeyboardInterrupt
            count += 1
            return real(one, target)  # type: ignore[operator, no-any-return]

        return move

    monkeypatch.setattr(Path, "rename", counted(rename))
    monkeypatch.setattr(Path, "replace", counted(replace))
    broken = False
    try:
        restore(backup.folder, elsewhere, force=True)
    except KeyboardInterrupt:
        broken = True
    monkeypatch.undo()
    # two notes, four old files and their logs, four new ones
    assert broken if step < 10 else not broken or step < 20
    if broken and step > 0:
        for opened in (Journal.open, JournalReader):
            with pytest.raises(JournalError, match=r"was broken off here: run 'cornerhold restore'"):
                opened(elsewhere)
        if step % 2:
            with pytest.raises(PlainError, match=r"first the restore of .* nothing of .* was restored"):
                restore(path, elsewhere)
        else:
            assert restore(backup.folder, elsewhere).finished
    elif broken:
        assert state_of(elsewhere) == old
        done = restore(backup.folder, elsewhere, force=True)
        assert not done.finished
    assert state_of(elsewhere) == new
    (before,) = elsewhere.parent.glob("*.before-*")
    assert state_of(before / elsewhere.name) == old
    assert not [name for name in names(elsewhere.parent) if "restor" in name or name.endswith(".part")]


def test_a_lone_copy_is_taken_as_it_is_only_when_that_is_asked_for(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    fill(path)
    with Journal.open(path) as journal:
        append(journal, COUNT + 1, 5)
        lone = disk / "bay-2.journal"
        shutil.copy(path, lone)
    with pytest.raises(PlainError, match="is a copy"):
        restore(lone, elsewhere)
    shutil.copy(soaks_path(path), soaks_path(lone))
    shutil.copy(alarms_path(path), alarms_path(lone))
    with pytest.raises(PlainError, match="is a copy"):
        restore(lone, elsewhere)
    with pytest.raises(PlainError, match="is a copy"):
        make_backup(lone, disk)
    done = restore(lone, elsewhere, incomplete=True)
    assert done.contents.newest_entry == COUNT + 1
    assert len(state_of(elsewhere)[0]) == COUNT + 1


def test_numbers_of_an_ended_soak_are_not_given_again_after_a_lone_copy(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    fill(path)
    lone = disk / "bay-2.journal"
    for end in ("", ".soaks"):
        shutil.copy(f"{path}{end}", f"{lone}{end}")
    with closing(sqlite3.connect(lone)) as other, other:
        other.execute("DELETE FROM entries WHERE id > 20")
        other.execute("UPDATE sqlite_sequence SET seq = 20")
    restore(lone, elsewhere, incomplete=True)
    with Journal.open(elsewhere) as journal:
        append(journal, 20, 1)
    with JournalReader(elsewhere) as reader:
        assert [entry.id for entry in reader.read()][-2:] == [20, COUNT + 1]


def test_a_journal_without_its_soaks_is_taken_as_it_is(path: Path, disk: Path, elsewhere: Path) -> None:
    fill(path)
    shutil.copy(path, disk / "bay-2.journal")
    restore(disk / "bay-2.journal", elsewhere, incomplete=True)
    assert read_soaks(elsewhere) == []
    assert read_alarms(elsewhere) == []


def test_what_only_the_service_may_read_stays_so(path: Path, disk: Path, elsewhere: Path) -> None:
    fill(path)
    for end in ("", ".soaks", ".alarms", ".readings-cursor"):
        Path(f"{path}{end}").chmod(0o600)
    folder = make_backup(path, disk).folder
    restore(folder, elsewhere)
    for end in ("", ".soaks", ".alarms", ".readings-cursor"):
        for file in (folder / f"{path.name}{end}", Path(f"{elsewhere}{end}")):
            assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_by_a_symlink_the_real_journal_is_backed_up_and_replaced(
    path: Path, disk: Path, elsewhere: Path
) -> None:
    fill(path)
    link = disk / "bay-2.journal"
    link.symlink_to(path)
    backup = make_backup(link, disk)
    assert backup.contents.soaks == 1
    to = disk / "restored.journal"
    to.symlink_to(elsewhere)
    restore(backup.folder, to)
    assert to.is_symlink()
    assert state_of(elsewhere) == state_of(path)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file to somebody")
def test_root_restores_for_whom_the_folder_is(path: Path, disk: Path, elsewhere: Path) -> None:
    fill(path)
    backup = make_backup(path, disk)
    os.chown(elsewhere.parent, 12345, 23456)
    restore(backup.folder, elsewhere)
    for end in ("", ".soaks", ".alarms", ".readings-cursor"):
        found = Path(f"{elsewhere}{end}").stat()
        assert (found.st_uid, found.st_gid) == (12345, 23456)
    elsewhere.chmod(0o640)
    restore(backup.folder, elsewhere, force=True)
    assert stat.S_IMODE(elsewhere.stat().st_mode) == 0o640


def test_a_place_that_is_none_is_one_line(path: Path, disk: Path, elsewhere: Path) -> None:
    fill(path)
    with pytest.raises(BackupError, match="no such folder"):
        make_backup(path, disk / "absent")
    with pytest.raises(BackupError, match="is no backup"):
        restore(disk, elsewhere)
    with pytest.raises(PlainError, match="no such journal"):
        restore(disk / "absent", elsewhere)
    with pytest.raises(PlainError, match="no such folder"):
        restore(path, disk / "absent" / "x.journal")
    with pytest.raises(PlainError, match="is the source itself"):
        restore(path, path, force=True)


def test_two_backups_of_one_second_are_two(path: Path, disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(path)
    moment = datetime(2027, 1, 15, 18, tzinfo=UTC)
    monkeypatch.setattr("analysis.backup.utc_now", lambda: moment)
    folder = make_backup(path, disk).folder
    assert folder.name == "bay-2-20270115T180000Z"
    with pytest.raises(BackupError, match="is there already"):
        make_backup(path, disk)
    read_backup(folder)


def test_a_second_backup_at_once_is_refused_and_what_a_killed_one_left_goes(path: Path, disk: Path) -> None:
    fill(path)
    part = disk / ".bay-2.backup.part"
    part.mkdir()
    (part / "half").write_text("half")

    def again(share: float) -> None:
        if share > 0.7:
            with pytest.raises(BackupError, match="another backup"):
                make_backup(path, disk)

    backup = make_backup(path, disk, again)
    assert names(disk) == [backup.folder.name]
    assert "half" not in names(backup.folder)


def test_the_commands_say_it_in_a_line_or_as_json(
    path: Path, disk: Path, elsewhere: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(path)
    main_ok(["backup", "-j", str(path), "--to", str(disk), "--json"])
    said = json.loads(capsys.readouterr().out)
    assert (said["entries"], said["soaks"], said["alarms"], said["rig"]) == (COUNT + 1, 1, 1, "bay-2")
    assert said["newest"] == "1970-01-01T00:00:40Z"
    main_ok(["restore", said["backup"], "-j", str(elsewhere)])
    out = capsys.readouterr().out
    assert out == f"{elsewhere}: 41 entries up to 1970-01-01T00:00:40Z, 1 soaks, 1 alarms, checked\n"
    main_ok(["restore", said["backup"], "-j", str(elsewhere), "--force", "--json"])
    again = json.loads(capsys.readouterr().out)
    assert Path(again["before"]).is_dir()
    with pytest.raises(SystemExit) as ended:
        main(["restore", said["backup"]])
    assert ended.value.code == 1
    assert "which journal?" in capsys.readouterr().err


def test_one_journal_that_fails_costs_the_others_nothing(
    path: Path, disk: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(path)
    rigs = tmp_path / "rigs"
    rigs.mkdir()
    for name in ("bay-1", "bay-2"):
        journal = path.with_name(f"{name}.journal")
        (rigs / f"{name}.toml").write_text(f'[rig]\nname = "{name}"\n[journal]\npath = "{journal}"\n')
    with pytest.raises(SystemExit) as ended:
        main(["backup", "-s", str(rigs), "--to", str(disk)])
    assert ended.value.code == 1
    out, err = capsys.readouterr()
    assert "bay-2-" in out
    assert "bay-1.journal: there is no such journal" in err
    assert err.endswith("cornerhold: 1 of 2 journals were not backed up: bay-1\n")


def main_ok(words: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 0


def test_the_order_of_what_is_put_in_place_ends_with_the_journal() -> None:
    assert restoring._ENDINGS[-1] == ""
    assert set(PLACES) < set(restoring._ENDINGS)
