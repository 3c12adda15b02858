"""Notes in the register of soaks: written by `cornerhold soak note`, followed by the analysis. Nothing is deleted.

A note's moment is kept as that of a height by hand: by the journal's entry before it, and on the rig's own time axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.database import counting
from analysis.notes import Kind, Note

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.database import Database
    from analysis.soak_model import Soak

TABLE: Final = (
    """CREATE TABLE notes (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        sections TEXT NOT NULL,
        text TEXT NOT NULL,
        after_entry INTEGER NOT NULL,
        rig_us INTEGER NOT NULL,
        noted_at TEXT NOT NULL,
        entered TEXT NOT NULL,
        who TEXT NOT NULL,
        withdrawn TEXT)""",
)
_GIVEN = "kind, sections, text, after_entry, rig_us, noted_at, entered, who"


@dataclass(frozen=True, slots=True)
class Noted:
    """A note in the register; `withdrawn`: when it was taken back."""

    id: int
    kind: Kind
    sections: tuple[str, ...]
    """Empty: all of them."""
    text: str
    after_entry: int
    rig_us: int
    at: str
    """UTC, ISO 8601 with Z."""
    entered: str
    who: str = ""
    withdrawn: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "id": self.id,
            "kind": self.kind,
            "sections": list(self.sections),
            "at": self.at,
            "text": self.text,
            "entered": self.entered,
            "by": self.who,
            "withdrawn": self.withdrawn,
        }

    def belongs_to(self, soak: Soak) -> bool:
        """Whether it was done during a soak."""
        last = soak.last_entry
        return self.after_entry >= soak.after_entry and (last is None or self.after_entry <= last)

    def words(self) -> str:
        """Say it in a line."""
        where = ", ".join(self.sections) or "all sections"
        text = f', "{self.text}"' if self.text else ""
        by = f", by {self.who}" if self.who else ""
        return f"{self.kind} at {self.at}, {where}{text}{by}"


def notes_of(database: Database) -> list[Noted]:
    """All notes, also those that were withdrawn, in the order in which they were entered."""
    rows = database.rows(f"SELECT id, {_GIVEN}, withdrawn FROM notes ORDER BY id")  # noqa: S608  our own words
    return [Noted(row[0], row[1], tuple(row[2].split()), *row[3:]) for row in rows]


def notes_for(
    notes: Sequence[Noted], soak: Soak | None, first_us: int, begin_utc: np.datetime64
) -> list[Note]:
    """Return what counts for a soak (None: the whole journal) whose time zero is `first_us`, labelled `begin_utc`."""
    return [
        Note(n.kind, begin_utc + np.timedelta64(n.rig_us - first_us, "us"), n.sections, n.text, n.who or None)
        for n in notes
        if n.withdrawn is None and (soak is None or n.belongs_to(soak))
    ]


def add_note(database: Database, note: Noted) -> Noted:
    """Write a note; its id is given here."""
    with database.atomic() as connection:
        connection.execute(
            f"INSERT INTO notes ({_GIVEN}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608  our own words
            (
                *(note.kind, " ".join(note.sections), note.text),
                *(note.after_entry, note.rig_us, note.at, note.entered, note.who),
            ),
        )
    return notes_of(database)[-1]


def withdraw_note(database: Database, number: int, when: str) -> Noted:
    """Take a note back."""
    counting(notes_of(database), number, "note", database.path)
    with database.atomic() as connection:
        connection.execute("UPDATE notes SET withdrawn = ? WHERE id = ?", (when, number))
    return next(one for one in notes_of(database) if one.id == number)
