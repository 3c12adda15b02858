"""The journal: the durable log of everything a rig said, and its one writer.

What `append` has returned from is on the disk and survives the power. A second writer is refused by a lock
(`journal_files.py`). Readers (`journal_reader.py`) need no lock and never hold up the writer.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Self

from logger.clock import Stamp
from logger.journal_axis import put_right
from logger.journal_files import ALARMS, SOAKS, JournalLock, beside
from logger.journal_mark import Mark, fold_in, read_mark, refuse_lone_copy, write_mark
from logger.journal_schema import (
    FILE_ERRORS,
    SELECT_ENTRIES,
    BootRecord,
    Entry,
    JournalBlockedError,
    JournalError,
    atomic,
    boot_records,
    check_owner,
    checked_entries,
    entry_check,
    is_blocked,
    prepare,
    refusal,
    row_check,
    sample_body,
    seal_boot,
)
from logger.settings import settings_fingerprint

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

__all__ = ["BootRecord", "Entry", "Journal", "JournalBlockedError", "JournalError", "sample_body"]

_INSERT = (
    "INSERT INTO entries (id, kind, boot_id, seq, rig_us, utc_us, body, crc) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)
_PRUNE_ROWS = 20_000
"""Old entries go in such portions: each holds the write lock for some 50 ms at most."""


class Journal:
    """The one writer of a journal file. Use from one thread at a time."""

    def __init__(self, path: Path, lock: JournalLock, connection: sqlite3.Connection) -> None:
        """Use `Journal.open`."""
        self.path = path
        self._lock = lock
        self._connection = connection
        self._mark: Mark | None = None
        """As it was written last."""
        self._beside = {ending: beside(path, ending) for ending in (SOAKS, ALARMS)}
        self._folded = True

    @classmethod
    def open(cls, path: Path, settings_text: str = "") -> Journal:
        """Open or create; raises JournalError (second writer, damaged, newer, somebody else's)."""
        lock = JournalLock.take(path)
        try:
            connection = sqlite3.connect(path, timeout=10.0, isolation_level=None, check_same_thread=False)
            try:
                if check_owner(connection, path):
                    refuse_lone_copy(connection, path)
                lock.note_inode()
                prepare(connection, path)
                journal = cls(path, lock, connection)
                journal._note_configuration(settings_text)
                journal._note_mark()
            except BaseException:
                connection.close()
                raise
        except FILE_ERRORS as error:
            lock.close()
            raise refusal(path, error, "can't be opened") from error
        except BaseException:
            lock.close()
            raise
        return journal

    def close(self) -> None:
        """Let the file and the lock go."""
        if self._mark is not None:
            with contextlib.suppress(
                sqlite3.Error
            ):  # a full disk, or closed already: it stays marked as open
                with atomic(self._connection) as connection:
                    write_mark(connection, replace(self._mark, is_open=False))
                fold_in(self._connection)
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
            if is_blocked(error):
                raise JournalBlockedError(self.path, f"nothing can be written: {error}") from error
            raise refusal(self.path, error, "nothing was written") from error

    def append(self, batch: Sequence[Entry]) -> None:
        """Append entries in order, all or none; their ids are given here."""
        if not batch:
            return
        with self.atomic() as connection:
            first = self._newest_id(connection) + 1
            rows = [(number, *entry[1:]) for number, entry in enumerate(batch, first)]
            connection.executemany(_INSERT, [(*row, entry_check(*row)) for row in rows])
        known = frozenset() if self._mark is None else self._mark.beside
        if self._mark is None or any(self._beside[one].exists() for one in self._beside.keys() - known):
            self._note_mark()
        elif not self._folded:
            self._folded = fold_in(self._connection)

    def note_boot(
        self,
        *,
        boot: int,
        rig: str,
        firmware: str,
        period_ms: int,
        channels: Sequence[str],
        resumed: bool,
        anchor: Stamp | None = None,
    ) -> BootRecord:
        """The row of the boot that an identity line speaks of: the known one if `resumed`, else a new one.

        Whether a boot number that is known means the same boot is the conversation's to judge. A boot that goes on under
        other names gets a row for them, with the place on the time axis that it has: `anchor`, or that of its last row.
        """
        with self.atomic() as connection:
            known = (
                boot_records(connection, self.path, "rig = ? AND boot = ?", (rig, boot)) if resumed else []
            )
            if known and known[-1].channels == tuple(channels):
                boot_id: int | None = known[-1].id
                connection.execute(
                    "UPDATE boots SET firmware = ?, period_ms = ? WHERE id = ?",
                    (firmware, period_ms, boot_id),
                )
            else:
                if anchor is None and known:
                    anchor = known[-1].anchor
                boot_id = connection.execute(
                    "INSERT INTO boots (boot, rig, firmware, period_ms, channels, first_entry, anchor_rig_us, "
                    "anchor_utc_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        boot,
                        rig,
                        firmware,
                        period_ms,
                        json.dumps(list(channels)),
                        self._newest_id(connection) + 1,
                        None if anchor is None else anchor.rig_us,
                        None if anchor is None else anchor.utc_us,
                    ),
                ).lastrowid
            seal_boot(connection, boot_id or 0)
            return boot_records(connection, self.path, "id = ?", (boot_id,))[0]

    def boots(self) -> list[BootRecord]:
        """All boots, oldest first."""
        return boot_records(self._connection, self.path)

    def anchor_boot(self, boot_id: int, anchor: Stamp) -> None:
        """Keep where uptime zero of a boot lies on the time axis; write it before the boot's first sample."""
        with self.atomic() as connection:
            connection.execute(
                "UPDATE boots SET anchor_rig_us = ?, anchor_utc_us = ? WHERE id = ?",
                (anchor.rig_us, anchor.utc_us, boot_id),
            )
            seal_boot(connection, boot_id)

    def last_seq(self, boot_id: int) -> int | None:
        """The highest sample number of a row of the boots table that is safe in the journal."""
        entry = self._last("kind = 'D' AND boot_id = ? ORDER BY seq DESC", (boot_id,))
        return None if entry is None else entry.seq

    def last_sample(self, record: BootRecord) -> Entry | None:
        """The sample of a boot with the highest number that is safe in the journal, under whatever names."""
        rows = "boot_id = ?"
        values: tuple[int, ...] = (record.id,)
        if record.anchor is not None:
            rows = "boot_id IN (SELECT id FROM boots WHERE boot = ? AND anchor_rig_us = ?)"
            values = (record.boot, record.anchor.rig_us)
        return self._last(f"kind = 'D' AND {rows} ORDER BY seq DESC", values)

    def newest_stamp(self) -> Stamp | None:
        """The stamp of the newest sample; where the time axis goes on."""
        entry = self._last("kind = 'D' ORDER BY id DESC", ())
        return None if entry is None else Stamp(entry.rig_us, entry.utc_us)

    def _last(self, where: str, values: tuple[int, ...]) -> Entry | None:
        rows = self._connection.execute(f"{SELECT_ENTRIES} WHERE {where} LIMIT 1", values).fetchall()
        for entry in checked_entries(rows, self.path):
            return put_right(self.path, self._rows, entry)
        return None

    def _rows(self, statement: str, values: tuple[object, ...]) -> list[tuple[Any, ...]]:
        return self._connection.execute(statement, values).fetchall()

    def retention(self, keep_days: float) -> int:
        """Forget entries older than so many days before the newest; return how many went.

        Age is counted on rig time: a wall clock that jumps a year ahead deletes nothing. The last sample of
        each boot stays, for it says where the boot goes on.
        """
        # an event's time is its own, and may be ahead
        newest = self._connection.execute(
            "SELECT rig_us FROM entries WHERE kind <> 'E' ORDER BY id DESC LIMIT 1"
        ).fetchone()
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

    def _note_mark(self) -> None:
        """Say in the file itself, not only in its log, that it is open, and what lies beside it.

        On a full disk it is said later: the recording doesn't depend on it.
        """
        there = {ending for ending, path in self._beside.items() if path.exists()}
        with contextlib.suppress(JournalBlockedError):
            with self.atomic() as connection:
                mark = Mark(is_open=True, beside=read_mark(connection, self.path).beside | there)
                write_mark(connection, mark)
            self._mark = mark
            self._folded = fold_in(self._connection)

    def _note_configuration(self, text: str) -> None:
        fingerprint = settings_fingerprint(text)
        with self.atomic() as connection:
            row = connection.execute(
                "SELECT fingerprint FROM configurations ORDER BY id DESC LIMIT 1"
            ).fetchone()
            if row is None or row[0] != fingerprint:
                new = (self._newest_id(connection) + 1, fingerprint, text)
                connection.execute(
                    "INSERT INTO configurations (first_entry, fingerprint, text, crc) VALUES (?, ?, ?, ?)",
                    (*new, row_check(new)),
                )

    @staticmethod
    def _newest_id(connection: sqlite3.Connection) -> int:
        row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'entries'").fetchone()
        return 0 if row is None else int(row[0])
