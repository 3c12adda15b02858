"""What a journal says of itself, so that a copy of its one file knows what it lacks.

While a logger has it open, the newest entries are in the write-ahead log beside the file; soaks and alarms are in files
of their own. So the file itself says whether it is open, and what lies beside it. A copy of an open file without a log
lacks what had not been folded in. It can't be told from a copy that lacks nothing by chance, nor can a log be missed
that somebody deleted beside the original.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.journal_files import beside, is_the_one_written
from logger.journal_schema import FILE_ERRORS, JournalError, damaged, refusal, row_check

if TYPE_CHECKING:
    from pathlib import Path

_TABLE = (
    "CREATE TABLE IF NOT EXISTS mark (id INTEGER PRIMARY KEY CHECK (id = 1), open INTEGER NOT NULL, "
    "beside TEXT NOT NULL, crc INTEGER NOT NULL)"
)
"""No version of its own: a journal of before has none, and who doesn't know it leaves it alone."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What a journal says of itself."""

    is_open: bool = False
    """A logger has it open, or had and was killed."""
    beside: frozenset[str] = frozenset()
    """The endings of the files that were seen beside it."""


def read_mark(connection: sqlite3.Connection, path: Path) -> Mark:
    """What an open journal says; raises JournalError if it isn't what was written."""
    if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'mark'").fetchone():
        return Mark()
    row = connection.execute("SELECT open, beside, crc FROM mark").fetchone()
    if row is None or row[2] != row_check(row[:2]):
        raise damaged(path, "its mark is not what was written")
    return Mark(bool(row[0]), frozenset(row[1].split()))


def write_mark(connection: sqlite3.Connection, mark: Mark) -> None:
    """Keep it, within a transaction."""
    row = (int(mark.is_open), " ".join(sorted(mark.beside)))
    connection.execute(_TABLE)
    connection.execute("INSERT OR REPLACE INTO mark VALUES (1, ?, ?, ?)", (*row, row_check(row)))


def fold_in(connection: sqlite3.Connection) -> bool:
    """Bring what is in the log into the file, as far as readers and room let it, without waiting; was that all?"""
    try:
        busy, pages, done = connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
    except sqlite3.Error:
        return False  # it is all in the log, and tried again
    return not busy and pages == done


def refuse_lone_copy(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a file that was copied, without its log, from under a logger."""
    if not read_mark(connection, path).is_open or _has_log(path) or is_the_one_written(path):
        return
    newest = connection.execute("SELECT coalesce(max(id), 0) FROM entries").fetchone()[0]
    raise JournalError(
        path,
        "is a copy, or another name, of a journal that was being written, without the log beside it "
        f"({path.name}-wal): what came after entry {newest} is not in it. Take copies with 'cornerhold backup'; "
        "to use this one as it is: cornerhold restore --incomplete",
    )


def missing_beside(journal: Path, ending: str) -> bool:
    """Whether a file is gone that the journal has seen beside itself.

    Raises JournalError if the journal can't be read, or is a lone copy.
    """
    if beside(journal, ending).exists() or not journal.is_file():
        return False
    try:
        connection = sqlite3.connect(f"{journal.absolute().as_uri()}?mode=ro", uri=True, timeout=10.0)
        try:
            refuse_lone_copy(connection, journal)
            return ending in read_mark(connection, journal).beside
        finally:
            connection.close()
    except FILE_ERRORS as error:
        raise refusal(journal, error, "can't be read") from error


def _has_log(path: Path) -> bool:
    """Whether there is a log with anything in it: readers make empty ones."""
    try:
        return beside(path, "-wal").stat().st_size > 0
    except FileNotFoundError:
        return False
