"""Reading a journal while it is being written.

A follower keeps the cursor (the id of the last entry it has dealt with) with itself and asks for what came
after. Each read is one short statement: a long one would keep the write-ahead log from being folded back.
"""

from __future__ import annotations

import os
import sqlite3
from bisect import bisect_left
from typing import TYPE_CHECKING, Any, Self

from logger.journal_axis import Axis, put_right
from logger.journal_files import refuse_broken_restore
from logger.journal_mark import refuse_lone_copy
from logger.journal_schema import (
    FILE_ERRORS,
    SCHEMA_VERSION,
    SELECT_ENTRIES,
    BootRecord,
    Configuration,
    Entry,
    JournalError,
    boot_records,
    check_owner,
    check_whole,
    checked_entries,
    damaged,
    is_damage,
    refusal,
    row_check,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_NEXT = f"{SELECT_ENTRIES} WHERE id > ? ORDER BY id LIMIT ?"
_NEWEST = f"{SELECT_ENTRIES} WHERE kind = ? AND id <= ? ORDER BY id DESC LIMIT 1"
_LAST_ID = _LATER_us = 2**63 - 1
_READ_ONLY_ADVICE = (
    " (in a folder that you can't write to, a journal is readable while its logger runs: take a copy with "
    "'cornerhold backup' as the user whose it is)"
)


def require_journal(path: Path) -> None:
    """Raise JournalError, with a hint, if there is no such file."""
    if not path.is_file():
        raise JournalError(path, "there is no such journal: is the logger started, and is this its file?")


class JournalReader:
    """A follower's view of a journal; `cursor` is the id of the last entry that was read."""

    def __init__(self, path: Path, cursor: int = 0, *, whole: bool = False) -> None:
        """Open read-only; raises JournalError if there is no journal, or none that this version can read.

        Each entry is checked as it is read. `whole`: the file is, too, so that none can be missing without a word (some
        seconds per million entries); for those who judge by it.
        """
        self.path, self.cursor = path, cursor
        self._axis = Axis(path, self._rows)
        refuse_broken_restore(path)
        require_journal(path)
        try:
            self._connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode=ro",
                uri=True,
                timeout=10.0,
                isolation_level=None,
                check_same_thread=False,
            )
            try:
                version = check_owner(self._connection, path)
                if version < SCHEMA_VERSION:
                    raise JournalError(  # noqa: TRY301  one clean-up for all refusals
                        path,
                        f"is of journal version {version}; start the logger on it once, which brings it to "
                        f"version {SCHEMA_VERSION}",
                    )
                refuse_lone_copy(self._connection, path)
                if whole:
                    check_whole(self._connection, path)
            except BaseException:
                self._connection.close()
                raise
        except FILE_ERRORS as error:
            advice = "" if os.access(path.parent, os.W_OK) else _READ_ONLY_ADVICE
            if is_damage(error):
                raise damaged(path, str(error)) from error
            raise JournalError(path, f"can't be read: {error}{advice}") from error

    def close(self) -> None:
        """Let the file go."""
        self._connection.close()

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()

    def read(self, limit: int = 5000) -> list[Entry]:
        """The next entries after the cursor, which moves on; an empty list if there are none yet."""
        entries = checked_entries(self._rows(_NEXT, (self.cursor, limit)), self.path)
        entries = self._axis.put_right(entries, self.cursor)
        if entries:
            self.cursor = entries[-1].id
        return entries

    def boots(self) -> dict[int, BootRecord]:
        """All boots by their id."""
        try:
            return {record.id: record for record in boot_records(self._connection, self.path)}
        except FILE_ERRORS as error:
            raise refusal(self.path, error, "can't be read") from error

    def channels(self) -> tuple[str, ...]:
        """The channels of the newest boot, none if there is none yet."""
        boots = self.boots()
        return boots[max(boots)].channels if boots else ()

    def sections(self) -> tuple[str, ...]:
        """The sections whose pressure the newest boot reads."""
        named = (name.rpartition(".") for name in self.channels())
        return tuple(section for section, _, what in named if what == "pressure" and section != "ambient")

    def configurations(self) -> list[Configuration]:
        """The settings that were in force, oldest first."""
        rows = self._rows("SELECT first_entry, fingerprint, text, crc FROM configurations ORDER BY id", ())
        for *row, crc in rows:
            if crc is not None and crc != row_check(row):
                raise damaged(self.path, "the copy of the settings is not what was written")
        return [Configuration(*row[:3]) for row in rows]

    def newest(self, kind: str = "D", up_to: int | None = None) -> Entry | None:
        """The newest entry of one kind, or the newest with an id up to `up_to`."""
        rows = self._rows(_NEWEST, (kind, _LAST_ID if up_to is None else up_to))
        for entry in checked_entries(rows, self.path):
            return put_right(self.path, self._rows, entry)
        return None

    def newest_id(self) -> int:
        """The id of the newest entry of any kind, 0 if there is none."""
        return int(self._rows("SELECT coalesce(max(id), 0) FROM entries", ())[0][0])

    def seek(self, rig_us: int) -> None:
        """Move the cursor to just before the first entry at or after a moment on the rig's time axis."""
        self._seek(rig_us, "SELECT rig_us FROM entries WHERE id >= ? AND kind <> 'E' ORDER BY id LIMIT 1")

    def seek_label(self, utc_us: int) -> None:
        """The same by label: where the host's clock was set back, one of the places that fit."""
        self._seek(utc_us, "SELECT utc_us FROM entries WHERE id >= ? AND kind <> 'E' ORDER BY id LIMIT 1")

    def _seek(self, moment_us: int, statement: str) -> None:
        low, high = self._rows("SELECT coalesce(min(id), 1), coalesce(max(id), 0) FROM entries", ())[0]
        ids = range(low, high + 1)

        def time_us(at: int) -> int:
            """Times ascend with the id, but for events; an id that is gone counts as the next one that is there."""
            rows = self._rows(statement, (at,))
            return int(rows[0][0]) if rows else _LATER_us

        self.cursor = low - 1 + bisect_left(ids, moment_us, key=time_us)

    def _rows(self, statement: str, values: tuple[object, ...]) -> list[tuple[Any, ...]]:
        try:
            return self._connection.execute(statement, values).fetchall()
        except FILE_ERRORS as error:
            raise refusal(self.path, error, "can't be read") from error


def reaches_us(entries: Sequence[Entry]) -> int | None:
    """How far entries reach on the rig's time axis; None if there are only events, whose times are their own."""
    return next((entry.rig_us for entry in reversed(entries) if entry.kind != "E"), None)
