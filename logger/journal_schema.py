"""The journal's file: its tables, its versions, and the ritual of opening it.

One SQLite file, one ordered table of entries whose id is every follower's cursor. A version is reached by
running the statements of each step in between, all in one transaction: a file is at one version or at
another, never between two.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple
from zlib import crc32

from logger.clock import Stamp
from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

APPLICATION_ID = 0x434F_4844
"""Says in the file's header whose it is ("COHD")."""

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE boots (
            id INTEGER PRIMARY KEY,
            boot INTEGER NOT NULL,
            rig TEXT NOT NULL,
            firmware TEXT NOT NULL,
            period_ms INTEGER NOT NULL,
            channels TEXT NOT NULL,
            anchor_rig_us INTEGER,
            anchor_utc_us INTEGER,
            first_entry INTEGER NOT NULL)""",
        """CREATE TABLE entries (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            kind TEXT NOT NULL CHECK (kind IN ('I', 'D', 'E', 'G', 'C')),
            boot_id INTEGER REFERENCES boots (id),
            seq INTEGER,
            rig_us INTEGER NOT NULL,
            utc_us INTEGER NOT NULL,
            body TEXT NOT NULL)""",
        "CREATE UNIQUE INDEX one_sample_per_seq ON entries (boot_id, seq) WHERE kind = 'D'",
    ),
    (
        """CREATE TABLE configurations (
            id INTEGER PRIMARY KEY,
            first_entry INTEGER NOT NULL,
            fingerprint TEXT NOT NULL,
            text TEXT NOT NULL)""",
    ),
    # what was written before has no check
    (
        "ALTER TABLE entries ADD COLUMN crc INTEGER",
        "ALTER TABLE boots ADD COLUMN crc INTEGER",
        "ALTER TABLE configurations ADD COLUMN crc INTEGER",
    ),
)
SCHEMA_VERSION = len(MIGRATIONS)

_FULL, _IO_ERROR = 13, 10
"""SQLITE_FULL and SQLITE_IOERR (sqlite.org/rescode.html)."""
_DAMAGE = {1, 11, 24, 26}
"""SQLITE_ERROR (a statement of ours that the file doesn't fit), CORRUPT, FORMAT, NOTADB."""
FILE_ERRORS = (sqlite3.Error, UnicodeDecodeError)
"""What reading a file raises: the second where SQLite's own words about a damaged one hold a piece of it."""
WAY_FORWARD = (
    "nothing was changed: put back a copy, or move it away together with the files of the same name beside it and begin "
    "anew (the rig sends again what was not called safe)"
)


class JournalError(PlainError):
    """A journal that can't be used, or a write that was refused; one line."""

    def __init__(self, path: Path, reason: str) -> None:
        """Keep file and reason."""
        self.path, self.reason = path, reason
        super().__init__(f"{path}: {reason}")


class JournalBlockedError(JournalError):
    """Nothing can be written for now: the disk is full, or the system refuses. It can be tried again."""


def damaged(path: Path, how: str) -> JournalError:
    """A file that isn't what was written, with the way forward."""
    return JournalError(path, f"is damaged ({' '.join(how.split())}); {WAY_FORWARD}")


def refusal(path: Path, error: Exception, what: str) -> JournalError:
    """What SQLite said, as ours: damage, or `what` ("can't be read") could not be done."""
    return damaged(path, str(error)) if is_damage(error) else JournalError(path, f"{what}: {error}")


def is_damage(error: Exception) -> bool:
    """Whether an error says that the file isn't what was written; text that is no text has no code of its own."""
    code = getattr(error, "sqlite_errorcode", None)
    if not isinstance(code, int):
        return isinstance(error, UnicodeDecodeError) or "UTF-8" in str(error)
    return code & 0xFF in _DAMAGE


def is_blocked(error: sqlite3.Error) -> bool:
    """Whether a failed write may work later: no room, or an error of the disk (a limit on file sizes shows as one)."""
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(code, int) and code & 0xFF in {_FULL, _IO_ERROR}


class Entry(NamedTuple):
    """One entry: a sample (D), an identity (I), a rig's event (E), a gap (G), a clock note (C).

    A named tuple, for it goes in and out of the database by the ten thousand a second. `id` is given by the
    journal (0 before). The body of a D is its value fields as the rig sent them: `1234,,+,987`.
    """

    id: int
    kind: str
    boot_id: int | None
    seq: int | None
    rig_us: int
    utc_us: int
    body: str


@dataclass(frozen=True, slots=True)
class BootRecord:
    """What the journal knows of one boot of one rig."""

    id: int
    boot: int
    rig: str
    firmware: str
    period_ms: int
    channels: tuple[str, ...]
    anchor: Stamp | None
    first_entry: int


@dataclass(frozen=True, slots=True)
class Configuration:
    """The settings under which entries from `first_entry` on were logged."""

    first_entry: int
    fingerprint: str
    text: str


def entry_check(
    number: object, kind: object, boot_id: object, seq: object, rig_us: object, utc_us: object, body: object
) -> int:
    """The check value of an entry: SQLite has none of its own for what is in its pages."""
    return crc32(f"{number},{kind},{boot_id},{seq},{rig_us},{utc_us},{body}".encode())


SELECT_ENTRIES = "SELECT id, kind, boot_id, seq, rig_us, utc_us, body, crc FROM entries"


def checked_entries(rows: Sequence[tuple[Any, ...]], path: Path) -> list[Entry]:
    """Entries from the rows of `SELECT_ENTRIES`; raises JournalError for one that isn't what was written."""
    entries = [Entry._make(row[:7]) for row in rows]
    for entry, row in zip(entries, rows, strict=True):
        if row[7] is not None and row[7] != entry_check(*entry):
            raise damaged(path, f"entry {entry.id} is not what was written")
    return entries


def row_check(row: Sequence[object]) -> int:
    """The check value of a row of a small table.

    >>> row_check((1, "bay", None)) == row_check((1, "bax", None))
    False
    """
    return crc32(repr(tuple(row)).encode())


def sample_body(values: Sequence[int | str | None]) -> str:
    """The body of a D entry.

    >>> sample_body((1234, None, "+", -987))
    '1234,,+,-987'
    """
    return ",".join(["" if value is None else str(value) for value in values])


@contextmanager
def atomic(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """All or nothing; the write lock is taken at once, so that waiting for it works."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def pragma(connection: sqlite3.Connection, name: str) -> Any:
    """The value of one pragma."""
    row = connection.execute(f"PRAGMA {name}").fetchone()
    return row[0] if row else None


def check_owner(connection: sqlite3.Connection, path: Path) -> int:
    """Refuse a file that is somebody else's, or of a newer version; return its version (0: empty)."""
    version = int(pragma(connection, "user_version"))
    owner = int(pragma(connection, "application_id"))
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if owner != APPLICATION_ID and (tables or version or owner):
        raise JournalError(path, f"is a database of another program, or damaged; {WAY_FORWARD}")
    if version > SCHEMA_VERSION:
        raise JournalError(
            path,
            f"was written by a newer version of cornerhold (journal version {version}, this one knows up to "
            f"{SCHEMA_VERSION}); nothing was changed",
        )
    return version


def check_whole(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a file whose pages or indexes don't fit together; some seconds per million entries."""
    verdict = pragma(connection, "integrity_check(1)")
    if verdict != "ok":
        raise damaged(path, str(verdict))


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """The ritual before writing: whose is it, is it sound, then bring it to the present version."""
    version = check_owner(connection, path)
    if version:
        check_whole(connection, path)
    else:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA journal_size_limit = {64 << 20}")
    connection.execute("PRAGMA foreign_keys = ON")
    if version == SCHEMA_VERSION:
        return
    with atomic(connection):
        for step in MIGRATIONS[version:]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


_BOOT_COLUMNS = "id, boot, rig, firmware, period_ms, channels, anchor_rig_us, anchor_utc_us, first_entry"
SELECT_BOOTS = f"SELECT {_BOOT_COLUMNS}, crc FROM boots"  # noqa: S608  columns of our own


def boot_records(
    connection: sqlite3.Connection, path: Path, where: str = "1", values: tuple[Any, ...] = ()
) -> list[BootRecord]:
    """Boots, oldest first; `where` is a condition of our own with `?` for the values."""
    statement = f"{SELECT_BOOTS} WHERE {where} ORDER BY id"
    return checked_boots(connection.execute(statement, values).fetchall(), path)


def checked_boots(rows: Sequence[tuple[Any, ...]], path: Path) -> list[BootRecord]:
    """Boots from the rows of `SELECT_BOOTS`; raises JournalError for one that isn't what was written."""
    for *row, crc in rows:
        if crc is not None and crc != row_check(row):
            raise damaged(path, f"boot {row[0]} is not what was written")
    return [
        BootRecord(
            id=row[0],
            boot=row[1],
            rig=row[2],
            firmware=row[3],
            period_ms=row[4],
            channels=tuple(json.loads(row[5])),
            anchor=None if row[6] is None else Stamp(row[6], row[7]),
            first_entry=row[8],
        )
        for row in rows
    ]


def seal_boot(connection: sqlite3.Connection, boot_id: int) -> None:
    """Renew the check value of a boot's row, in the transaction that changed it."""
    row = connection.execute(f"SELECT {_BOOT_COLUMNS} FROM boots WHERE id = ?", (boot_id,)).fetchone()  # noqa: S608
    connection.execute("UPDATE boots SET crc = ? WHERE id = ?", (row_check(row), boot_id))
