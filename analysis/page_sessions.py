"""The page's sessions, kept in a small file beside the first journal, so that a restart logs nobody out.

The file holds no secret: of each session only a keyed hash of what the browser has (`analysis/page_guard.py`), and until
when it holds. Whoever reads the file can't log in by it. Several pages beside one journal share it. Where it can't be
written the sessions live as long as the process, which is said once.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Final

from analysis.database import Database, DatabaseError, Layout
from logger.journal_files import beside

if TYPE_CHECKING:
    from pathlib import Path

log = logging.getLogger(__name__)

LAYOUT: Final = Layout(
    "file of the page's sessions",
    0x434F_5053,  # "COPS"
    (("CREATE TABLE sessions (name TEXT PRIMARY KEY, until_s REAL NOT NULL) WITHOUT ROWID",),),
)
PATIENCE_s: Final = 2.0
MOST_SESSIONS: Final = 200


def sessions_path(journal: Path) -> Path:
    """Where the sessions of a page are whose first rig has this journal."""
    return beside(journal, ".page-sessions")


class Sessions:
    """Names of sessions, each with the moment until which it holds, UTC in seconds since 1970."""

    def __init__(self, path: Path | None = None) -> None:
        """Nothing is opened yet; without a path they are kept in memory."""
        self._path = path
        self._reader: Database | None = None
        self._in_memory: dict[str, float] = {}

    def until_s(self, name: str) -> float | None:
        """Until when a session holds; None: there is none of this name."""
        if name in self._in_memory or self._path is None:
            return self._in_memory.get(name)
        try:
            if self._reader is None:
                self._reader = Database.open_to_read(self._path, LAYOUT)
            rows = (
                []
                if self._reader is None
                else self._reader.rows("SELECT until_s FROM sessions WHERE name = ?", (name,))
            )
        except (DatabaseError, OSError) as error:
            self._forgetful(error)
            return None
        return float(rows[0][0]) if rows else None

    def begin(self, name: str, until_s: float, now_s: float) -> None:
        """Keep a session; those that are over go, and the oldest if there are too many."""
        if self._path is not None:
            try:
                with (
                    Database.open_to_write(self._path, LAYOUT, PATIENCE_s) as file,
                    file.atomic() as connection,
                ):
                    connection.execute("DELETE FROM sessions WHERE until_s <= ?", (now_s,))
                    connection.execute(
                        "DELETE FROM sessions WHERE name NOT IN "
                        "(SELECT name FROM sessions ORDER BY until_s DESC LIMIT ?)",
                        (MOST_SESSIONS - 1,),
                    )
                    connection.execute("INSERT OR REPLACE INTO sessions VALUES (?, ?)", (name, until_s))
            except (DatabaseError, OSError) as error:
                self._forgetful(error)
            else:
                self.close()  # somebody may have put another file there
                return
        self._in_memory = {one: until for one, until in self._in_memory.items() if until > now_s}
        while len(self._in_memory) >= MOST_SESSIONS:
            del self._in_memory[next(iter(self._in_memory))]
        self._in_memory[name] = until_s

    def end(self, name: str) -> None:
        """Forget a session; raises an error in a line if it can't be forgotten."""
        self._in_memory.pop(name, None)
        if self._path is not None and self._path.exists():
            with Database.open_to_write(self._path, LAYOUT, PATIENCE_s) as file, file.atomic() as connection:
                connection.execute("DELETE FROM sessions WHERE name = ?", (name,))

    def close(self) -> None:
        """Let the file go."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _forgetful(self, error: Exception) -> None:
        log.warning("sessions of the page hold until it is restarted only: %s", error)
        self.close()
        self._path = None
