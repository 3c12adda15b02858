"""The live analysis while nothing comes in: it says so, and it doesn't follow a journal that is gone."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest

from analysis import live_command, service
from analysis.register import RegisterReader
from analysis.watcher import Watcher
from logger.clock import Stamp, us_from_utc, utc_now
from logger.errors import PlainError
from logger.journal import Entry, Journal
from logger.journal_reader import JournalReader
from logger.settings import default_settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PERIOD_ms = 20


class Seen:
    """What a person would have been shown."""

    def __init__(self) -> None:
        self.findings: list[dict[str, Any]] = []
        self.silence_s: list[float | None] = []
        self.silent = asyncio.Event()
        self.back = asyncio.Event()
        self.told = asyncio.Event()

    def tell(self, said: dict[str, Any]) -> None:
        self.findings.append(said)
        self.told.set()

    def silence(self, seconds: float | None) -> None:
        self.silence_s.append(seconds)
        (self.back if seconds is None else self.silent).set()


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "POLL_s", 0.005)
    monkeypatch.setattr(service, "WRITE_s", 0.01)
    monkeypatch.setattr(service, "SILENCE_s", 0.1)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "bay.journal") as opened:
        yield opened


def append(journal: Journal, first: int, count: int, period_ms: int = PERIOD_ms) -> None:
    boot = journal.note_boot(
        boot=1, rig="r", firmware="v", period_ms=period_ms, channels=("a.pressure",), resumed=first > 0
    )
    if first == 0:
        journal.anchor_boot(boot.id, Stamp(0, 0))
    # labels of now: an old one would mean that the rig has been silent since
    now_us = us_from_utc(utc_now())
    journal.append(
        [Entry(0, "D", boot.id, n, n * 20_000, now_us, str(12_000 + n)) for n in range(first, first + count)]
    )


def start(reader: JournalReader, seen: Seen) -> tuple[asyncio.Event, Any]:
    stop = asyncio.Event()
    watcher = Watcher(reader, default_settings(), RegisterReader(reader.path))
    served = service.Service(None, reader.path, findings_file=None, until_idle=None, view=seen, look=True)
    return stop, asyncio.create_task(served._watch(watcher, stop, []))


async def test_silence_is_told_and_its_end_too(journal: Journal) -> None:
    append(journal, 0, 10)
    seen = Seen()
    with JournalReader(journal.path) as reader:
        stop, task = start(reader, seen)
        await asyncio.wait_for(seen.silent.wait(), 10)
        first = next(s for s in seen.silence_s if s is not None)
        # not before its time: the limit set above, and three periods of 20 ms are less
        assert first > 0.1
        seen.back.clear()
        append(journal, 10, 10)
        await asyncio.wait_for(seen.back.wait(), 10)
        stop.set()
        await asyncio.wait_for(task, 10)
    assert seen.findings


async def test_a_slow_rig_is_not_silent_between_two_samples(journal: Journal) -> None:
    append(journal, 0, 10, period_ms=60_000)
    seen = Seen()
    with JournalReader(journal.path) as reader:
        stop, task = start(reader, seen)
        await asyncio.wait_for(seen.back.wait(), 10)
        await asyncio.sleep(0.2)  # twice the limit: nothing to wait for is the point
        stop.set()
        await asyncio.wait_for(task, 10)
    assert set(seen.silence_s) == {None}


@pytest.mark.parametrize("replaced", [False, True])
async def test_a_journal_that_is_taken_away_is_an_error(journal: Journal, replaced: bool) -> None:
    append(journal, 0, 10)
    seen = Seen()
    with JournalReader(journal.path) as reader:
        _, task = start(reader, seen)
        await asyncio.wait_for(seen.told.wait(), 10)
        journal.path.rename(journal.path.with_name("elsewhere"))
        if replaced:
            journal.path.write_bytes(b"")
        with pytest.raises(PlainError, match="taken away or replaced"):
            await asyncio.wait_for(task, 10)


def test_the_log_says_silence_once_and_its_end_once(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    changes = live_command._Changes()
    for seconds in (None, None, 31.0, 31.1, 31.2, None, None):
        changes.silence(seconds)
    assert [(r.levelname, r.getMessage()) for r in caplog.records] == [
        ("WARNING", "NO READINGS for 31 s: are logger and rig running?"),
        ("INFO", "readings come in again"),
    ]
