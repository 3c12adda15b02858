"""The keeper: items of the conversation become entries of the journal with the right boot and time."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from rig_model import CHANNELS

from logger.clock import HostTime, Stamp
from logger.conversation import Gap, Heard, StoredBoot
from logger.journal import Entry, Journal, JournalBlockedError, JournalError
from logger.journal_reader import JournalReader
from logger.keeper import Keeper
from logger.protocol import Identity, RigEvent, Sample
from logger.settings import RigSettings

if TYPE_CHECKING:
    from pathlib import Path

DAY_us = 86_400_000_000
# an arbitrary moment, 2026-11-25T12:00:00Z
UTC_us = 1_795_608_000_000_000
IDENTITY = Identity(1, "bench", "model", 1000, 7, 0, -1, CHANNELS)


def now(monotonic_s: float, wall_step_us: int = 0) -> HostTime:
    monotonic_us = round(monotonic_s * 1e6)
    return HostTime(monotonic_us, UTC_us + monotonic_us + wall_step_us)


def heard(seq: int, at_s: float, life: int = 1, boot: int = 7) -> Heard:
    return Heard(Sample(boot, seq, 1000 * seq, (seq, None, "+", -5)), life, at_s)


def keeper_at(path: Path, rig: RigSettings | None = None) -> Keeper:
    return Keeper(Journal.open(path), rig or RigSettings())


def entries(path: Path, kinds: str = "IDEGC") -> list[Entry]:
    with JournalReader(path) as reader:
        return [entry for entry in reader.read() if entry.kind in kinds]


def test_each_kind_of_item_has_its_entry(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    keeper = keeper_at(path)
    safe = keeper.keep(
        [
            Heard(IDENTITY, 1, 10.0),
            heard(0, 10.0),
            Gap(7, 1, 3, "overwritten in the rig", 1),
            heard(4, 14.0),
            Heard(RigEvent(7, 4500, "brownout", "4.1 V"), 1, 14.5),
        ],
        now(15.0),
    )
    keeper.close()
    assert safe == (1, 4)
    identity, first, gap, second, event = entries(path)
    assert [entry.kind for entry in (identity, first, gap, second, event)] == ["I", "D", "G", "D", "E"]
    assert len({entry.boot_id for entry in (identity, first, gap, second, event)}) == 1
    assert first.body == "0,,+,-5"
    assert (first.seq, second.seq) == (0, 4)
    assert json.loads(gap.body) == {"first_seq": 1, "last_seq": 3, "reason": "overwritten in the rig"}
    assert json.loads(event.body) == {"code": "brownout", "text": "4.1 V", "uptime_ms": 4500}
    assert json.loads(identity.body)["channels"] == list(CHANNELS)
    assert second.rig_us - first.rig_us == 4_000_000
    assert event.rig_us - second.rig_us == 500_000
    # the first sample arrived 10 s after the monotonic clock's zero, without delay
    assert first.utc_us == UTC_us + 10_000_000


def test_without_samples_nothing_is_safe(tmp_path: Path) -> None:
    keeper = keeper_at(tmp_path / "a.journal")
    assert keeper.keep([Heard(IDENTITY, 1, 1.0)], now(1.0)) is None
    assert keeper.keep([], now(2.0)) is None
    keeper.close()


def test_what_the_next_program_needs_to_know(tmp_path: Path) -> None:
    keeper = keeper_at(tmp_path / "a.journal")
    other = replace(IDENTITY, boot=8)
    keeper.keep([Heard(IDENTITY, 1, 1.0), heard(0, 1.0), heard(1, 2.0)], now(2.0))
    keeper.keep([Heard(other, 2, 3.0)], now(3.0))  # a boot without samples is not worth remembering
    keeper.close()
    keeper = keeper_at(tmp_path / "a.journal")
    assert keeper.stored_boots() == {("bench", 7): StoredBoot(1, CHANNELS)}
    keeper.close()


def test_rig_time_goes_on_over_a_restart_whatever_the_wall_clock_did(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    keeper = keeper_at(path)
    keeper.keep([Heard(IDENTITY, 1, 1.0), heard(0, 1.0), heard(1, 2.0)], now(2.0))
    keeper.close()
    # the host was set back by a day, and its monotonic clock began anew
    keeper = keeper_at(path)
    again = replace(IDENTITY, last_seq=5)
    keeper.keep(
        [Heard(again, 1, 0.5, resumed=True), *(heard(seq, 0.6) for seq in range(2, 6))], now(0.6, -DAY_us)
    )
    keeper.close()
    samples = entries(path, "D")
    assert [entry.seq for entry in samples] == [0, 1, 2, 3, 4, 5]
    assert {later.rig_us - earlier.rig_us for earlier, later in pairwise(samples)} == {1_000_000}
    assert len({entry.boot_id for entry in samples}) == 1


def test_a_wall_clock_that_steps_is_noted_and_changes_no_interval(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    keeper = keeper_at(path)
    keeper.keep([Heard(IDENTITY, 1, 1.0), heard(0, 1.0), heard(1, 2.0)], now(2.0))
    keeper.keep([heard(2, 3.0), heard(3, 4.0)], now(4.0, DAY_us))
    keeper.close()
    samples = entries(path, "D")
    assert {later.rig_us - earlier.rig_us for earlier, later in pairwise(samples)} == {1_000_000}
    [note] = entries(path, "C")
    assert json.loads(note.body)["seconds"] == pytest.approx(86_400.0, abs=1.0)


def test_time_lapse_labels_run_on_rig_time_from_the_given_moment(tmp_path: Path) -> None:
    begin = datetime(2027, 1, 15, 18, tzinfo=UTC)
    path = tmp_path / "a.journal"
    keeper = keeper_at(path, RigSettings(clock="rig", begin_utc=begin))
    # ten minutes of rig time in six seconds
    keeper.keep([Heard(IDENTITY, 1, 0.0), *(heard(seq, seq / 100) for seq in range(600))], now(6.0))
    keeper.close()
    samples = entries(path, "D")
    # 2027-01-15T18:00:00Z is 1800036000 s after 1970 (GNU date)
    assert [entry.utc_us for entry in samples] == [1_800_036_000_000_000 + n * 1_000_000 for n in range(600)]


def test_a_reused_boot_number_gets_a_boot_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    keeper = keeper_at(path)
    keeper.keep([Heard(IDENTITY, 1, 1.0), heard(0, 1.0), heard(1, 2.0)], now(2.0))
    keeper.keep([Heard(IDENTITY, 2, 5.0), heard(0, 5.0, life=2)], now(5.0))
    keeper.close()
    samples = entries(path, "D")
    assert [entry.seq for entry in samples] == [0, 1, 0]
    assert samples[0].boot_id == samples[1].boot_id != samples[2].boot_id
    assert [entry.rig_us for entry in samples] == sorted({entry.rig_us for entry in samples})


def test_a_batch_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    keeper = keeper_at(path)
    keeper.keep([Heard(IDENTITY, 1, 1.0), heard(0, 1.0)], now(1.0))
    with pytest.raises(
        JournalError
    ):  # a sample that is there already: the conversation would not let it through
        keeper.keep([heard(1, 2.0), heard(2, 3.0), heard(0, 4.0)], now(4.0))
    keeper.close()
    assert [entry.seq for entry in entries(path, "D")] == [0]


def test_the_place_of_a_boot_on_the_axis_is_written_before_its_samples(tmp_path: Path) -> None:
    keeper = keeper_at(tmp_path / "a.journal")
    keeper.keep([Heard(IDENTITY, 1, 1.0), heard(3, 1.0)], now(1.0))
    keeper.close()
    with JournalReader(tmp_path / "a.journal") as reader:
        [boot] = reader.boots().values()
    assert boot.anchor == Stamp(-3_000_000, UTC_us + 1_000_000 - 3_000_000)


def test_rig_time_goes_on_over_a_restart_after_the_uptime_has_wrapped(tmp_path: Path) -> None:
    def old(seq: int, at_s: float) -> Heard:
        return Heard(Sample(7, seq, (2**32 - 2000 + 1000 * seq) % 2**32, (seq,)), 1, at_s)

    path = tmp_path / "a.journal"
    keeper = keeper_at(path)
    keeper.keep([Heard(IDENTITY, 1, 1.0), *(old(seq, 1.0 + seq) for seq in range(4))], now(4.0))
    keeper.close()
    keeper = keeper_at(path)
    keeper.keep([Heard(IDENTITY, 1, 5.0, resumed=True), old(4, 5.0), old(5, 6.0)], now(6.0))
    keeper.close()
    samples = entries(path, "D")
    assert {later.rig_us - earlier.rig_us for earlier, later in pairwise(samples)} == {1_000_000}


def test_on_a_full_disk_everything_is_held_and_stored_as_if_nothing_had_been(tmp_path: Path) -> None:
    """The database is told to grow no further, which is what it says of a full disk, too (SQLITE_FULL)."""
    second = replace(IDENTITY, boot=8)
    batches = [
        ([Heard(IDENTITY, 1, 10.0), heard(0, 10.0), heard(1, 11.0)], now(11.5)),
        ([heard(n, 10.0 + n) for n in range(2, 400)], now(410.0)),
        ([Gap(7, 400, 402, "overwritten in the rig", 1), heard(403, 413.0)], now(414.0, wall_step_us=DAY_us)),
        ([Heard(second, 2, 420.0), heard(0, 420.0, life=2, boot=8)], now(421.0, wall_step_us=DAY_us)),
        ([Heard(replace(second, period_ms=500), 2, 421.0, resumed=True), heard(1, 421.5, 2, 8)], now(422.0)),
    ]
    free, full = tmp_path / "free.journal", tmp_path / "full.journal"
    undisturbed = keeper_at(free)
    safe = [undisturbed.keep(items, at) for items, at in batches]
    undisturbed.close()
    journal = Journal.open(full)
    keeper = Keeper(journal, RigSettings())
    assert keeper.keep(*batches[0]) == safe[0]
    [[pages]] = journal._connection.execute("PRAGMA page_count")
    journal._connection.execute(f"PRAGMA max_page_count = {pages}")
    for items, at in batches[1:4]:
        with pytest.raises(JournalBlockedError, match="full"):
            keeper.keep(items, at)
    assert keeper.waiting > 400
    assert keeper.forget_older_than(0.0001) == 0  # that takes room, too
    with pytest.raises(JournalBlockedError):
        keeper.keep([], now(421.5))
    journal._connection.execute("PRAGMA max_page_count = 1000000")
    assert keeper.keep(*batches[4]) == safe[-1]
    assert keeper.waiting == 0
    keeper.close()
    # stamps, boots and order are those of the arrival; the clock's notes come at the end of what was written together
    for kinds in ("IDEG", "C"):
        assert [e[1:] for e in entries(full, kinds)] == [e[1:] for e in entries(free, kinds)]
    with JournalReader(full) as one, JournalReader(free) as other:
        assert [replace(b, first_entry=0) for b in one.boots().values()] == [
            replace(b, first_entry=0) for b in other.boots().values()
        ]
