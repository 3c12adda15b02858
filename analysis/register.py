"""The register of soaks: which part of a journal is a soak, of which car, and what was planned for it.

A file beside the journal (`bay-2.journal.soaks`), written by `cornerhold soak`, `tape`, `blank` and `alarms
--acknowledge`, followed by the analysis. A soak's limits are journal entries, not times, so that no clock that is set
moves a reading in or out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from analysis import blank_register, corrections, note_register
from analysis.blank_register import Blank, add_blanks, blanks_of, withdraw_blank
from analysis.corrections import Correction, corrections_of, put_right, wrong_with
from analysis.database import Database, DatabaseError, Layout, require_beside
from analysis.note_register import Noted, add_note, notes_of, withdraw_note
from analysis.soak_model import Soak
from analysis.tape_register import TABLE, Height, add, heights_of, withdraw
from logger.clock import utc_text
from logger.journal_files import SOAKS, beside

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from typing import Self


LAYOUT: Final = Layout(
    "register of soaks",
    0x434F_5352,  # "COSR"
    (
        (
            """CREATE TABLE soaks (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                name TEXT NOT NULL UNIQUE,
                job TEXT NOT NULL,
                car TEXT NOT NULL,
                customer TEXT NOT NULL,
                after_entry INTEGER NOT NULL,
                last_entry INTEGER,
                begun TEXT NOT NULL,
                ended TEXT,
                plan TEXT NOT NULL)""",
            "CREATE UNIQUE INDEX one_soak_at_a_time ON soaks ((ended IS NULL)) WHERE ended IS NULL",
        ),
        (
            """CREATE TABLE acknowledgements (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                alarm TEXT NOT NULL,
                who TEXT NOT NULL,
                made TEXT NOT NULL)""",
        ),
        TABLE,
        blank_register.TABLE,
        note_register.TABLE,
        corrections.TABLE,
    ),
)
PATIENCE_s: Final = 10.0
_COLUMNS = "id, name, job, car, customer, after_entry, last_entry, begun, ended, plan"


@dataclass(frozen=True, slots=True)
class Beside:
    """What people know beside the readings: heights by hand, blanks of the rig, notes; also what was withdrawn."""

    heights: tuple[Height, ...] = ()
    blanks: tuple[Blank, ...] = ()
    notes: tuple[Noted, ...] = ()


def soaks_path(journal: Path) -> Path:
    """Where the register of a journal's soaks is."""
    return beside(journal, SOAKS)


