"""The journal: opening, writing all or nothing, versions, retention, and samples as arrays."""

import sqlite3
from pathlib import Path

import numpy as np
import pytest

from logger.clock import Stamp
from logger.journal import BootRecord, Entry, Journal, JournalError, sample_body
from logger.journal_reader import JournalReader
from logger.journal_schema import APPLICATION_ID, SCHEMA_VERSION
from logger.samples import sample_blocks, samples

CHANNELS = ("front_left.pressure", "ambient.temperature", "ambient.pressure")


def note_boot(journal: Journal, boot: int = 7, *, resumed: bool = False) -> BootRecord:
    return journal.note_boot(
        boot=boot, rig="bay", firmware="1.0", period_ms=1000, channels=CHANNELS, resumed=resumed
    )


def sample(boot_id: int, seq: int, body: str = "100,200,300") -> Entry:
    return Entry(0, "D", boot_id, seq, seq * 1_000_000, 1_800_000_000_000_000 + seq * 1_000_000, body)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bay.journal"


def test_what_was_appended_is_read_back_in_order(path: Path) -> None:
    with Journal.open(path) as journal:
        boot = note_boot(journal)
        journal.append([Entry(0, "I", boot.id, None, 0, 5, "{}"), *(sample(boot.id, n) for n in range(5))])
        journal.append(
            [Entry(0, "G", boot.id, None, 0, 5, '{"first_seq":5,"last_seq":9}'), sample(boot.id, 10)]
        )
        with JournalReader(path) as reader:
            first = reader.read(limit=3)
            rest = reader.read()
            assert reader.read() == []
            assert [entry.id for entry in first + rest] == list(range(1, 9))
            assert [entry.kind for entry in first + rest] == list("IDDDDDGD")
            assert rest[-1] == sample(boot.id, 10)._replace(id=8)
            assert JournalReader(path, cursor=7).read() == [rest[-1]]


def test_a_sample_twice_is_refused_and_the_whole_batch_with_it(path: Path) -> None:
    with Journal.open(path) as journal:
        boot = note_boot(journal)
        journal.append([sample(boot.id, 0)])
        with pytest.raises(JournalError, match="nothing was written"):
            journal.append([sample(boot.id, 1), sample(boot.id, 0)])
        assert journal.last_seq(boot.id) == 0
        journal.append([sample(boot.id, 1)])
        assert journal.last_seq(boot.id) == 1


def test_any_exception_within_atomic_rolls_back(path: Path) -> None:
    with Journal.open(path) as journal:
        boot = note_boot(journal)

        def half_then_stop() -> None:
            with journal.atomic() as connection:
                connection.execute(
                    "INSERT INTO entries (kind, boot_id, seq, rig_us, utc_us, body) VALUES ('D', ?, 0, 0, 0, '1,2,3')",
                    (boot.id,),
                )
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            half_then_stop()
        assert journal.last_seq(boot.id) is None
        journal.append([sample(boot.id, 0)])


def test_a_second_writer_is_refused_and_the_first_goes_on(path: Path) -> None:
    with Journal.open(path) as journal:
        boot = note_boot(journal)
        with pytest.raises(JournalError, match="another process"):
            Journal.open(path)
        journal.append([sample(boot.id, 0)])
    with Journal.open(path) as journal:
        assert journal.last_seq(boot.id) == 0


def test_the_file_is_set_up_to_survive_the_power(path: Path) -> None:
    with Journal.open(path) as journal:
        for pragma, value in (("journal_mode", "wal"), ("synchronous", 2), ("journal_size_limit", 64 << 20)):
            assert journal._connection.execute(f"PRAGMA {pragma}").fetchone()[0] == value


