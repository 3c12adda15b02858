"""Journals whose axis an event has spoilt: as the logger of before wrote them, put right as they are read."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from test_time_axis import Host, TrueRig, backlog_with, off, rows, told

import logger.keeper
from analysis.commands import main
from analysis.export import export_recording
from analysis.recording import read_recording
from logger.clock import HostTime, Stamp
from logger.journal import Entry, Journal, JournalError
from logger.journal_reader import JournalReader
from logger.keeper import Keeper
from logger.rig_clock import RigClock, unwrap_ms
from logger.settings import RigSettings

if TYPE_CHECKING:
    from pathlib import Path

    from logger.protocol import RigEvent


class OldClock(RigClock):
    """Stamps an event as if it were a sample, and never goes back behind it."""

    def stamp(self, uptime_ms: int, now: HostTime, seq: int | None) -> Stamp:  # type: ignore[override]
        self._watch_wall(now)
        self._uptime_ms = unwrap_ms(uptime_ms, self._uptime_ms)
        uptime_us = self._uptime_ms * 1000
        taken_us = now.monotonic_us if seq is None else self._taken_us(seq, now)
        if seq is None or seq > self._backlog_end or self._delay.value_us is None:
            self._delay.feed(taken_us - uptime_us, now.monotonic_us)
        taken_us = uptime_us + (self._delay.value_us or 0)
        wall_us = taken_us + now.utc_us - now.monotonic_us
        if self._anchor is None:
            rig_us = self._continue_axis(taken_us, wall_us)
            self._anchor = Stamp(rig_us - uptime_us, self._label(rig_us, wall_us) - uptime_us)
        rig_us = self._anchor.rig_us + uptime_us
        if self._newest is not None:
            rig_us = max(rig_us, self._newest.rig_us + 1)
        self._newest, self._newest_monotonic_us = Stamp(rig_us, self._label(rig_us, wall_us)), taken_us
        return self._newest

    def stamp_event(self, uptime_ms: int, now: HostTime) -> Stamp:
        return self.stamp(uptime_ms, now, None)


def _old_event(self: Keeper, event: RigEvent, life: int, at: HostTime) -> Entry:
    record = self._boots[life]
    stamp = self._clock.stamp_event(event.uptime_ms, at)
    self._anchor(life, record)
    body = f'{{"code":"{event.code}","text":"{event.text}"}}'
    return Entry(0, "E", record.id, None, stamp.rig_us, stamp.utc_us, body)


@pytest.fixture
def before(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """The logger is that of before, until `undo`."""
    monkeypatch.setattr(logger.keeper, "RigClock", OldClock)
    monkeypatch.setattr(Keeper, "_event", _old_event)
    return monkeypatch


def spoilt(path: Path) -> int:
    """How many samples stand at another place than the rig took them at, as stored; the rig takes one a second."""
    with closing(sqlite3.connect(path)) as connection:
        stored = connection.execute("SELECT seq, rig_us FROM entries WHERE kind = 'D' ORDER BY id").fetchall()
    last_seq, last_us = stored[-1]
    return sum(rig_us != last_us - (last_seq - seq) * 1_000_000 for seq, rig_us in stored)


def test_an_hour_that_an_event_pushed_together_is_put_right(
    before: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    host = backlog_with(tmp_path, 0)
    before.undo()
    assert spoilt(host.path) == 2400
    assert off(host.path, host.rig) == 0
    with JournalReader(host.path) as reader:
        export_recording(reader, tmp_path / "out.csv")
    assert set(pairwise_s(tmp_path / "out.csv")) == {1.0}


def pairwise_s(recording: Path) -> list[float]:
    return [round(b - a, 6) for a, b in pairwise(read_recording(recording).time_s.tolist())]


@pytest.mark.parametrize(
    "ago_ms",
    [
        pytest.param((1, 0), id="two of now"),
        pytest.param((0, 300_000), id="a late one behind it"),
        pytest.param((300_000, 0), id="a late one before it"),
        pytest.param((200_000, 100_000, 0), id="each later than the one before"),
        pytest.param((0, 550_000), id="one that is older than the samples"),
    ],
)
@pytest.mark.parametrize("first_uptime_ms", [0, 2**32 - 300_000])
def test_several_events_in_any_order(
    before: pytest.MonkeyPatch, tmp_path: Path, ago_ms: tuple[int, ...], first_uptime_ms: int
) -> None:
    host = backlog_with(tmp_path, *ago_ms, held=600, rig=TrueRig(first_uptime_ms=first_uptime_ms))
    before.undo()
    assert spoilt(host.path) > 90
    assert off(host.path, host.rig) == 0
    whole = rows(host.path, "DE")
    begin_us = whole[0].rig_us - 1000 * host.rig.true_ms[7, 0]
    events = [entry for entry in whole if entry.kind == "E"]
    came_ms = host.rig.true_ms[7, 617]
    assert [event.rig_us - begin_us for event in events] == [1000 * (came_ms - ago) for ago in ago_ms]


def test_wherever_reading_begins_it_reads_the_same(before: pytest.MonkeyPatch, tmp_path: Path) -> None:
    host = backlog_with(tmp_path, 0, 30_000, held=90)
    before.undo()
    whole = rows(host.path, "IDEGC")
    for cursor in range(len(whole)):
        for portion in (1, 7, 500):
            with JournalReader(host.path, cursor) as reader:
                entries: list[Entry] = []
                while some := reader.read(portion):
                    entries += some
            assert entries == whole[cursor:]
    with JournalReader(host.path) as reader:
        for entry in whole:
            if entry.kind in "DE":
                assert reader.newest(entry.kind, up_to=entry.id) == entry
        # the place of a moment is found, or one before it
        for entry in whole:
            if entry.kind == "D":
                reader.seek(entry.rig_us)
                assert reader.cursor < entry.id


def test_an_event_before_the_first_sample_of_an_hour(before: pytest.MonkeyPatch, tmp_path: Path) -> None:
    rig = TrueRig()
    for _ in range(3600):
        rig.take()
    host = Host(tmp_path / "a.journal", rig)
    host.hear(rig.event(), *rig.say())
    for _ in range(10):
        rig.take()
        host.hear(*rig.say())
    host.finish()
    before.undo()
    assert spoilt(host.path) == 3600
    assert off(host.path, rig) == 0


def test_a_late_event_that_moved_the_labels_too(before: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The old clock took the event's delay for that of the line: the labels behind it are late by as much."""
    host = Host(tmp_path / "a.journal", TrueRig())
    for what, size in (
        ("live", 30),
        ("away", 300),
        ("live", 10),
        ("away", 300),
        ("identity", 0),
        ("event", 20_000),
        ("away", 700),
        ("live", 14),
    ):
        told(host, what, size, {})
    host.finish()
    before.undo()
    labels = [entry.utc_us - 1000 * host.rig.true_ms[7, entry.seq or 0] for entry in rows(host.path)]
    assert max(labels) - min(labels) == 20_000_000
    assert spoilt(host.path) > 250
    assert off(host.path, host.rig) == 0


