"""The alarms of a watch, kept: raised, acknowledged, cleared; what is still to be published, and to be written to people.

A file beside the journal (`bay-2.journal.alarms`) with one writer, the running analysis. After a restart the
analysis reads the soak again and finds the same alarms; `reconcile` knows them, so that none is raised twice.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from analysis.database import Database, Layout, require_beside
from logger.clock import utc_text
from logger.journal_files import ALARMS, beside

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Sequence
    from pathlib import Path
    from typing import Self

LAYOUT: Final = Layout(
    "book of alarms",
    0x434F_414C,  # "COAL"
    (
        (
            "CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL)",
            """CREATE TABLE alarms (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                soak INTEGER NOT NULL,
                section TEXT NOT NULL,
                kind TEXT NOT NULL,
                raised_us INTEGER NOT NULL,
                cleared_us INTEGER,
                raised TEXT NOT NULL,
                acknowledged TEXT,
                acknowledged_by TEXT,
                cleared TEXT,
                sentence TEXT NOT NULL,
                evidence TEXT NOT NULL)""",
            "CREATE INDEX alarms_of_a_soak ON alarms (soak, section, kind)",
            """CREATE TABLE outbox (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                topic TEXT NOT NULL,
                payload TEXT NOT NULL)""",
            """CREATE TABLE letters (
                id INTEGER PRIMARY KEY AUTOINCREMENT,
                title TEXT NOT NULL,
                body TEXT NOT NULL,
                made TEXT NOT NULL)""",
        ),
        ("CREATE TABLE points (id INTEGER PRIMARY KEY AUTOINCREMENT, line TEXT NOT NULL)",),
    ),
    reserve_bytes=1 << 18,
)
READ_AGAIN: Final = "the soak was read again, with what was noted or corrected, and nothing is left of it"
MOST_POINTS: Final = 50_000
"""So many points wait for InfluxDB at most (with four sections, eleven weeks of findings); then the oldest go."""
_COLUMNS = (
    "id, soak, section, kind, raised_us, cleared_us, raised, acknowledged, acknowledged_by, cleared, "
    "sentence, evidence"
)


@dataclass(frozen=True, slots=True)
class Seen:
    """An alarm as the analysis sees it now; times on the rig's axis, and their labels (UTC with Z)."""

    section: str
    kind: str
    raised_us: int
    cleared_us: int | None
    raised: str
    cleared: str | None
    reading: str = ""
    taken_back: str = ""
    """Why it should not have been raised."""


@dataclass(frozen=True, slots=True)
class Kept:
    """An alarm as it is kept."""

    id: int
    soak: int
    section: str
    kind: str
    raised_us: int
    cleared_us: int | None
    raised: str
    acknowledged: str | None
    acknowledged_by: str | None
    cleared: str | None
    sentence: str
    evidence: dict[str, Any] = field(default_factory=dict)

    @property
    def state(self) -> str:
        """`raised`, `acknowledged` or `cleared`."""
        return "cleared" if self.cleared else "acknowledged" if self.acknowledged else "raised"


@dataclass(frozen=True, slots=True)
class Changes:
    """Alarms whose state has changed."""

    raised: tuple[Kept, ...] = ()
    cleared: tuple[Kept, ...] = ()
    acknowledged: tuple[Kept, ...] = ()

    def __bool__(self) -> bool:
        """Whether anything has changed."""
        return bool(self.raised or self.cleared or self.acknowledged)


def alarms_path(journal: Path) -> Path:
    """Where the alarms of a journal are kept."""
    return beside(journal, ALARMS)


