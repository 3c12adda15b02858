"""Heights by hand in the register of soaks: written by `cornerhold tape`, followed by the analysis. Nothing is deleted.

A reading's moment is kept twice: as the newest entry of the journal before it, which says to which soak it belongs, and
on the rig's own time axis, so that a host clock that is set moves no reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from analysis.database import counting
from analysis.tape import TapeReading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from sqlite3 import Connection

    from analysis.database import Database
    from analysis.soak_model import Soak

TABLE: Final = (
    """CREATE TABLE tape (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        section TEXT NOT NULL,
        height_m REAL NOT NULL,
        deviation_m REAL NOT NULL,
        after_entry INTEGER NOT NULL,
        rig_us INTEGER NOT NULL,
        read_at TEXT NOT NULL,
        entered TEXT NOT NULL,
        who TEXT NOT NULL,
        withdrawn TEXT,
        instead INTEGER REFERENCES tape (id))""",
)
_COLUMNS = (
    "id, section, height_m, deviation_m, after_entry, rig_us, read_at, entered, who, withdrawn, instead"
)


@dataclass(frozen=True, slots=True)
class Height:
    """One reading by hand; `withdrawn`: when it was taken back, `instead`: the reading that replaced it."""

    id: int
    section: str
    height_m: float
    deviation_m: float
    after_entry: int
    rig_us: int
    read_at: str
    """UTC, ISO 8601 with Z."""
    entered: str
    who: str = ""
    withdrawn: str | None = None
    instead: int | None = None

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "id": self.id,
            "section": self.section,
            "height_mm": round(1000.0 * self.height_m, 3),
            "uncertainty_mm": round(1000.0 * self.deviation_m, 3),
            "at": self.read_at,
            "entered": self.entered,
            "by": self.who,
            "withdrawn": self.withdrawn,
            "instead": self.instead,
        }

    def belongs_to(self, soak: Soak) -> bool:
        """Whether it was measured during a soak; before the begin, the car may have been filled once more."""
        last = soak.last_entry
        return self.after_entry >= soak.after_entry and (last is None or self.after_entry <= last)


def heights_of(database: Database) -> list[Height]:
    """All readings, also those that were withdrawn, in the order in which they were entered."""
    return [Height(*row) for row in database.rows(f"SELECT {_COLUMNS} FROM tape ORDER BY id")]  # noqa: S608  our own words


def readings_of(heights: Sequence[Height], soak: Soak | None, first_us: int) -> list[TapeReading]:
    """Return what counts for a soak (None: the whole journal) whose time zero is `first_us`."""
    return [
        TapeReading((h.rig_us - first_us) / 1e6, h.section, h.height_m, h.deviation_m)
        for h in heights
        if h.withdrawn is None and (soak is None or h.belongs_to(soak))
    ]


def add(database: Database, heights: Sequence[Height]) -> list[Height]:
    """Write readings, all or none; their ids are given here."""
    with database.atomic() as connection:
        for h in heights:
            _insert(connection, h)
    return heights_of(database)[-len(heights) :]


def _insert(connection: Connection, h: Height) -> int | None:
    return connection.execute(
        "INSERT INTO tape (section, height_m, deviation_m, after_entry, rig_us, read_at, entered, who) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (h.section, h.height_m, h.deviation_m, h.after_entry, h.rig_us, h.read_at, h.entered, h.who),
    ).lastrowid


def withdraw(database: Database, number: int, when: str, instead: Height | None = None) -> Height:
    """Take a reading back, with another one in its place or without; return what stands there now."""
    counting(heights_of(database), number, "height", database.path)
    # all or none: the wrong one and the right one must never count together
    with database.atomic() as connection:
        replacing = None if instead is None else _insert(connection, instead)
        connection.execute(
            "UPDATE tape SET withdrawn = ?, instead = ? WHERE id = ?", (when, replacing, number)
        )
    now = number if replacing is None else replacing
    return next(h for h in heights_of(database) if h.id == now)