class Register:
    """The register, open to be written for the length of one command."""

    def __init__(self, database: Database) -> None:
        """Use `Register.open`."""
        self._database = database

    @classmethod
    def open(cls, journal: Path) -> Register:
        """Open or create the register of a journal's soaks."""
        return cls(Database.open_to_write(soaks_path(journal), LAYOUT, PATIENCE_s))

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self._database.close()

    def begin(self, soak: Soak) -> Soak:
        """Begin a soak (its id is given here); refused while another one runs or if the name was used."""
        known = soaks_of(self._database)
        running = [one for one in known if one.ended is None]
        if running:
            raise DatabaseError(self._database.path, f"the soak '{running[0].name}' still runs: end it first")
        if any(one.name == soak.name for one in known):
            raise DatabaseError(
                self._database.path, f"there is a soak '{soak.name}' already: choose another name"
            )
        # the one that ended last keeps its readings
        latest = max((one.last_entry or 0 for one in known), default=0)
        if soak.after_entry < latest:
            reason = f"the soak '{known[-1].name}' ended later than that"
            raise DatabaseError(self._database.path, reason)
        with self._database.atomic() as connection:
            connection.execute(
                "INSERT INTO soaks (name, job, car, customer, after_entry, begun, plan) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (soak.name, soak.job, soak.car, soak.customer, soak.after_entry, soak.begun, soak.plan),
            )
        return soaks_of(self._database)[-1]

    def end(self, last_entry: int, ended: str) -> Soak:
        """End the running soak after this entry of the journal."""
        running = [one for one in soaks_of(self._database) if one.ended is None]
        if not running:
            raise DatabaseError(self._database.path, "no soak runs")
        if last_entry < running[0].after_entry:
            raise DatabaseError(self._database.path, f"the soak '{running[0].name}' began later than that")
        with self._database.atomic() as connection:
            connection.execute(
                "UPDATE soaks SET last_entry = ?, ended = ? WHERE id = ?", (last_entry, ended, running[0].id)
            )
        return replace(running[0], last_entry=last_entry, ended=ended)

    def correct(self, better: Soak, who: str) -> None:
        """Put a soak in the place of what stood under its id, which is kept; refused if the two or others collide."""
        known = soaks_of(self._database)
        if (reason := wrong_with(better, known)) is not None:
            raise DatabaseError(self._database.path, reason)
        stood = next(one for one in known if one.id == better.id)
        put_right(self._database, stood, better, utc_text(), who)

    def acknowledge(self, alarms: Sequence[str], who: str) -> None:
        """Note that somebody has taken notice of alarms (their ids); the running analysis takes it from here."""
        with self._database.atomic() as connection:
            connection.executemany(
                "INSERT INTO acknowledgements (alarm, who, made) VALUES (?, ?, ?)",
                [(alarm, who, utc_text()) for alarm in alarms],
            )

    def add_heights(self, heights: Sequence[Height]) -> list[Height]:
        """Write heights measured by hand, all or none."""
        return add(self._database, heights)

    def soaks(self) -> list[Soak]:
        """All soaks, oldest first."""
        return soaks_of(self._database)

    def heights(self) -> list[Height]:
        """All heights measured by hand."""
        return heights_of(self._database)

    def beside(self) -> Beside:
        """All that was measured and noted beside the readings."""
        return _beside(self._database)

    def add_note(self, note: Noted) -> Noted:
        """Write a note."""
        return add_note(self._database, note)

    def withdraw_note(self, number: int) -> Noted:
        """Take a note back."""
        return withdraw_note(self._database, number, utc_text())

    def add_blanks(self, blanks: Sequence[Blank]) -> list[Blank]:
        """Write blanks, all or none."""
        return add_blanks(self._database, blanks)

    def withdraw_blank(self, number: int) -> Blank:
        """Take a blank back."""
        return withdraw_blank(self._database, number, utc_text())

    def withdraw_height(self, number: int, instead: Height | None = None) -> Height:
        """Take a height back, with another one in its place or without."""
        return withdraw(self._database, number, utc_text(), instead)


class RegisterReader:
    """A follower's view of a register that may not exist yet."""

    def __init__(self, journal: Path) -> None:
        """Nothing is opened before it is asked."""
        self._journal = journal
        self._path = soaks_path(journal)
        self._database: Database | None = None
        self._asked = False

    def soaks(self) -> list[Soak]:
        """All soaks, oldest first; none while there is no register."""
        if self._database is None:
            self._database = Database.open_to_read(self._path, LAYOUT)
            if self._database is None and not self._asked:
                require_beside(self._journal, SOAKS, "soaks and heights")
                self._asked = True
        return [] if self._database is None else soaks_of(self._database)

    def beside(self) -> Beside:
        """All that was measured and noted beside the readings, also withdrawn; ask for the soaks first."""
        return Beside() if self._database is None else _beside(self._database)

    def acknowledgements(self, after: int) -> list[tuple[int, str, str]]:
        """What was acknowledged after this number: number, id of the alarm, who."""
        if self._database is None:
            return []
        return self._database.rows(
            "SELECT id, alarm, who FROM acknowledgements WHERE id > ? ORDER BY id", (after,)
        )

    def close(self) -> None:
        """Let the file go."""
        if self._database is not None:
            self._database.close()
            self._database = None

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()


def read_soaks(journal: Path) -> list[Soak]:
    """All soaks of a journal, oldest first."""
    with RegisterReader(journal) as register:
        return register.soaks()


def read_corrections(journal: Path) -> list[Correction]:
    """What was put right of a journal's soaks, oldest first."""
    database = Database.open_to_read(soaks_path(journal), LAYOUT)
    if database is None:
        return []
    with database:
        return corrections_of(database)


def read_register(journal: Path) -> tuple[list[Soak], Beside]:
    """All soaks of a journal, and what was measured beside its readings."""
    with RegisterReader(journal) as register:
        return register.soaks(), register.beside()


def _beside(database: Database) -> Beside:
    return Beside(tuple(heights_of(database)), tuple(blanks_of(database)), tuple(notes_of(database)))


def soaks_of(database: Database) -> list[Soak]:
    """All soaks of an open register, oldest first."""
    return [Soak(*row) for row in database.rows(f"SELECT {_COLUMNS} FROM soaks ORDER BY id")]  # noqa: S608  our own words
