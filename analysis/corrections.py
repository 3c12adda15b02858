"""A soak put right afterwards: what may stand in its place, and what stood there before, which is kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from analysis.soak_model import Soak

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.database import Database

_STOOD: Final = "name, job, car, customer, after_entry, last_entry, begun, ended, plan"
TABLE: Final = (
    """CREATE TABLE corrections (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        soak INTEGER NOT NULL REFERENCES soaks (id),
        name TEXT NOT NULL,
        job TEXT NOT NULL,
        car TEXT NOT NULL,
        customer TEXT NOT NULL,
        after_entry INTEGER NOT NULL,
        last_entry INTEGER,
        begun TEXT NOT NULL,
        ended TEXT,
        plan TEXT NOT NULL,
        made TEXT NOT NULL,
        who TEXT NOT NULL)""",
)


@dataclass(frozen=True, slots=True)
class Correction:
    """What stood in the register until somebody put it right."""

    stood: Soak
    made: str
    """UTC, ISO 8601 with Z."""
    who: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {**self.stood.as_dict(), "until": self.made, "corrected_by": self.who}


def wrong_with(better: Soak, soaks: Sequence[Soak]) -> str | None:
    """Return what is wrong with a soak in the place of the one of its id, in a clause; None if nothing is.

    Soaks stay in the order in which they were begun and have no reading in common.
    """
    if not better.name or not better.name.isprintable():
        return "a soak needs a name that can be read"
    last = better.last_entry
    if last is not None and last <= better.after_entry:
        return f"there is no reading between begin, {better.begun}, and end, {better.ended}"
    for other in soaks:
        if other.id == better.id:
            continue
        if other.name == better.name:
            return f"there is a soak '{better.name}' already: choose another name"
        if other.id < better.id and (other.last_entry is None or other.last_entry > better.after_entry):
            return (
                f"the soak '{other.name}' goes on until {other.ended or 'now'}: a reading belongs to one soak"
            )
        if other.id > better.id and (last is None or last > other.after_entry):
            return f"the soak '{other.name}' begins at {other.begun}: a reading belongs to one soak"
    return None


def put_right(database: Database, stood: Soak, better: Soak, made: str, who: str) -> None:
    """Put a soak in the place of what stood there, which is kept; both or neither."""
    with database.atomic() as connection:
        connection.execute(
            f"INSERT INTO corrections (soak, {_STOOD}, made, who) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608  our own words
            (stood.id, *_values(stood), made, who),
        )
        assignments = ", ".join(f"{column} = ?" for column in _STOOD.split(", "))
        connection.execute(f"UPDATE soaks SET {assignments} WHERE id = ?", (*_values(better), better.id))  # noqa: S608  our own words


def corrections_of(database: Database) -> list[Correction]:
    """All corrections, in the order in which they were made."""
    rows = database.rows(f"SELECT soak, {_STOOD}, made, who FROM corrections ORDER BY id")  # noqa: S608  our own words
    return [Correction(Soak(*row[:10]), *row[10:]) for row in rows]


def _values(soak: Soak) -> tuple[object, ...]:
    return tuple(getattr(soak, column) for column in _STOOD.split(", "))
