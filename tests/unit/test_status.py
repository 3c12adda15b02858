"""Are readings coming in? Told from a journal, by the newest label or by watching."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

import pytest

from logger.clock import host_now
from logger.journal import Entry, Journal, JournalError
from logger.status import read_status

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "a.journal") as opened:
        opened.note_boot(
            boot=7, rig="bay-2", firmware="1", period_ms=1000, channels=("a.pressure",), resumed=False
        )
        yield opened


def sample(seq: int, age_s: float) -> Entry:
    return Entry(0, "D", 1, seq, seq * 1_000_000, host_now().utc_us - round(age_s * 1e6), "1")


def test_a_fresh_sample_is_enough(journal: Journal) -> None:
    journal.append([sample(12, age_s=2.0)])
    begin_s = time.monotonic()
    status = read_status(journal.path)
    assert status.readings_come_in
    assert (status.rig, status.boot, status.seq) == ("bay-2", 7, 12)
    assert status.age_s == pytest.approx(2.0, abs=1.0)
    assert status.sentence.startswith("readings come in from bay-2: sample 12 of 20")
    assert time.monotonic() - begin_s < 30.0


@pytest.mark.parametrize("age_s", [120.0, -86_400.0])
def test_an_old_label_or_one_of_the_future_is_no_proof(journal: Journal, age_s: float) -> None:
    journal.append([sample(12, age_s)])
    status = read_status(journal.path, patience_s=0.3)
    assert not status.readings_come_in
    assert status.sentence.startswith("NO readings from bay-2: the newest is sample 12 of ")
    assert status.sentence.endswith("ago" if age_s > 0 else "ahead of the clock")


def test_a_sample_that_comes_while_we_watch_is_proof_whatever_its_label(journal: Journal) -> None:
    journal.append([sample(12, age_s=86_400.0)])
    writer = threading.Timer(0.2, lambda: journal.append([sample(13, age_s=86_000.0)]))
    writer.start()
    status = read_status(journal.path, patience_s=30.0)
    writer.join()
    assert status.readings_come_in
    assert status.seq == 13


def test_a_slow_rig_may_take_three_periods(journal: Journal) -> None:
    journal.note_boot(
        boot=8, rig="bay-2", firmware="1", period_ms=60_000, channels=("a.pressure",), resumed=False
    )
    journal.append([sample(12, age_s=150.0)])
    assert read_status(journal.path, patience_s=0.3).readings_come_in


def test_no_sample_and_no_journal(journal: Journal, tmp_path: Path) -> None:
    status = read_status(journal.path, patience_s=0.1)
    assert not status.readings_come_in
    assert "holds no sample yet" in status.sentence
    with pytest.raises(JournalError, match="there is no such journal"):
        read_status(tmp_path / "other.journal")
