"""A whole copy of a journal, also while its logger writes: what is still in the log is in it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from logger.files import sync_file
from logger.journal_files import refuse_broken_restore
from logger.journal_mark import Mark, refuse_lone_copy, write_mark
from logger.journal_reader import require_journal
from logger.journal_schema import FILE_ERRORS, atomic, check_owner, prepare, refusal
from logger.online_copy import online_copy

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def copy_journal(
    source: Path,
    target: Path,
    progress: Callable[[float], None] = lambda _share: None,
    *,
    beside: frozenset[str] = frozenset(),
    go_on_after: int = 0,
    lone: bool = False,
) -> None:
    """Copy a journal into a new file, of the present version and with a mark of its own; `progress` gets the share done.

    `beside`: the endings of what lies beside the copy. `go_on_after`: what is appended gets numbers after it. `lone`:
    take a copy that lacks its log as it is. Raises JournalError, of the copy if it isn't sound.
    """
    require_journal(source)
    refuse_broken_restore(source)
    try:
        connection = sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=10.0)
        connection.isolation_level = None
        with closing(connection):
            check_owner(connection, source)
            if not lone:
                refuse_lone_copy(connection, source)
            online_copy(connection, target, progress)
        with closing(sqlite3.connect(target, isolation_level=None)) as copy:
            prepare(copy, target)
            with atomic(copy):
                write_mark(copy, Mark(is_open=False, beside=beside))
                copy.execute(
                    "UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = 'entries'", (go_on_after,)
                )
            copy.execute("PRAGMA journal_mode = DELETE")
    except FILE_ERRORS as error:
        raise refusal(source, error, "can't be copied") from error
    sync_file(target)
