"""The analysis's own database files: whose a file is, its version, its one writer, and the one way to write.

The same ritual as the journal's, for the small files that lie beside it. Whoever writes holds the lock beside the
file, which the system lets go of when the process dies, whatever it dies of. Readers need no lock.
"""

from __future__ import annotations

import contextlib
import fcntl
import sqlite3
import time
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any, Self

from logger.errors import PlainError
from logger.journal_schema import atomic, pragma

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_LOOK_s = 0.05
_BUSY_s = 10.0
_RENEWING_s = 2.0


class DatabaseError(PlainError):
    """A database file that can't be used, or a write that was refused; one line."""

    def __init__(self, path: Path, reason: str) -> None:
        """Keep file and reason."""
        self.path, self.reason = path, reason
        super().__init__(f"{path}: {reason}")


@dataclass(frozen=True)
class Layout:
    """What a kind of file is called, whose it is, and the statements that lead from one version to the next."""

    name: str
    application_id: int
    migrations: tuple[tuple[str, ...], ...]

    @property
    def version(self) -> int:
        """The version that this program writes."""
        return len(self.migrations)


class Database:
    """An open file; `lock` is None for a reader."""

    def __init__(self, path: Path, connection: sqlite3.Connection, lock: IO[str] | None) -> None:
        """Use `open_to_write` or `open_to_read`."""
        self.path = path
        self._connection = connection
        self._lock = lock

    @classmethod
    def open_to_write(cls, path: Path, layout: Layout, patience_s: float = 0.0) -> Database:
        """Open or create, as the one writer; wait so long for another one to be done."""
        lock = _take_lock(path, patience_s)
        connection = None
        try:
            connection = sqlite3.connect(path, timeout=_BUSY_s, isolation_level=None, check_same_thread=False)
            _prepare(connection, path, layout)
        except BaseException as error:
            if connection is not None:
                connection.close()
            lock.close()
            if isinstance(error, sqlite3.Error):
                raise DatabaseError(path, f"can't be opened: {error}") from error
            raise
        return cls(path, connection, lock)

    @classmethod
    def open_to_read(cls, path: Path, layout: Layout) -> Database | None:
        """Open for reading; None while there is no such file, or one that is just being made.

        A file of an older version is brought to the present one first.
        """
        if not path.is_file():
            return None
        try:
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode=ro",
                uri=True,
                timeout=_BUSY_s,
                isolation_level=None,
                check_same_thread=False,
            )
            try:
                version = _check_owner(connection, path, layout)
                if 0 < version < layout.version:
                    cls.open_to_write(path, layout, _RENEWING_s).close()
            except BaseException:
                connection.close()
                raise
        except sqlite3.Error as error:
            raise DatabaseError(path, f"can't be read: {error}") from error
        if not version:
            connection.close()
            return None
        return cls(path, connection, None)

    def close(self) -> None:
        """Let the file and the lock go."""
        self._connection.close()
        if self._lock is not None:
            self._lock.close()

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()

    @contextlib.contextmanager
    def atomic(self) -> Iterator[sqlite3.Connection]:
        """The one way to write: all or nothing, on the disk when the block has ended."""
        if self._lock is None:
            raise DatabaseError(self.path, "is open for reading only")
        try:
            with atomic(self._connection) as connection:
                yield connection
        except sqlite3.Error as error:
            raise DatabaseError(self.path, f"nothing was written: {error}") from error

    def rows(self, statement: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        """The rows of one short reading statement."""
        try:
            return self._connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise DatabaseError(self.path, f"can't be read: {error}") from error


def _take_lock(path: Path, patience_s: float) -> IO[str]:
    if path.is_dir():
        raise DatabaseError(path, "is a folder")
    try:
        lock = path.with_name(path.name + ".lock").open("a", encoding="utf-8")
    except OSError as error:
        raise DatabaseError(path, f"can't be opened: {error.strerror or error}") from None
    end_s = time.monotonic() + patience_s
    while True:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            if time.monotonic() >= end_s:
                lock.close()
                raise DatabaseError(path, "is being written by another process") from None
            time.sleep(_LOOK_s)
        else:
            return lock


def _check_owner(connection: sqlite3.Connection, path: Path, layout: Layout) -> int:
    """Refuse a file that is somebody else's, or of a newer version; return its version (0: empty)."""
    version = int(pragma(connection, "user_version"))
    owner = int(pragma(connection, "application_id"))
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if owner != layout.application_id and (tables or version or owner):
        raise DatabaseError(path, f"is no {layout.name} of cornerhold")
    if version > layout.version:
        raise DatabaseError(
            path,
            f"was written by a newer version of cornerhold (version {version} of {layout.name}, this one knows up "
            f"to {layout.version}); nothing was changed",
        )
    return version


def _prepare(connection: sqlite3.Connection, path: Path, layout: Layout) -> None:
    version = _check_owner(connection, path, layout)
    if version:
        verdict = pragma(connection, "quick_check(1)")
        if verdict != "ok":
            raise DatabaseError(path, f"is damaged: {' '.join(str(verdict).split())}")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    if version == layout.version:
        return
    with atomic(connection):
        for step in layout.migrations[version:]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {layout.application_id}")
        connection.execute(f"PRAGMA user_version = {layout.version}")