def test_the_logger_goes_on_from_the_true_time_of_a_spoilt_end(
    before: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    rig = TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    for _ in range(600):
        rig.take()
    host.conversation.opened(host.now_s)
    host.settle()
    host.hear(*rig.say(200), rig.event(), *rig.say(200))
    before.undo()
    host.kill()
    for _ in range(5):
        rig.take()
        host.hear(*rig.say())
    host.finish()
    assert off(host.path, rig) == 0
    assert rows(host.path, "C") == []  # nothing went back


def test_with_the_rig_s_own_clock_samples_are_counted(before: pytest.MonkeyPatch, tmp_path: Path) -> None:
    rig = TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    host.keeper.close()
    host.keeper = Keeper(Journal.open(host.path), RigSettings(clock="rig"))
    for _ in range(600):
        rig.take()
    host.conversation.opened(host.now_s)
    host.settle()
    host.hear(*rig.say(200), rig.event(), *rig.say())
    for _ in range(5):
        rig.take()
        host.hear(*rig.say())
    host.finish()
    before.undo()
    assert spoilt(host.path) == 400
    assert off(host.path, rig) == 0


def test_a_clock_that_was_set_in_that_stretch_is_refused(
    before: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    for _ in range(600):
        rig.take()
    host.conversation.opened(host.now_s)
    host.settle()
    host.hear(*rig.say(200), rig.event(), *rig.say(200))
    host.wall_us += 60_000_000
    host.finish()
    before.undo()
    with pytest.raises(
        JournalError, match=r"an event of the rig \(entry \d+\) has moved the samples behind it"
    ):
        rows(host.path)
    capsys.readouterr()
    with pytest.raises(SystemExit, match="1"):
        main(["export", "--journal", str(host.path), "-o", str(tmp_path / "out.csv")])
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "has moved the samples behind it" in said
    assert not (tmp_path / "out.csv").exists()


def test_a_sound_journal_is_read_as_it_was_written(tmp_path: Path) -> None:
    host = backlog_with(tmp_path, 0, 300_000, held=600)
    with closing(sqlite3.connect(host.path)) as connection:
        stored = connection.execute("SELECT id, rig_us FROM entries ORDER BY id").fetchall()
    assert [(entry.id, entry.rig_us) for entry in rows(host.path, "IDEGC")] == stored