class AlarmStore:
    """The kept alarms. `publishing` says whether there is a broker for which the outbox is filled.

    `line_of` makes a point for InfluxDB of an alarm's id and the alarm, whenever its state changes; None: there is none.
    """

    def __init__(
        self,
        database: Database,
        *,
        rig: str,
        publishing: bool,
        line_of: Callable[[str, Kept], str] | None = None,
    ) -> None:
        """Use `AlarmStore.open`."""
        self._database = database
        self._rig = rig
        self._publishing = publishing
        self._line_of = line_of
        self._book = self._fact("book") or self._new_book()

    @classmethod
    def open(
        cls,
        journal: Path,
        *,
        rig: str,
        publishing: bool = False,
        line_of: Callable[[str, Kept], str] | None = None,
    ) -> AlarmStore:
        """Open or create the alarms of a journal; refused while another analysis holds them."""
        database = Database.open_to_write(alarms_path(journal), LAYOUT, 1.0)
        return cls(database, rig=rig, publishing=publishing, line_of=line_of)

    def close(self) -> None:
        """Let the file go."""
        self._database.close()

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()

    # -- alarms ----------------------------------------------------------------------------------------------

    def alarms(self, soak: int | None = None) -> list[Kept]:
        """All alarms (of one soak), oldest first."""
        return _alarms(self._database) if soak is None else _alarms(self._database, "soak = ?", (soak,))

    def standing(self) -> list[Kept]:
        """The alarms that stand, acknowledged or not."""
        return _alarms(self._database, "cleared IS NULL")

    def name_of(self, alarm: Kept) -> str:
        """The id of an alarm towards the world: unlike any other's, also of other journals."""
        return f"{self._book}-{alarm.id}"

    def reconcile(
        self,
        soak: int,
        seen: Sequence[Seen],
        describe: Callable[[Seen], tuple[str, dict[str, Any]]],
        *,
        complete: bool,
    ) -> Changes:
        """Take over what the analysis sees of a soak: new ones are raised, ended ones cleared, known ones held.

        An alarm is known if one of the same section and kind is kept whose time meets its own. `complete`: the
        analysis has seen everything so far, so what stands here and is not seen any more is cleared, too.
        """
        known = self.alarms(soak)
        raised: list[tuple[Seen, str, dict[str, Any]]] = []
        cleared: list[tuple[Kept, int, str, str]] = []
        met: set[int] = set()
        for one in seen:
            kept = next((k for k in known if k.id not in met and _meet(k, one)), None)
            if kept is None:
                raised.append((one, *describe(one)))
                continue
            met.add(kept.id)
            if kept.cleared is None and one.cleared_us is not None and one.cleared is not None:
                cleared.append((kept, one.cleared_us, one.cleared, one.taken_back))
        if complete:
            gone = (k for k in known if k.cleared is None and k.id not in met)
            cleared += [(k, k.raised_us, utc_text(), READ_AGAIN) for k in gone]
        if not raised and not cleared:
            return Changes()
        with self._database.atomic() as connection:
            new = tuple(self._insert(connection, soak, *one) for one in raised)
            old = tuple(self._clear(connection, *one) for one in cleared)
        return Changes(new, old)

    def close_soaks(self, but: int | None) -> Changes:
        """Clear what stands of other soaks than this one: they are over."""
        over = [alarm for alarm in self.standing() if alarm.soak != but]
        if not over:
            return Changes()
        with self._database.atomic() as connection:
            return Changes(
                (), tuple(self._clear(connection, alarm, alarm.raised_us, utc_text()) for alarm in over)
            )

    def acknowledge(self, place: tuple[str, str] | None, name: str | None, by: str | None) -> Kept | None:
        """Acknowledge the alarm that stands there (section and kind; None: anywhere) and has this name (None: any).

        None is returned if there is none, or it was acknowledged already.
        """
        for alarm in self.standing():
            if place not in {None, (alarm.section, alarm.kind)} or alarm.acknowledged is not None:
                continue
            if name is not None and name != self.name_of(alarm):
                continue
            alarm = replace(alarm, acknowledged=utc_text(), acknowledged_by=by)  # noqa: PLW2901  the same, one state on
            with self._database.atomic() as connection:
                connection.execute(
                    "UPDATE alarms SET acknowledged = ?, acknowledged_by = ? WHERE id = ?",
                    (alarm.acknowledged, by, alarm.id),
                )
                self._changed(connection, alarm)
            return alarm
        return None

    def message(self, alarm: Kept) -> str:
        """An alarm as it is published; empty for one that is cleared."""
        if alarm.cleared is not None:
            return ""
        said = asdict(alarm)
        for inner in ("id", "raised_us", "cleared_us", "cleared"):
            del said[inner]
        whole = {
            "cornerhold": "alarm/1",
            "alarm": self.name_of(alarm),
            "rig": self._rig,
            "state": alarm.state,
        } | said
        return json.dumps(whole, ensure_ascii=False, allow_nan=False)

    def _insert(
        self, connection: sqlite3.Connection, soak: int, one: Seen, sentence: str, evidence: dict[str, Any]
    ) -> Kept:
        values = (
            soak,
            one.section,
            one.kind,
            one.raised_us,
            one.cleared_us,
            one.raised,
            one.cleared,
            sentence,
        )
        identity = connection.execute(
            "INSERT INTO alarms (soak, section, kind, raised_us, cleared_us, raised, cleared, sentence, evidence) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*values, json.dumps(evidence, ensure_ascii=False, allow_nan=False)),
        ).lastrowid
        alarm = Kept(
            identity or 0, *values[:6], acknowledged=None, acknowledged_by=None, cleared=one.cleared,
            sentence=sentence, evidence=evidence,
        )  # fmt: skip
        # one that came and went while nobody looked is told as raised, too
        self._changed(connection, replace(alarm, cleared=None))
        if one.cleared is not None:
            self._changed(connection, alarm)
        return alarm

    def _clear(
        self,
        connection: sqlite3.Connection,
        alarm: Kept,
        cleared_us: int,
        cleared: str,
        taken_back: str = "",
    ) -> Kept:
        evidence = alarm.evidence | ({"taken_back": taken_back} if taken_back else {})
        connection.execute(
            "UPDATE alarms SET cleared_us = ?, cleared = ?, evidence = ? WHERE id = ?",
            (cleared_us, cleared, json.dumps(evidence, ensure_ascii=False, allow_nan=False), alarm.id),
        )
        alarm = replace(alarm, cleared_us=cleared_us, cleared=cleared, evidence=evidence)
        self._changed(connection, alarm)
        return alarm

    # -- to be published -------------------------------------------------------------------------------------

    def _changed(self, connection: sqlite3.Connection, alarm: Kept) -> None:
        """Put the new state of an alarm in the way of whoever must get it."""
        if self._publishing:
            letter = (topic_of(alarm), self.message(alarm))
            connection.execute("INSERT INTO outbox (topic, payload) VALUES (?, ?)", letter)
        if self._line_of is not None:
            connection.execute(
                "INSERT INTO points (line) VALUES (?)", (self._line_of(self.name_of(alarm), alarm),)
            )

    def outbox(self, limit: int = 100, after: int = 0) -> list[tuple[int, str, str]]:
        """What waits to be published after this number, in order: number, topic below the rig's, payload."""
        return self._database.rows(
            "SELECT id, topic, payload FROM outbox WHERE id > ? ORDER BY id LIMIT ?", (after, limit)
        )

    def published(self, number: int) -> None:
        """The broker has all up to this one."""
        with self._database.atomic() as connection:
            connection.execute("DELETE FROM outbox WHERE id <= ?", (number,))

    # -- for InfluxDB ----------------------------------------------------------------------------------------

    def add_points(self, lines: Sequence[str]) -> None:
        """Let more points wait; beyond `MOST_POINTS` the oldest go."""
        with self._database.atomic() as connection:
            connection.executemany("INSERT INTO points (line) VALUES (?)", [(line,) for line in lines])
            connection.execute(
                "DELETE FROM points WHERE id <= (SELECT max(id) FROM points) - ?", (MOST_POINTS,)
            )

    def points(self, limit: int) -> list[tuple[int, str]]:
        """What waits, oldest first: number, line."""
        return self._database.rows("SELECT id, line FROM points ORDER BY id LIMIT ?", (limit,))

    def points_waiting(self) -> int:
        """How many there are."""
        return int(self._database.rows("SELECT count(*) FROM points")[0][0])

    def points_written(self, number: int) -> None:
        """Up to this one they are there."""
        with self._database.atomic() as connection:
            connection.execute("DELETE FROM points WHERE id <= ?", (number,))

    # -- to be written to people -----------------------------------------------------------------------------

    def write_letter(self, title: str, body: str) -> None:
        """Keep a letter until it is sent."""
        with self._database.atomic() as connection:
            connection.execute(
                "INSERT INTO letters (title, body, made) VALUES (?, ?, ?)", (title, body, utc_text())
            )

    def letters(self) -> list[tuple[int, str, str, str]]:
        """What waits to be sent, oldest first: number, title, body, when it was written."""
        return self._database.rows("SELECT id, title, body, made FROM letters ORDER BY id")

    def sent(self, number: int) -> None:
        """The letter has left."""
        with self._database.atomic() as connection:
            connection.execute("DELETE FROM letters WHERE id = ?", (number,))

    # -- small facts -----------------------------------------------------------------------------------------

    def fact(self, name: str) -> str | None:
        """A small thing that must survive a restart."""
        return self._fact(name)

    def note(self, name: str, value: str) -> None:
        """Keep it."""
        with self._database.atomic() as connection:
            connection.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (name, value))

    def _fact(self, name: str) -> str | None:
        rows = self._database.rows("SELECT value FROM facts WHERE name = ?", (name,))
        return str(rows[0][0]) if rows else None

    def _new_book(self) -> str:
        book = secrets.token_hex(4)
        self.note("book", book)
        return book


