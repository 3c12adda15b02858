"""The one writer of files: whole or not at all, in its place, and whose it was it stays.

What stands under a name is replaced only if it is a plain file. A symlink stays and its target is replaced; owner, group,
mode and access lists go over to the new file. A pipe or a device is written to, when all is there.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import pwd
import secrets
import shutil
import stat
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

from logger.errors import PlainError, naming

if TYPE_CHECKING:
    from collections.abc import Iterator

_ACCESS_LIST = "system.posix_acl_access"
_DATABASE = b"SQLite format 3\0"
"""How every database file begins (sqlite.org/fileformat.html)."""


def real_path(path: Path) -> Path:
    """The absolute path without symlinks, also of what isn't there yet: the one name under which a file is known.

    A loop of symlinks is left for whoever opens it to refuse.
    """
    return Path(os.path.realpath(path))


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[IO[str]]:
    """A text file that appears under its name only when the block has ended well; else nothing is left.

    What stood there before stays until then. The content is on the disk before the name is. Raises PlainError for what
    can't be replaced without harm, OSError with this path for what the system refuses.
    """
    with naming(path):
        there = _standing(path)
        if there is not None and not _is_replaced(path, there):
            with _collected(path, there) as file:
                yield file
            return
        with _replacing(path, there, ours=False) as part, _opened(part) as file:
            yield file


@contextlib.contextmanager
def whole_part(path: Path, *, ours: bool = False) -> Iterator[Path]:
    """A name beside `path` for somebody else to write a file under (SQLite); it takes the place at the block's end.

    `ours`: see `replace_file`.
    """
    with naming(path):
        there = _standing(path)
        if there is not None and not _is_replaced(path, there):
            raise PlainError(f"{path}: is no plain file")
        with _replacing(path, there, ours=ours) as part:
            yield part


def replace_file(path: Path, text: str, *, durable: bool = True) -> None:
    """Put a text in place of one of the program's own small files, of which each has one writer.

    As `whole_file`, but a second name that it may have got, or an owner that can't be kept, must not hold up the service.
    `durable`: what stood there before stays until the new one is on the disk.
    """
    with whole_part(path, ours=True) as part, _opened(part, durable=durable) as file:
        file.write(text)


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the file system can do that."""
    with contextlib.suppress(OSError):
        at = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(at)
        finally:
            os.close(at)


def sync_file(path: Path) -> None:
    """Bring a file's content to the disk."""
    with path.open("rb") as file:
        os.fsync(file.fileno())


def keep_owner(file: int | Path, there: os.stat_result) -> None:
    """Give a file the owner, group and mode that `there` tells of; OSError if that isn't allowed."""
    now = os.fstat(file) if isinstance(file, int) else file.stat()
    if (now.st_uid, now.st_gid) != (there.st_uid, there.st_gid):
        if isinstance(file, int):
            os.fchown(file, there.st_uid, there.st_gid)
        else:
            os.chown(file, there.st_uid, there.st_gid)
    # last: a change of owner takes some bits away
    os.chmod(file, stat.S_IMODE(there.st_mode))  # noqa: PTH101  also for an open file


def _standing(path: Path) -> os.stat_result | None:
    """What stands under a name, symlinks followed by the system, which knows whose may be followed; None: nothing."""
    try:
        return path.stat()
    except FileNotFoundError:
        return None


def _is_replaced(path: Path, there: os.stat_result) -> bool:
    """Whether it is a plain file with a name of its own (`/dev/stdout` may be one that has none any more)."""
    if stat.S_ISDIR(there.st_mode):
        raise PlainError(f"{path}: is a folder")
    if not stat.S_ISREG(there.st_mode):
        return False
    named = _standing(real_path(path))
    return named is not None and os.path.samestat(named, there)


@contextlib.contextmanager
def _replacing(path: Path, there: os.stat_result | None, *, ours: bool) -> Iterator[Path]:
    target = real_path(path)
    if there is not None and there.st_nlink > 1 and not ours:
        raise PlainError(
            f"{path}: has another name (a hard link), under which the old content would stay; nothing was written"
        )
    if there is not None and not ours:
        _refuse_database(path, target)
    # Named before it is made: a signal may end the program between any two lines.
    mark = "" if ours else f".{secrets.token_hex(6)}"
    part = target.with_name(f".{target.name}{mark}.part")
    if ours:
        part.unlink(missing_ok=True)  # of one that was killed
    try:
        yield part
        if there is not None:
            _hand_over(path, part, target, there, ours=ours)
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    if not ours:
        sync_folder(target.parent)


def _refuse_database(path: Path, target: Path) -> None:
    """A journal that was named as an output by mistake."""
    with contextlib.suppress(PermissionError), target.open("rb") as file:
        if file.read(len(_DATABASE)) == _DATABASE:
            raise PlainError(f"{path}: is a database (a journal?); nothing was written in its place")


@contextlib.contextmanager
def _opened(part: Path, *, durable: bool = True) -> Iterator[IO[str]]:
    with part.open("x", encoding="utf-8", newline="\n") as file:
        yield file
        file.flush()
        if durable:
            os.fsync(file.fileno())


def _hand_over(path: Path, part: Path, target: Path, there: os.stat_result, *, ours: bool) -> None:
    file = os.open(part, os.O_RDONLY)
    try:
        try:
            keep_owner(file, there)
        except OSError:
            if ours:
                return
            raise PlainError(
                f"{path}: belongs to somebody else ({_who(there)}), which only they or root can leave so; "
                "nothing was written"
            ) from None
        with contextlib.suppress(OSError):  # most file systems have none
            os.setxattr(file, _ACCESS_LIST, os.getxattr(target, _ACCESS_LIST))
    finally:
        os.close(file)


def _who(there: os.stat_result) -> str:
    try:
        owner = pwd.getpwuid(there.st_uid).pw_name
    except KeyError:
        owner = str(there.st_uid)
    return f"{owner}, group {there.st_gid}"


@contextlib.contextmanager
def _collected(path: Path, there: os.stat_result) -> Iterator[IO[str]]:
    """For a pipe or a device: collect the text, and write it there when the block has ended well."""
    if stat.S_ISBLK(there.st_mode) or stat.S_ISSOCK(there.st_mode):
        raise PlainError(f"{path}: is no place for a file (a disk or a socket)")
    try:
        # without waiting: for a pipe's reader one would wait for ever
        place = os.open(path, os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError as error:
        if error.errno != errno.ENXIO:
            raise
        raise PlainError(
            f"{path}: is a pipe that nobody reads; start the reader first, or name a file"
        ) from None
    os.set_blocking(place, True)
    with open(place, "wb") as out, tempfile.TemporaryFile() as kept:  # noqa: PTH123  it is open already
        text = io.TextIOWrapper(kept, encoding="utf-8", newline="\n")
        yield text
        text.flush()
        kept.seek(0)
        shutil.copyfileobj(kept, out)
        out.flush()
