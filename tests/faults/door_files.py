"""Doors of the files beside a journal: books (databases) and the small files with a check value.

An input for the books says in JSON what is done to a copy of them: statements, with or without the seal put right
(an older, newer or mistaken program's), bytes turned over, a cut.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
from typing import TYPE_CHECKING, Any

from tests.faults.fuzz import Try, spent

if TYPE_CHECKING:
    from pathlib import Path

_BOOKS = ("", ".soaks", ".alarms")
_STATEMENTS = (
    "UPDATE soaks SET plan = '[soak]\nplanned_length = \"14 h\"'",
    "UPDATE soaks SET after_entry = 100000, last_entry = -5",
    "UPDATE soaks SET name = 'x', job = 'y', car = 'z', begun = '2027-01-15T18:00:00Z', ended = NULL WHERE id = 1",
    "INSERT INTO acknowledgements (alarm, who, made) VALUES ('1a2b-1', 'Mara', '2027-01-15T18:00:00Z')",
    "UPDATE alarms SET raised_us = 17, cleared_us = NULL, evidence = '{\"loss_per_day\": 0.1}'",
    "UPDATE alarms SET raised = '2027-01-15T18:00:00Z', cleared = '2027-01-15T19:00:00Z', kind = 'floor', section = 'a'",
    "UPDATE facts SET value = '{\"a\": 1}'",
    "UPDATE entries SET body = '1,2,3' WHERE id = 5",
    "UPDATE entries SET utc_us = 253402300800000000, rig_us = -1 WHERE id = 9",
    "UPDATE boots SET channels = '[\"a.pressure\"]'",
    "UPDATE configurations SET text = '[rig]\nname = \"b\"'",
    "PRAGMA user_version = 3",
    "PRAGMA application_id = 1",
    "DROP TABLE seal",
    "DELETE FROM soaks",
    "ALTER TABLE soaks RENAME COLUMN job TO jobs",
)
BOOK_SEEDS = tuple(
    json.dumps({"book": book, "do": [one], "seal": seal, "turn": [], "cut": -1}).encode()
    for one in _STATEMENTS
    for book in _BOOKS
    for seal in (0, 1)
) + tuple(json.dumps({"book": book, "do": [], "seal": 0, "turn": [[100, 1], [4200, 128]],
"cut": cut}).encode() for book in _BOOKS for cut in (-1, 0, 512, 5000))  # fmt: skip


def of_books(folder: Path) -> Try:
    """Read a journal with its register and alarms as `show`, `alarms` and the analysis do."""
    from analysis.alarm_store import AlarmStore, read_alarms  # noqa: PLC0415
    from analysis.live import JournalFollower  # noqa: PLC0415
    from analysis.register import read_register  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415
    from tests.page_journals import journal_with_a_leak_alarm  # noqa: PLC0415

    sound, trial = folder / "sound", folder / "trial"
    sound.mkdir()
    trial.mkdir()
    name = journal_with_a_leak_alarm(sound).name

    def take(data: bytes) -> None:
        spent(trial)
        for path in sound.iterdir():
            shutil.copyfile(path, trial / path.name)
        said = _what(data)
        _spoil(trial / f"{name}{said['book']}", said)
        journal = trial / name
        soaks, beside = read_register(journal)
        for soak in soaks:
            soak.as_dict()
        read_alarms(journal)
        with AlarmStore.open(journal, rig="bay-2") as store:
            store.outbox()
            store.letters()
        with JournalReader(journal, whole=True) as reader:
            follower = JournalFollower(reader, None, soaks[-1] if soaks else None, beside)
            while follower.step():
                pass

    return take


def _what(data: bytes) -> dict[str, Any]:
    """What an input says, with defaults for what was mutated away."""
    with contextlib.suppress(ValueError, RecursionError):
        said = json.loads(data)
        if isinstance(said, dict):
            book = said.get("book")
            return {**said, "book": book if book in _BOOKS else _BOOKS[len(data) % 3]}
    return {"book": _BOOKS[len(data) % 3], "raw": data}


def _spoil(path: Path, said: dict[str, Any]) -> None:
    if "raw" in said:
        path.write_bytes(said["raw"])
        return
    do = said.get("do")
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for one in do if isinstance(do, list) else ():
            # what the database itself refuses can't be in it
            with contextlib.suppress(sqlite3.Error, sqlite3.Warning, TypeError, ValueError):
                connection.execute(one)
        if said.get("seal"):
            from analysis.database import _seal  # noqa: PLC0415

            with contextlib.suppress(sqlite3.Error):
                _seal(connection)
    content = bytearray(path.read_bytes())
    turn = said.get("turn")
    for pair in turn if isinstance(turn, list) else ():
        with contextlib.suppress(TypeError, ValueError, IndexError):
            content[pair[0]] ^= pair[1]
    cut = said.get("cut")
    path.write_bytes(
        content[:cut] if isinstance(cut, int) and not isinstance(cut, bool) and cut >= 0 else content
    )


_MIRROR = {
    "cornerhold": "mirror/1", "what": "readings", "to": "http://x", "entry": 7, "entry_utc_us": 1_800_000_000_000_000,
    "clock": 0, "label_us": None, "points": 3, "refused": 1, "refused_words": "no", "missed": 0, "waiting": 0,
    "trouble": "", "since": "", "check": "CHECK",
}  # fmt: skip
SMALL_SEEDS = tuple(
    kind + b"\n" + b"\n".join(json.dumps(one).encode() for one in lines)
    for kind, *lines in (
        (b"cursor", {"entry": 7, "check": "CHECK"}),
        (b"mirror", _MIRROR),
        (
            b"refused",
            {"when": "2027-01-15T18:00:00Z", "words": "no", "point": "a b=1"},
            {"when": "", "words": ""},
        ),
        (b"pulse", {"monotonic_s": 12.5, "status": "all is well"}),
    )
)


def of_small_files(folder: Path) -> Try:
    """Cursor, state of a mirror, refused points, pulse: the first line says which."""
    from logger.cursor_file import CursorFile, sealed  # noqa: PLC0415
    from logger.mirror_state import (  # noqa: PLC0415
        StateFile,
        mirror_words,
        read_mirrors,
        read_refused,
        refused_path,
        state_path,
    )
    from logger.pulse_command import pulse  # noqa: PLC0415

    journal = folder / "bay.journal"
    for name in ("logger.cursor_file", "logger.mirror_state"):
        import logging  # noqa: PLC0415

        logging.getLogger(name).setLevel(logging.ERROR)

    def checked(data: bytes) -> bytes:
        """With the check value put right, where there is an object."""
        if b"CHECK" not in data:
            return data
        try:
            said = json.loads(data)
            del said["check"]
            return sealed(said).encode()
        except (ValueError, TypeError, KeyError, RecursionError):
            return data

    def take(data: bytes) -> None:
        spent(folder)
        kind, _, data = data.partition(b"\n")
        data = checked(data)
        if kind == b"cursor":
            path = folder / "cursor"
            path.write_bytes(data)
            CursorFile(path).load(100)
        elif kind == b"pulse":
            path = folder / "pulse"
            path.write_bytes(data)
            pulse(path, 30.0)
        elif kind == b"refused":
            path = refused_path(journal, "readings")
            path.write_bytes(data)
            read_refused(path)
            StateFile(journal, "readings").keep_refused([("a b=1", "no")])
        else:
            path = state_path(journal, "readings")
            path.write_bytes(data)
            for state in read_mirrors(journal):
                mirror_words(state, 1_800_000_000_000_000)
            StateFile(journal, "readings").load()

    return take
