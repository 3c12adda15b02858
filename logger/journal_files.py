"""Which files belong to a journal, and its lock: one journal has one identity, whatever name it was called by."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from typing import IO

from logger.files import real_path
from logger.journal_schema import WAY_FORWARD, JournalError

SOAKS, ALARMS = ".soaks", ".alarms"
"""What the analysis keeps beside it speaks of its entries by number (analysis/register.py, analysis/alarm_store.py)."""
PLACES = (
    ".readings-cursor",
    ".influx-readings",
    ".influx-readings-refused",
    ".influx-findings",
    ".influx-findings-refused",
)
"""Where the mirrors stand (logger/readings_mirror.py, logger/mirror_state.py)."""
RESTORING = ".restoring"
"""There while a restore puts files in place (analysis/restore.py)."""
_LOCK = ".lock"

_open_here: set[tuple[int, int]] = set()
"""Device and inode of the journals that this process writes."""


def beside(journal: Path, ending: str) -> Path:
    """A file that belongs to a journal: beside the real file, also where the journal was named by a symlink."""
    real = real_path(journal)
    if real == Path(os.path.abspath(journal)):  # noqa: PTH100  resolve() would follow links
        return journal.with_name(journal.name + ending)  # as people typed it
    return real.with_name(real.name + ending)


class JournalLock:
    """The right to write a journal. The system takes it back when the process dies, whatever it dies of.

    It is a lock on a file beside the journal and one on the journal's own inode: a hard link or a mount of the file has
    another place for what lies beside. The inode stands in the file beside it, so that a copy knows itself for one
    (`logger/journal_mark.py`).
    """

    def __init__(self, path: Path, name_lock: IO[str]) -> None:
        """Use `take`."""
        self._path = path
        self._name_lock = name_lock
        self._file: int | None = None
        self._identity = (0, 0)

    @classmethod
    def take(cls, path: Path, *, to_restore: bool = False) -> JournalLock:
        """Take it, and make an empty journal if there is none; raises JournalError.

        `to_restore`: whatever stands there is going to be replaced, and nothing is made.
        """
        real = real_path(path)
        if real.is_dir():
            raise JournalError(path, "is a folder")
        if real.exists() and not real.is_file():
            raise JournalError(path, "is no plain file")
        try:
            name_lock = beside(path, _LOCK).open("a+", encoding="utf-8")
        except OSError as error:
            raise JournalError(path, f"can't be opened: {error.strerror or error}") from None
        lock = cls(path, name_lock)
        try:
            if not _locked(name_lock.fileno()):
                raise JournalError(path, "is being written by another process")  # noqa: TRY301  one clean-up
            if not to_restore:
                refuse_broken_restore(path)
                _refuse_orphans(path)
            if real.exists() or not to_restore:
                lock._take_file(real)
        except OSError as error:
            lock.close()
            raise JournalError(path, f"can't be opened: {error.strerror or error}") from None
        except BaseException:
            lock.close()
            raise
        return lock

    def close(self) -> None:
        """Let it go. Close every connection of this process to the journal first.

        Closing the file takes away the locks that SQLite has on it in this process (they belong to the process, not to
        the open file).
        """
        if self._file is not None:
            _open_here.discard(self._identity)
            os.close(self._file)
            self._file = None
        self._name_lock.close()

    def _take_file(self, real: Path) -> None:
        elsewhere = JournalError(
            self._path, "is being written by another process, under another name (a link or a mount)"
        )
        # looked at before it is opened: see `close`
        with contextlib.suppress(FileNotFoundError):
            if _identity(real.stat()) in _open_here:
                raise elsewhere
        file = os.open(real, os.O_RDWR | os.O_CREAT | os.O_NONBLOCK | os.O_CLOEXEC, 0o644)
        if not _locked(file):
            os.close(file)
            raise elsewhere
        self._file, self._identity = file, _identity(os.fstat(file))
        _open_here.add(self._identity)

    def note_inode(self) -> None:
        """Write down which file this is, once it is known to be no copy."""
        said = f"{self._identity[1]}\n"
        self._name_lock.seek(0)
        if self._name_lock.read() == said:
            return
        with contextlib.suppress(OSError):  # a full disk; it only helps to know a copy
            self._name_lock.truncate(0)
            self._name_lock.write(said)
            self._name_lock.flush()


def refuse_broken_restore(path: Path) -> None:
    """Raise JournalError where a restore was broken off while it put files in place."""
    if beside(path, RESTORING).exists():
        raise JournalError(
            path, "a restore was broken off here: run 'cornerhold restore' on it again, which finishes it"
        )


def is_the_one_written(journal: Path) -> bool:
    """Whether a journal is the file that its last writer had open under this name, by the note in the lock beside it."""
    try:
        said = beside(journal, _LOCK).read_text(encoding="utf-8").strip()
        return said == str(journal.stat().st_ino)
    except FileNotFoundError:
        return False
    except (OSError, ValueError):
        return True  # can't be told


def _identity(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino


def _locked(file: int) -> bool:
    """Lock an open file; False if somebody else has."""
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _refuse_orphans(path: Path) -> None:
    """An empty journal beside the soaks and alarms of a full one: they would be taken for its own."""
    if path.exists() and path.stat().st_size:
        return
    orphans = [name for ending in (SOAKS, ALARMS) if (name := beside(path, ending)).exists()]
    if orphans:
        named = " and ".join(str(name) for name in orphans)
        raise JournalError(path, f"is empty or gone, but {named} belong to it; {WAY_FORWARD}")
