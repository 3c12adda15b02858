"""The journal: the durable log of everything a rig said, and its one writer.

What `append` has returned from is on the disk and survives the power. A second writer is refused by a lock
beside the file, which the system lets go of when the process dies, whatever it dies of. Readers
(`journal_reader.py`) need no lock and never hold up the writer.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import sqlite3
from typing import IO, TYPE_CHECKING, Self

from logger.clock import Stamp
from logger.journal_schema import (
    BootRecord,
    Entry,
    JournalError,
    atomic,
    boot_records,
    prepare,
    sample_body,
)
from logger.settings import settings_fingerprint

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

__all__ = ["BootRecord", "Entry", "Journal", "JournalError", "sample_body"]

_INSERT = "INSERT INTO entries (kind, boot_id, seq, rig_us, utc_us, body) VALUES (?, ?, ?, ?, ?, ?)"
_PRUNE_ROWS = 20_000
"""Old entries go in such portions: each holds the write lock for some 50 ms at most."""


class Journal:
    """The one writer of a journal file. Use from one thread at a time."""

    def __init__(self, path: Path, lock: IO[str], connection: sqlite3.Connection) -> None:
        """Use `Journal.open`."""
        self.path = path
        self._lock = lock
        self._connection = connection

    @classmethod
    def open(cls, path: Path, settings_text: str = "") -> Journal:
        """Open or create; raises JournalError (second writer, damaged, newer, somebody else's)."""
        lock = _take_lock(path)
        try:
            connection = sqlite3.connect(path, timeout=10.0, isolation_level=None, check_same_thread=False)
            try:
                prepare(connection, path)
                journal = cls(path, lock, connection)
                journal._note_configuration(settings_text)
            except BaseException:
                connection.close()
                raise
        except sqlite3.Error as error:
            lock.close()
            raise JournalError(path, f"can't be opened: {error}") from error
        except BaseException:
            lock.close()
            raise
        return journal

    def close(self) -> None:
        """Let the file and the lock go."""
        self._connection.close()
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
        try:
            with atomic(self._connection) as connection:
                yield connection
        except sqlite3.Error as error:
            raise JournalError(self.path, f"nothing was written: {error}") from error

    def append(self, batch: Sequence[Entry]) -> None:
        """Append entries in order, all or none; their ids are given here."""
        if not batch:
            return
        with self.atomic() as connection:
            connection.executemany(_INSERT, [entry[1:] for entry in batch])

    def note_boot(
        self,
        *,
        boot: int,
        rig: str,
        firmware: str,
        period_ms: int,
        channels: Sequence[str],
        resumed: bool,
    ) -> BootRecord:
        """The row of the boot that an identity line speaks of: the known one if `resumed`, else a new one.

        Whether a boot number that is known means the same boot is the conversation's to judge.
        """
        with self.atomic() as connection:
            known = boot_records(connection, "rig = ? AND boot = ?", (rig, boot)) if resumed else []
            if known and known[-1].channels == tuple(channels):
                boot_id: int | None = known[-1].id
                connection.execute(
                    "UPDATE boots SET firmware = ?, period_ms = ? WHERE id = ?",
                    (firmware, period_ms, boot_id),
                )
            else:
                boot_id = connection.execute(
                    "INSERT INTO boots (boot, rig, firmware, period_ms, channels, first_entry) "
                    "VALUES (?, ?, ?, ?, ?, ?)",
                    (
                        boot,
                        rig,
                        firmware,
                        period_ms,
                        json.dumps(list(channels)),
                        self._newest_id(connection) + 1,
                    ),
                ).lastrowid
            return boot_records(connection, "id = ?", (boot_id,))[0]

    def boots(self) -> list[BootRecord]:
        """All boots, oldest first."""
        return boot_records(self._connection)

    def anchor_boot(self, boot_id: int, anchor: Stamp) -> None:
        """Keep where uptime zero of a boot lies on the time axis; write it before the boot's first sample."""
        with self.atomic() as connection:
            connection.execute(
                "UPDATE boots SET anchor_rig_us = ?, anchor_utc_us = ? WHERE id = ?",
                (anchor.rig_us, anchor.utc_us, boot_id),
            )

    def last_seq(self, boot_id: int) -> int | None:
        """The highest sample number of a boot (the boots table's id) that is safe in the journal."""
        row = self._connection.execute(
            "SELECT max(seq) FROM entries WHERE kind = 'D' AND boot_id = ?", (boot_id,)
        ).fetchone()
        return None if row[0] is None else int(row[0])

    def last_uptime_ms(self, record: BootRecord) -> int | None:
        """The unwrapped uptime of the last sample of a boot; None if there is none."""
        if record.anchor is None:
            return None
        row = self._connection.execute(
            "SELECT rig_us FROM entries WHERE kind = 'D' AND boot_id = ? ORDER BY seq DESC LIMIT 1",
            (record.id,),
        ).fetchone()
        return None if row is None else round((row[0] - record.anchor.rig_us) / 1000)

    def newest_stamp(self) -> Stamp | None:
        """The stamp of the newest sample or event; where the time axis goes on."""
        row = self._connection.execute(
            "SELECT rig_us, utc_us FROM entries WHERE kind IN ('D', 'E') ORDER BY id DESC LIMIT 1"
        ).fetchone()
        return None if row is None else Stamp(row[0], row[1])

    def retention(self, keep_days: float) -> int:
        """Forget entries older than so many days before the newest; return how many went.

        Age is counted on rig time: a wall clock that jumps a year ahead deletes nothing. The last sample of
        each boot stays, for it says where the boot goes on.
        """
        newest = self._connection.execute("SELECT rig_us FROM entries ORDER BY id DESC LIMIT 1").fetchone()
        if newest is None:
            return 0
        limit_us = newest[0] - round(keep_days * 86400e6)
        gone = 0
        while True:
            with self.atomic() as connection:
                count = connection.execute(
                    "DELETE FROM entries WHERE id IN (SELECT id FROM entries WHERE rig_us < ? AND id NOT IN "
                    "(SELECT max(id) FROM entries WHERE kind = 'D' GROUP BY boot_id) ORDER BY id LIMIT ?)",
                    (limit_us, _PRUNE_ROWS),
                ).rowcount
            gone += count
            if count < _PRUNE_ROWS:
                break
        if gone:
            self._connection.execute("PRAGMA incremental_vacuum").fetchall()
        return gone

    def _note_configuration(self, text: str) -> None:
        fingerprint = settings_fingerprint(text)
        with self.atomic() as connection:
            row = connection.execute(
                "SELECT fingerprint FROM configurations ORDER BY id DESC LIMIT 1"
            ).fetchone()
            if row is None or row[0] != fingerprint:
                connection.execute(
                    "INSERT INTO configurations (first_entry, fingerprint, text) VALUES (?, ?, ?)",
                    (self._newest_id(connection) + 1, fingerprint, text),
                )

    @staticmethod
    def _newest_id(connection: sqlite3.Connection) -> int:
        row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'entries'").fetchone()
        return 0 if row is None else int(row[0])


def _take_lock(path: Path) -> IO[str]:
    if path.is_dir():
        raise JournalError(path, "is a folder")
    lock_path = path.with_name(path.name + ".lock")
    try:
        lock = lock_path.open("a", encoding="utf-8")
    except OSError as error:
        raise JournalError(path, f"can't be opened: {error.strerror or error}") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise JournalError(path, "is being written by another process") from None
    return lock
