"""The one writer of files: whole or not at all, whose they were they stay, and never in place of a device."""

from __future__ import annotations

import ast
import os
import stat
import struct
import threading
from pathlib import Path

import pytest

import analysis
import logger
from analysis.commands import main
from analysis.settings_editor import edit_file
from logger.errors import PlainError
from logger.files import replace_file, whole_file
from logger.journal import Journal

AS_ROOT = pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file to somebody")
SOMEBODY, SOME_GROUP = 12345, 23456
SETTINGS = '[rig]\nname = "bay-2"\n'


def write(path: Path, text: str = "new\n") -> None:
    with whole_file(path) as file:
        file.write(text)


def names(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir())


@AS_ROOT
def test_a_file_keeps_owner_group_and_mode(tmp_path: Path) -> None:
    """A service reads its settings by the group: after `calibrate` as root it must still be able to."""
    file = tmp_path / "bay.toml"
    file.write_text(SETTINGS)
    os.chown(file, SOMEBODY, SOME_GROUP)
    file.chmod(0o640)
    edit_file(file, {("rig",): {"name": "bay-3"}})
    found = file.stat()
    assert (found.st_uid, found.st_gid, stat.S_IMODE(found.st_mode)) == (SOMEBODY, SOME_GROUP, 0o640)
    assert "bay-3" in file.read_text()


def test_a_file_keeps_its_mode_and_a_new_one_gets_the_usual(tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    old.write_text("old")
    old.chmod(0o604)
    write(old)
    write(new)
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE(old.stat().st_mode) == 0o604
    assert stat.S_IMODE(new.stat().st_mode) == 0o666 & ~mask


@AS_ROOT
def test_an_owner_that_can_t_be_kept_is_a_refusal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "x.csv"
    file.write_text("old")
    os.chown(file, SOMEBODY, SOME_GROUP)

    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "fchown", refuse)
    with pytest.raises(PlainError, match=r"x\.csv: belongs to somebody else .*12345.*23456"):
        write(file)
    assert file.read_text() == "old"
    assert names(tmp_path) == ["x.csv"]
    # the program's own small files must go on
    replace_file(file, "new")
    assert file.read_text() == "new"


def test_an_access_list_goes_over(tmp_path: Path) -> None:
    file = tmp_path / "bay.toml"
    file.write_text("old")
    anyone = 0xFFFFFFFF
    # owner rw, one user r, group r, mask r, others nothing (acl(5); the layout is the kernel's posix_acl_xattr.h)
    entries = ((1, 6, anyone), (2, 4, SOMEBODY), (4, 4, anyone), (16, 4, anyone), (32, 0, anyone))
    words = struct.pack("<I", 2) + b"".join(struct.pack("<HHI", *entry) for entry in entries)
    try:
        os.setxattr(file, "system.posix_acl_access", words)
    except OSError:
        pytest.skip("a file system without access lists")
    write(file)
    assert os.getxattr(file, "system.posix_acl_access") == words
    assert file.read_text() == "new\n"


def test_a_symlink_stays_one_and_its_target_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    target, link = tmp_path / "there" / "real.csv", tmp_path / "x.csv"
    target.write_text("old")
    link.symlink_to(Path("there") / "real.csv")
    write(link)
    assert link.is_symlink()
    assert target.read_text() == "new\n"
    assert names(tmp_path / "there") == ["real.csv"]
    target.unlink()
    write(link, "again")  # it leads nowhere yet
    assert target.read_text() == "again"


def test_a_file_with_two_names_is_not_parted(tmp_path: Path) -> None:
    file, other = tmp_path / "x.csv", tmp_path / "y.csv"
    file.write_text("old")
    os.link(file, other)
    with pytest.raises(PlainError, match=r"x\.csv: has another name"):
        write(file)
    assert file.read_text() == "old"
    assert names(tmp_path) == ["x.csv", "y.csv"]
    replace_file(file, "new")
    assert (file.read_text(), other.read_text()) == ("new", "old")


@pytest.fixture
def full(tmp_path: Path) -> Path:
    """A device that is always full; for root, who could replace it, one of the test's own."""
    if os.geteuid() != 0:
        return Path("/dev/full")
    device = tmp_path / "full"
    os.mknod(device, stat.S_IFCHR | 0o666, os.makedev(1, 7))
    return device