def test_files_that_are_no_journal_are_refused_and_left_alone(tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE recipes (soup)")
    connection.commit()
    connection.close()
    text = tmp_path / "text.journal"
    text.write_text("not a database at all, though long enough to be taken for one " * 50)
    for file, reason in ((other, "another program"), (text, "not a database")):
        before = file.read_bytes()
        with pytest.raises(JournalError, match=reason):
            Journal.open(file)
        with pytest.raises(JournalError, match=reason):
            JournalReader(file)
        assert file.read_bytes() == before
    with pytest.raises(JournalError, match="folder"):
        Journal.open(tmp_path)
    with pytest.raises(JournalError, match="No such file"):
        Journal.open(tmp_path / "absent" / "x.journal")
    with pytest.raises(JournalError, match="no such journal"):
        JournalReader(tmp_path / "absent.journal")
    assert not (tmp_path / "absent.journal").exists()


def test_a_newer_version_is_refused_and_left_alone(path: Path) -> None:
    Journal.open(path).close()
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="newer version"):
        Journal.open(path)
    with pytest.raises(JournalError, match="newer version"):
        JournalReader(path)
    assert path.read_bytes() == before


def test_a_damaged_file_is_refused(path: Path) -> None:
    with Journal.open(path) as journal:
        boot = note_boot(journal)
        journal.append([sample(boot.id, n, "9" * 200) for n in range(2000)])
    damaged = bytearray(path.read_bytes())
    for page in range(4, len(damaged) // 4096, 3):
        damaged[page * 4096 : page * 4096 + 64] = b"\xa5" * 64
    path.write_bytes(damaged)
    with pytest.raises(JournalError, match=r"damaged|malformed"):
        Journal.open(path)


VERSION_1 = """
CREATE TABLE boots (id INTEGER PRIMARY KEY, boot INTEGER NOT NULL, rig TEXT NOT NULL, firmware TEXT NOT NULL,
    period_ms INTEGER NOT NULL, channels TEXT NOT NULL, anchor_rig_us INTEGER, anchor_utc_us INTEGER,
    first_entry INTEGER NOT NULL);
CREATE TABLE entries (id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL CHECK (kind IN ('I', 'D', 'E', 'G', 'C')), boot_id INTEGER REFERENCES boots (id),
    seq INTEGER, rig_us INTEGER NOT NULL, utc_us INTEGER NOT NULL, body TEXT NOT NULL);
CREATE UNIQUE INDEX one_sample_per_seq ON entries (boot_id, seq) WHERE kind = 'D';
INSERT INTO boots VALUES (1, 7, 'bay', '1.0', 1000, '["front_left.pressure"]', 0, 5, 1);
INSERT INTO entries VALUES (3, 'D', 1, 41, 41000000, 1800000041000000, '1234');
PRAGMA user_version = 1;
"""


def version_1_file(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.executescript(VERSION_1 + f"PRAGMA application_id = {APPLICATION_ID};")
    connection.close()


def test_a_file_of_version_1_is_brought_to_the_present_one_with_its_entries(path: Path) -> None:
    version_1_file(path)
    with pytest.raises(JournalError, match="version 1"):
        JournalReader(path)
    with Journal.open(path, "[rig]\n") as journal:
        assert journal.last_seq(1) == 41
        journal.append([sample(1, 42, "1235")])
    with JournalReader(path) as reader:
        assert [(entry.id, entry.seq, entry.body) for entry in reader.read()] == [
            (3, 41, "1234"),
            (4, 42, "1235"),
        ]
        assert [(c.first_entry, c.text) for c in reader.configurations()] == [(4, "[rig]\n")]


def test_a_migration_that_fails_leaves_the_old_version(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    version_1_file(path)
    broken = (("-- version 1",), ("CREATE TABLE configurations (id)", "CREATE TABEL oops (id)"))
    monkeypatch.setattr("logger.journal_schema.MIGRATIONS", broken)
    with pytest.raises(JournalError, match="syntax error"):
        Journal.open(path)
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert connection.execute(
        "SELECT count(*) FROM sqlite_master WHERE name = 'configurations'"
    ).fetchone() == (0,)
    assert connection.execute("SELECT body FROM entries").fetchone() == ("1234",)
    connection.close()
    monkeypatch.undo()
    Journal.open(path).close()


def test_boots_are_known_again_when_resumed_and_new_otherwise(path: Path) -> None:
    with Journal.open(path) as journal:
        first = note_boot(journal)
        assert first.anchor is None
        journal.anchor_boot(first.id, Stamp(-500, 99))
        journal.append([sample(first.id, n) for n in range(3)])
        again = note_boot(journal, resumed=True)
        assert (again.id, again.anchor) == (first.id, Stamp(-500, 99))
        last = journal.last_sample(again)
        assert last is not None
        assert (last.seq, last.rig_us) == (2, 2_000_000)
        other = note_boot(journal)
        assert other.id != first.id
        assert journal.last_seq(other.id) is None
        assert journal.last_sample(other) is None
        journal.append([sample(other.id, 0)])  # the same number in another boot is another sample
        assert note_boot(journal, resumed=True).id == other.id
        assert [record.first_entry for record in journal.boots()] == [1, 4]
        assert journal.newest_stamp() == Stamp(0, 1_800_000_000_000_000)


def test_settings_are_kept_with_the_entry_from_which_they_hold(path: Path) -> None:
    with Journal.open(path, "a = 1\n") as journal:
        boot = note_boot(journal)
        journal.append([sample(boot.id, 0), sample(boot.id, 1)])
    Journal.open(path, "a = 1\r\n").close()
    Journal.open(path, "a = 2\n").close()
    with JournalReader(path) as reader:
        assert [(c.first_entry, c.text) for c in reader.configurations()] == [(1, "a = 1\n"), (3, "a = 2\n")]


def test_retention_counts_rig_time_and_keeps_where_each_boot_goes_on(path: Path) -> None:
    day_us = 86_400_000_000
    with Journal.open(path) as journal:
        old, new = note_boot(journal, 1), note_boot(journal, 2)
        journal.append([sample(old.id, n)._replace(rig_us=n * day_us // 10) for n in range(50)])
        # the wall clock is a year ahead for these: that makes nothing old
        journal.append(
            [sample(new.id, n)._replace(rig_us=5 * day_us + n, utc_us=10**18 + n) for n in range(50)]
        )
        assert (
            journal.retention(keep_days=3) == 21
        )  # rig time 0…2.0 days of a newest at 5.0, 2.0 exactly: kept
        assert journal.last_seq(old.id) == 49
        assert journal.retention(keep_days=0.01) == 28  # the rest of the old boot but its last sample
        assert journal.last_seq(old.id) == 49
        assert journal.last_seq(new.id) == 49
        journal.append([sample(new.id, 50)])
        with JournalReader(path) as reader:
            ids = [entry.id for entry in reader.read()]
            assert ids == [50, *range(51, 102)]  # ids are never used again


def test_retention_of_an_empty_journal_is_nothing(path: Path) -> None:
    with Journal.open(path) as journal:
        assert journal.retention(1) == 0


def test_samples_as_arrays() -> None:
    bodies = ["1,2,3", ",-5,+", "-,,7"]
    entries = [sample(1, n, body) for n, body in enumerate(bodies)]
    block = samples([Entry(0, "I", 1, None, 0, 0, "{}"), *entries], CHANNELS)
    nan = np.nan
    np.testing.assert_array_equal(block.raw, [[1, 2, 3], [nan, -5, nan], [nan, nan, 7]])
    np.testing.assert_array_equal(np.argwhere(block.over), [[1, 2]])
    np.testing.assert_array_equal(np.argwhere(block.under), [[2, 0]])
    np.testing.assert_array_equal(block.rig_us, [0, 1_000_000, 2_000_000])
    assert len(samples([], CHANNELS)) == 0
    with pytest.raises(ValueError, match="number of channels"):
        samples([sample(1, 0, "1,2"), sample(1, 1, "1,2,3,4")], CHANNELS)


def test_blocks_break_where_the_boot_changes(path: Path) -> None:
    with Journal.open(path) as journal:
        first, second = note_boot(journal, 1), note_boot(journal, 2)
        journal.append([sample(first.id, 0), sample(first.id, 1), sample(second.id, 0), sample(first.id, 2)])
        with JournalReader(path) as reader:
            blocks = list(sample_blocks(reader.read(), reader.boots()))
    assert [len(block) for block in blocks] == [2, 1, 1]
    assert blocks[0].channels == CHANNELS


def test_a_body_is_what_the_rig_sent() -> None:
    assert sample_body((1234, None, "+", -987, "-")) == "1234,,+,-987,-"


def read_all(path: Path) -> None:
    with JournalReader(path, whole=True) as reader:
        reader.boots()
        reader.configurations()
        reader.read()


def spoil(path: Path, statement: str) -> None:
    """Change what stands there by other means, which SQLite doesn't mind: a bit that turned over looks the same."""
    connection = sqlite3.connect(path)
    with connection:
        assert connection.execute(statement).rowcount == 1
    connection.close()


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE entries SET body = '100,201,300' WHERE id = 3", "entry 3"),
        ("UPDATE entries SET rig_us = rig_us + 1 WHERE id = 3", "entry 3"),
        ("UPDATE entries SET id = 40 WHERE id = 3", "entry 40"),
        ("UPDATE boots SET channels = '[\"a.pressure\"]'", "boot 1"),
        ("UPDATE boots SET anchor_rig_us = 7", "boot 1"),
        ("UPDATE configurations SET text = 'x'", "settings"),
    ],
)
def test_what_is_not_what_was_written_is_refused_with_a_way_forward(
    path: Path, statement: str, told: str
) -> None:
    with Journal.open(path, "[rig]\n") as journal:
        boot = note_boot(journal)
        journal.anchor_boot(boot.id, Stamp(0, 0))
        journal.append([sample(boot.id, n) for n in range(5)])
    spoil(path, statement)
    with pytest.raises(JournalError) as refused:
        read_all(path)
    assert told in str(refused.value)
    assert "put back a copy, or move it away" in str(refused.value)


def test_the_logger_does_not_go_on_from_a_sample_that_is_not_what_was_written(path: Path) -> None:
    with Journal.open(path) as journal:
        boot = note_boot(journal)
        journal.append([sample(boot.id, n) for n in range(5)])
    spoil(path, "UPDATE entries SET seq = 400 WHERE id = 5")
    with Journal.open(path) as journal:
        for use in (lambda: journal.last_seq(boot.id), journal.newest_stamp):
            with pytest.raises(JournalError, match="entry 5 is not what was written"):
                use()


def test_an_index_that_does_not_fit_is_damage(path: Path) -> None:
    with Journal.open(path) as journal:
        boot = note_boot(journal)
        journal.append([sample(boot.id, n) for n in range(5)])
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA writable_schema = ON")
    # the index stays as it is, and is said to be another one
    connection.execute(
        "UPDATE sqlite_master SET sql = replace(sql, 'boot_id, seq', 'seq, boot_id') WHERE type = 'index'"
    )
    connection.commit()
    connection.close()
    with pytest.raises(JournalError, match="is damaged"):
        Journal.open(path)
    with pytest.raises(JournalError, match="is damaged"):
        JournalReader(path, whole=True)


@pytest.mark.parametrize("empty", [True, False])
def test_an_empty_journal_beside_the_soaks_of_a_full_one_is_refused(path: Path, *, empty: bool) -> None:
    if empty:
        path.touch()
    path.with_name(path.name + ".soaks").touch()
    with pytest.raises(JournalError, match=r"bay\.journal\.soaks belong to it"):
        Journal.open(path)
    path.with_name(path.name + ".soaks").unlink()
    Journal.open(path).close()
