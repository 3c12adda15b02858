"""A copy of a database file that others are writing: SQLite's online backup of one state of it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_PAGES: Final = 2000
"""So many pages (8 MB) are copied between two looks at the progress and at Ctrl-C."""


def online_copy(
    source: sqlite3.Connection, target: Path, progress: Callable[[float], None] = lambda _share: None
) -> None:
    """Copy all that an open database holds now into a new file; raises sqlite3.Error, OSError.

    Writers are not held up; their log grows meanwhile. The copy has no log of its own, so that it can be read where
    nothing can be written.
    """

    def tell(_status: int, remaining: int, total: int) -> None:
        progress(1.0 - remaining / max(total, 1))

    with closing(sqlite3.connect(target, isolation_level=None)) as copy:
        copy.execute("PRAGMA synchronous = OFF")  # the caller brings it to the disk, all at once
        # one read transaction around it: without, each write of somebody else would begin the copy anew
        source.execute("BEGIN")
        try:
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()
            source.backup(copy, pages=_PAGES, progress=tell, sleep=0.0)
        finally:
            source.execute("ROLLBACK")
        copy.execute("PRAGMA journal_mode = DELETE")