def test_a_device_is_written_to_and_never_replaced(full: Path) -> None:
    """As root a file once stood in place of `/dev/full`, and the command said "written"."""
    before = full.lstat()
    with pytest.raises(OSError, match="No space left") as refused:
        write(full)
    assert refused.value.filename == str(full)
    now = full.lstat()
    assert (now.st_ino, now.st_rdev, stat.S_ISCHR(now.st_mode)) == (before.st_ino, before.st_rdev, True)


def test_a_full_device_is_one_line_that_names_it(
    tmp_path: Path, full: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = tmp_path / "x.csv"
    rows = "".join(f"{n * 600},{812 - n * 0.01:.2f},20\n" for n in range(30))
    recording.write_text(f"elapsed_s,front_left.pressure_kPa,ambient.temperature_degC\n{rows}")
    with pytest.raises(SystemExit) as ended:
        main(["report", str(recording), "--output", str(full)])
    assert ended.value.code == 1
    out, err = capsys.readouterr()
    assert (out, err) == ("", f"cornerhold: {full}: No space left on device\n")


def test_a_pipe_gets_the_text_when_somebody_reads(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[str] = []
    listener = threading.Thread(target=lambda: heard.append(pipe.read_text()))
    listener.start()
    writer = os.open(pipe, os.O_WRONLY)  # comes back when the reader is there
    try:
        write(pipe, "x" * 200_000)
    finally:
        os.close(writer)
    listener.join()
    assert heard == ["x" * 200_000]
    assert stat.S_ISFIFO(pipe.lstat().st_mode)
    assert names(tmp_path) == ["pipe"]


def test_a_pipe_that_nobody_reads_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(PlainError, match=r"pipe: is a pipe that nobody reads"):
        write(pipe)
    assert stat.S_ISFIFO(pipe.lstat().st_mode)


def test_what_is_no_place_for_a_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlainError, match="is a folder"):
        write(tmp_path)
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    with pytest.raises(OSError, match="symbolic links"):
        write(loop)
    with pytest.raises(FileNotFoundError) as refused:
        write(tmp_path / "absent" / "x.csv")
    assert refused.value.filename == str(tmp_path / "absent" / "x.csv")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may make a device")
def test_a_disk_is_never_written_to(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    os.mknod(disk, stat.S_IFBLK | 0o600, os.makedev(7, 0))
    with pytest.raises(PlainError, match="is no place for a file"):
        write(disk)
    assert stat.S_ISBLK(disk.lstat().st_mode)


@pytest.mark.parametrize("place", ["x.csv", "pipe"])
def test_a_block_that_fails_leaves_nothing_and_says_nothing(tmp_path: Path, place: str) -> None:
    path = tmp_path / place
    if place == "pipe":
        os.mkfifo(path)
        reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    else:
        path.write_text("old")
    before = names(tmp_path)

    def half() -> None:
        with whole_file(path) as file:
            file.write("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        half()
    assert names(tmp_path) == before
    if place == "pipe":
        assert os.read(reader, 10) == b""
        os.close(reader)
    else:
        assert path.read_text() == "old"


def test_there_is_one_writer_that_puts_a_file_in_place_of_another() -> None:
    """Whoever renames a file into place himself forgets owner, links or devices."""
    found = set()
    for room in (logger, analysis):
        base = Path(room.__file__).parent
        for path in base.rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text())):
                if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                    continue
                whose = ast.unparse(node.func.value)
                renames = node.func.attr == "rename" or (whose == "os" and node.func.attr == "replace")
                # a path's `replace` takes one thing, a text's two
                if renames or (node.func.attr == "replace" and len(node.args) == 1 and not node.keywords):
                    found.add(f"{room.__name__}/{path.relative_to(base)}")
    # the virtual rig renames a symlink to its port; a backup and a restore move where nothing stands
    moving = {"logger/virtual/pty_rig.py", "analysis/backup.py", "analysis/restore.py"}
    moving.add("logger/conversation.py")  # gives channels another name
    assert found - moving == {"logger/files.py"}


def test_a_text_is_never_put_in_place_of_a_database(tmp_path: Path) -> None:
    """A journal that was named as `--output` by mistake."""
    journal = tmp_path / "bay.journal"
    Journal.open(journal).close()
    before = journal.read_bytes()
    with pytest.raises(PlainError, match=r"bay\.journal: is a database"):
        write(journal)
    assert journal.read_bytes() == before
