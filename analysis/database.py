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
from hashlib import sha256
from typing import IO, TYPE_CHECKING, Any, Protocol, Self

from logger.errors import PlainError
from logger.files import sync_file, whole_part
from logger.journal_files import beside
from logger.journal_mark import missing_beside
from logger.journal_schema import FILE_ERRORS, atomic, is_damage, pragma
from logger.online_copy import online_copy

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

_LOOK_s = 0.05
_BUSY_s = 10.0
_RENEWING_s = 2.0
_CHECKPOINT_PAGES = 16
WAY_FORWARD = "nothing was changed: put back a copy, or move it away and begin it anew"


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
    reserve_bytes: int = 0
    """Room that is kept inside the file, so that it can still be written when the disk is full."""

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
        lock = take_lock(path, patience_s)
        connection = None
        try:
            if not path.exists():
                _make(path, layout)
            connection = sqlite3.connect(path, timeout=_BUSY_s, isolation_level=None, check_same_thread=False)
            _prepare(connection, path, layout)
        except BaseException as error:
            if connection is not None:
                connection.close()
            lock.close()
            if isinstance(error, FILE_ERRORS):
                raise _refusal(path, error, "can't be opened") from error
            raise
        return cls(path, connection, lock)

    @classmethod
    def open_to_read(cls, path: Path, layout: Layout) -> Database | None:
        """Open for reading; None while there is no such file.

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
                if version < layout.version:
                    cls.open_to_write(path, layout, _RENEWING_s).close()
                _check_whole(connection, path)
            except BaseException:
                connection.close()
                raise
        except FILE_ERRORS as error:
            raise _refusal(path, error, "can't be read") from error
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
                _seal(connection)
        except sqlite3.Error as error:
            raise _refusal(self.path, error, "nothing was written") from error

    def rows(self, statement: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        """The rows of one short reading statement."""
        try:
            return self._connection.execute(statement, values).fetchall()
        except FILE_ERRORS as error:
            raise _refusal(self.path, error, "can't be read") from error


def copy_database(source: Path, target: Path, layout: Layout) -> bool:
    """Copy what a file holds now into a new one of the present version, also while somebody writes, and check the copy.

    False: there is no such file.
    """
    if not source.is_file():
        return False
    try:
        connection = sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=_BUSY_s)
        connection.isolation_level = None
        with contextlib.closing(connection):
            version = _check_owner(connection, source, layout)
            online_copy(connection, target)
        with contextlib.closing(sqlite3.connect(target, isolation_level=None)) as copy:
            _check_whole(copy, target)
            if version < layout.version:
                _migrate(copy, layout, version)
    except FILE_ERRORS as error:
        raise _refusal(source, error, "can't be copied") from error
    sync_file(target)
    return True


class Kept(Protocol):
    """A row that is never deleted, only withdrawn."""

    @property
    def id(self) -> int:
        """Its number."""

    @property
    def withdrawn(self) -> str | None:
        """When it was taken back."""


def counting(rows: Sequence[Kept], number: int, what: str, path: Path) -> None:
    """Raise DatabaseError unless there is a row of this number that counts; `what` it is called."""
    found = next((row for row in rows if row.id == number), None)
    if found is None:
        raise DatabaseError(path, f"there is no {what} number {number} (see its list)")
    if found.withdrawn is not None:
        raise DatabaseError(path, f"{what} number {number} was withdrawn already, {found.withdrawn}")


def require_beside(journal: Path, ending: str, what: str) -> None:
    """Raise DatabaseError if a file is gone that a journal had beside it: without it other things would be true."""
    if missing_beside(journal, ending):
        raise DatabaseError(
            beside(journal, ending),
            f"is gone, but {journal} had one: its {what} are in it. Put it back, or take copies with "
            "'cornerhold backup', which has all that belongs together; to use the journal without: "
            "cornerhold restore --incomplete",
        )


def take_lock(path: Path, patience_s: float) -> IO[str]:
    """The right to write a database file; close it to let it go. Raises DatabaseError while somebody else has it."""
    if path.is_dir():
        raise DatabaseError(path, "is a folder")
    try:
        lock = beside(path, ".lock").open("a", encoding="utf-8")
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
    """Refuse a file that is somebody else's, empty, or of a newer version; return its version."""
    version = int(pragma(connection, "user_version"))
    owner = int(pragma(connection, "application_id"))
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if owner != layout.application_id and (tables or version or owner):
        raise DatabaseError(path, f"is no {layout.name} of cornerhold, or damaged; {WAY_FORWARD}")
    if not tables or not version:
        raise _damaged(path, "it is empty")
    if version > layout.version:
        raise DatabaseError(
            path,
            f"was written by a newer version of cornerhold (version {version} of {layout.name}, this one knows up "
            f"to {layout.version}); nothing was changed",
        )
    return version