def read_alarms(journal: Path) -> list[tuple[str, Kept]]:
    """All alarms of a journal with their ids, oldest first; read beside the analysis that writes them."""
    database = Database.open_to_read(alarms_path(journal), LAYOUT)
    if database is None:
        require_beside(journal, ALARMS, "alarms")
        return []
    with database:
        book = database.rows("SELECT value FROM facts WHERE name = 'book'")
        return [(f"{book[0][0]}-{alarm.id}", alarm) for alarm in _alarms(database)] if book else []


def _alarms(database: Database, where: str = "1", values: tuple[object, ...] = ()) -> list[Kept]:
    """Alarms, oldest first; `where` is a condition of our own with `?` for the values."""
    rows = database.rows(f"SELECT {_COLUMNS} FROM alarms WHERE {where} ORDER BY id", values)  # noqa: S608
    return [Kept(*(*row[:-1], json.loads(row[-1]))) for row in rows]


def topic_of(alarm: Kept) -> str:
    """Where an alarm is published, below the rig's topic."""
    return f"alarms/{alarm.section}/{alarm.kind}"


def _meet(kept: Kept, seen: Seen) -> bool:
    """Whether two are the same alarm: of one section and kind, and their times meet."""
    if (kept.section, kept.kind) != (seen.section, seen.kind):
        return False
    # it was taken back, not seen to end: if it stands after all, say because a correction was corrected, it is told again
    if seen.cleared_us is None and kept.cleared is not None and kept.cleared_us == kept.raised_us:
        return False
    if kept.raised_us == seen.raised_us:
        return True
    kept_end = float("inf") if kept.cleared is None else kept.cleared_us
    seen_end = float("inf") if seen.cleared_us is None else seen.cleared_us
    return kept.raised_us <= (seen_end or 0) and seen.raised_us <= (kept_end or 0)
