"""The analysis's own files: what isn't what was written is refused, and a full disk leaves room for an alarm."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from analysis.database import Database, DatabaseError, Layout

if TYPE_CHECKING:
    from pathlib import Path

LAYOUT = Layout("book", 0x1234, (("CREATE TABLE words (id INTEGER PRIMARY KEY, word TEXT NOT NULL)",),))
ROOMY = Layout("book", 0x1234, LAYOUT.migrations, reserve_bytes=1 << 18)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.book"


def write(database: Database, word: str) -> None:
    with database.atomic() as connection:
        connection.execute("INSERT INTO words (word) VALUES (?)", (word,))


def made(path: Path, layout: Layout = LAYOUT) -> None:
    with Database.open_to_write(path, layout) as database:
        write(database, "tight")
        write(database, "leaking")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE words SET word = 'tigha' WHERE id = 1",
        "UPDATE words SET id = 9 WHERE id = 1",
        "DELETE FROM words WHERE id = 2",
        "CREATE TABLE more (a)",
    ],
)
def test_what_is_not_what_was_written_is_refused_with_a_way_forward(path: Path, statement: str) -> None:
    made(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement)
    for opening in (Database.open_to_write, Database.open_to_read):
        with pytest.raises(DatabaseError, match=r"is damaged .*put back a copy, or move it away"):
            opening(path, LAYOUT)


def test_an_empty_file_is_none_that_is_being_made(path: Path) -> None:
    """One that is being made has another name until it is whole."""
    made(path)
    path.write_bytes(b"")
    for opening in (Database.open_to_write, Database.open_to_read):
        with pytest.raises(DatabaseError, match=r"is damaged .it is empty"):
            opening(path, LAYOUT)
    path.unlink()
    made(path)
    assert sorted(p.name for p in path.parent.iterdir()) == ["a.book", "a.book.lock"]


def test_a_reader_beside_the_writer_sees_it_whole(path: Path) -> None:
    with Database.open_to_write(path, LAYOUT) as database:
        for n in range(20):
            write(database, str(n))
            reader = Database.open_to_read(path, LAYOUT)
            assert reader is not None
            with reader:
                assert reader.rows("SELECT count(*) FROM words") == [(n + 1,)]


def sizes(path: Path) -> list[int]:
    return [one.stat().st_size for one in sorted(path.parent.glob(path.name + "*"))]


def test_there_is_room_for_alarms_when_the_disk_is_full(path: Path) -> None:
    """No file grows by them, so they ask the disk for nothing."""
    with Database.open_to_write(path, ROOMY) as database:
        before = sizes(path)
        for n in range(100):
            write(database, f"an alarm of some length, number {n}, with its evidence" * 10)
        assert sizes(path) == before
    # and again after a restart
    with Database.open_to_write(path, ROOMY) as database:
        before = sizes(path)
        for _ in range(100):
            write(database, "another alarm of some length" * 20)
        assert sizes(path) == before
        assert database.rows("SELECT count(*) FROM words") == [(200,)]


def test_a_disk_that_is_full_already_is_opened_all_the_same(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(path, ROOMY)
    connect = sqlite3.connect

    def full(*words: object, **more: object) -> sqlite3.Connection:
        connection: sqlite3.Connection = connect(*words, **more)
        [[pages]] = connection.execute("PRAGMA page_count")
        [[free]] = connection.execute("PRAGMA freelist_count")
        connection.execute(f"PRAGMA max_page_count = {pages - free}")
        return connection

    monkeypatch.setattr(sqlite3, "connect", full)
    with Database.open_to_write(
        path, Layout("book", 0x1234, LAYOUT.migrations, reserve_bytes=1 << 22)
    ) as database:
        assert database.rows("SELECT word FROM words") == [("tight",), ("leaking",)]