def _prepare(connection: sqlite3.Connection, path: Path, layout: Layout) -> None:
    version = _check_owner(connection, path, layout)
    _check_whole(connection, path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    if version != layout.version:
        _migrate(connection, layout, version)
    if layout.reserve_bytes:
        _reserve(connection, layout.reserve_bytes)


def _make(path: Path, layout: Layout) -> None:
    """A new file is there whole or not at all, so that an empty one is never mistaken for one that is being made."""
    with (
        whole_part(path, ours=True) as part,
        contextlib.closing(sqlite3.connect(part, isolation_level=None)) as connection,
    ):
        _migrate(connection, layout, 0)


def _migrate(connection: sqlite3.Connection, layout: Layout, version: int) -> None:
    with atomic(connection):
        for step in layout.migrations[version:]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {layout.application_id}")
        connection.execute(f"PRAGMA user_version = {layout.version}")
        _seal(connection)


def _refusal(path: Path, error: Exception, what: str) -> DatabaseError:
    if is_damage(error):
        return _damaged(path, str(error))
    return DatabaseError(path, f"{what}: {error}")


def _damaged(path: Path, how: str) -> DatabaseError:
    return DatabaseError(path, f"is damaged ({' '.join(how.split())}); {WAY_FORWARD}")


def _check_whole(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a file that doesn't hold together, or isn't what was written: SQLite has no check of its own for that."""
    verdict = pragma(connection, "integrity_check(1)")
    if verdict != "ok":
        raise _damaged(path, str(verdict))
    connection.execute("BEGIN")  # one state of it, whoever writes meanwhile
    try:
        there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'seal'").fetchone()
        sealed = connection.execute("SELECT digest FROM seal").fetchone() if there else None
        right = sealed is None or sealed[0] == _digest(connection)
    finally:
        connection.execute("ROLLBACK")
    if not right:
        raise _damaged(path, "it is not what was written")


def _seal(connection: sqlite3.Connection) -> None:
    """Keep a digest of all there is, in the transaction that changed it. These files are small."""
    connection.execute(
        "CREATE TABLE IF NOT EXISTS seal (id INTEGER PRIMARY KEY CHECK (id = 1), digest TEXT NOT NULL)"
    )
    connection.execute("INSERT OR REPLACE INTO seal VALUES (1, ?)", (_digest(connection),))


def _digest(connection: sqlite3.Connection) -> str:
    digest = sha256()
    tables = connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE name NOT IN ('seal', 'reserve') AND name NOT LIKE 'sqlite_%' "
        "ORDER BY name"
    ).fetchall()
    for name, statement in tables:
        digest.update(f"{name}:{statement}\n".encode())
        if statement.startswith("CREATE TABLE"):
            rows = connection.execute(f"SELECT * FROM {name}").fetchall()  # noqa: S608  our own names
            digest.update("\n".join(sorted(map(repr, rows))).encode())
    return digest.hexdigest()


def _reserve(connection: sqlite3.Connection, size: int) -> None:
    """Make file and write-ahead log so large that some hundred small writes need no new room on the disk.

    Pages that were used once stay in the file as free ones, and the log is written from its beginning again after each
    checkpoint. On a disk that is full already there is nothing to be had.
    """
    with contextlib.suppress(sqlite3.OperationalError):
        with atomic(connection):
            connection.execute("CREATE TABLE IF NOT EXISTS reserve (room BLOB)")
            connection.execute("INSERT INTO reserve VALUES (zeroblob(?))", (size,))
        with atomic(connection):
            connection.execute("DROP TABLE reserve")
        connection.execute("PRAGMA wal_checkpoint(RESTART)").fetchall()
    connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
