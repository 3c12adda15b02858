"""Blanks in the register of soaks: written by `cornerhold blank`, followed by the analysis. Nothing is deleted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from analysis.blank import Measured
from analysis.database import counting
from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.database import Database
    from analysis.soak_model import Soak

TABLE: Final = (
    """CREATE TABLE blanks (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        section TEXT NOT NULL,
        loss_per_s REAL NOT NULL,
        deviation_per_s REAL NOT NULL,
        absolute_Pa REAL NOT NULL,
        hold_s REAL NOT NULL,
        air_K REAL,
        after_entry INTEGER NOT NULL,
        rig_us INTEGER NOT NULL,
        read_at TEXT NOT NULL,
        who TEXT NOT NULL,
        withdrawn TEXT)""",
)
_MEASURED = "section, loss_per_s, deviation_per_s, absolute_Pa, hold_s, air_K"
_WHERE = "after_entry, rig_us, read_at, who"


@dataclass(frozen=True, slots=True)
class Blank:
    """A blank of a section, and when it was measured: newest entry before its end, rig time, label."""

    id: int
    measured: Measured
    after_entry: int
    rig_us: int
    read_at: str
    who: str = ""
    withdrawn: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "id": self.id,
            "section": self.measured.section,
            "rig_loss_per_day": float(f"{self.measured.loss_per_s * SECONDS_PER_DAY:.6g}"),
            "rig_loss_per_day_uncertainty": float(f"{self.measured.deviation_per_s * SECONDS_PER_DAY:.6g}"),
            "absolute_bar": round(self.measured.absolute_Pa / 1e5, 4),
            "hold_min": round(self.measured.hold_s / 60.0, 2),
            "air_degC": None
            if self.measured.air_K is None
            else round(self.measured.air_K - ZERO_CELSIUS_K, 1),
            "at": self.read_at,
            "by": self.who,
            "withdrawn": self.withdrawn,
        }


def blanks_of(database: Database) -> list[Blank]:
    """All blanks, also those that were withdrawn, oldest first."""
    rows = database.rows(f"SELECT id, {_MEASURED}, {_WHERE}, withdrawn FROM blanks ORDER BY id")  # noqa: S608  our own words
    return [Blank(row[0], Measured(*row[1:7]), *row[7:]) for row in rows]


def blanks_for(
    blanks: Sequence[Blank], soak: Soak | None, first_us: int
) -> dict[str, tuple[Measured, float]]:
    """Return the last blank of each section before a soak (None: the whole journal), and its age at `first_us`, s."""
    out: dict[str, tuple[Measured, float]] = {}
    for blank in blanks:
        if blank.withdrawn is None and (soak is None or blank.after_entry <= soak.after_entry):
            age_s = max((first_us - blank.rig_us) / 1e6, 0.0)
            out[blank.measured.section] = (blank.measured, age_s)
    return out


def add_blanks(database: Database, blanks: Sequence[Blank]) -> list[Blank]:
    """Write blanks, all or none; their ids are given here."""
    with database.atomic() as connection:
        for one in blanks:
            m = one.measured
            connection.execute(
                f"INSERT INTO blanks ({_MEASURED}, {_WHERE}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608  our own words
                (
                    *(m.section, m.loss_per_s, m.deviation_per_s, m.absolute_Pa, m.hold_s, m.air_K),
                    *(one.after_entry, one.rig_us, one.read_at, one.who),
                ),
            )
    return blanks_of(database)[-len(blanks) :]


def withdraw_blank(database: Database, number: int, when: str) -> Blank:
    """Take a blank back; the one before it counts again."""
    counting(blanks_of(database), number, "blank", database.path)
    with database.atomic() as connection:
        connection.execute("UPDATE blanks SET withdrawn = ? WHERE id = ?", (when, number))
    return next(one for one in blanks_of(database) if one.id == number)
