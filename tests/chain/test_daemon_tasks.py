"""The daemon in this process on a real pseudo-terminal: dying tasks, a silent rig, a clock that jumps."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from pty_rig import Faults, PtyRig
from rig_model import RingRig

from logger.clock import HostTime, host_now
from logger.conversation import Limits
from logger.daemon import TASKS, Daemon, Pace, TaskEndedError
from logger.journal import JournalBlockedError, JournalError
from logger.port import Port, PortBusyError
from logger.protocol import Reason
from logger.settings import default_settings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from logger.settings import Settings

QUICK = Pace(tick_s=0.02, between_commits_s=0.02, silence_s=0.6, report_s=0.1)
QUICK_LIMITS = Limits(probe_s=0.2, ask_s=0.1)


def settings_for(rig: PtyRig) -> Settings:
    settings = default_settings()
    return replace(settings, rig=replace(settings.rig, port=str(rig.path)))


async def until(condition: Callable[[], bool], patience_s: float = 120.0) -> None:
    async with asyncio.timeout(patience_s):
        while not condition():  # noqa: ASYNC110  a rig in another thread has no event of this loop
            await asyncio.sleep(0.005)


@asynccontextmanager
async def running(daemon: Daemon) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(daemon.run(), name="daemon")
    try:
        yield task
    finally:
        daemon.stop()
        if not task.done():
            await asyncio.wait_for(task, 20.0)


def rows(path: Path, kind: str) -> list[tuple[int, int, int, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(
            "SELECT seq, rig_us, utc_us, body FROM entries WHERE kind = ? ORDER BY id", (kind,)
        ).fetchall()


@pytest.mark.parametrize("name", TASKS)
@pytest.mark.parametrize("way", ["cancelled", "returns", "raises"])
async def test_the_death_of_any_task_ends_the_daemon_with_an_error(
    tmp_path: Path, name: str, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with PtyRig(tmp_path) as rig:
        daemon = Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK)
        if way != "cancelled":
            deadly = asyncio.Event()
            bodies = {
                "link": "_keep_link",
                "records": "_hear_records",
                "commands": "_send_commands",
                "journal": "_commit_items",
                "watch": "_watch",
            }
            body = getattr(daemon, bodies[name])

            async def mortal() -> None:
                living = asyncio.create_task(body(), name="living")
                await deadly.wait()
                living.cancel()
                await asyncio.wait([living])
                if way == "raises":
                    raise ZeroDivisionError

            monkeypatch.setattr(daemon, bodies[name], mortal)
        run = asyncio.create_task(daemon.run(), name="daemon")
        await until(lambda: rig.acknowledged >= 10)
        if way == "cancelled":
            next(task for task in asyncio.all_tasks() if task.get_name() == name).cancel()
        else:
            deadly.set()
        with pytest.raises(ZeroDivisionError if way == "raises" else TaskEndedError):
            await asyncio.wait_for(run, 20.0)
        # port and journal have been given back
        Port(str(rig.path)).close()
        again = Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK)
        acknowledged = rig.acknowledged
        async with running(again):
            await until(lambda: rig.acknowledged >= acknowledged + 10)
    assert [seq for seq, *_ in rows(tmp_path / "a.journal", "D")][: rig.acknowledged + 1] == list(
        range(rig.acknowledged + 1)
    )


async def test_a_failing_reader_thread_ends_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with PtyRig(tmp_path) as rig:
        daemon = Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK)
        run = asyncio.create_task(daemon.run())
        await until(lambda: rig.acknowledged >= 10)

        def broken(*_: object) -> bytes:
            raise ZeroDivisionError

        monkeypatch.setattr(Port, "read", broken)
        with pytest.raises(ZeroDivisionError):
            await asyncio.wait_for(run, 20.0)


async def test_a_journal_that_can_not_be_written_ends_the_daemon_and_nothing_is_acknowledged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.journal"
    with PtyRig(tmp_path) as rig:
        daemon = Daemon(settings_for(rig), path, pace=QUICK)
        run = asyncio.create_task(daemon.run())
        await until(lambda: rig.acknowledged >= 10)

        def full(*_: object) -> None:
            raise JournalError(path, "nothing was written: database or disk is full")

        monkeypatch.setattr("logger.journal.Journal.append", full)
        with pytest.raises(JournalError, match="disk is full"):
            await asyncio.wait_for(run, 20.0)
        stored = [seq for seq, *_ in rows(path, "D")]
        assert rig.acknowledged <= stored[-1]


async def test_a_journal_that_fails_at_the_very_end_is_an_error_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.journal"
    with PtyRig(tmp_path) as rig:
        # no commit before the end
        daemon = Daemon(settings_for(rig), path, pace=replace(QUICK, between_commits_s=3600.0))
        run = asyncio.create_task(daemon.run())
        await until(lambda: daemon._conversation.items_waiting > 20)

        def full(*_: object) -> None:
            raise JournalError(path, "nothing was written: database or disk is full")

        monkeypatch.setattr("logger.journal.Journal.append", full)
        daemon.stop()
        with pytest.raises(JournalError, match="disk is full"):
            await asyncio.wait_for(run, 20.0)
        stored = [seq for seq, *_ in rows(path, "D")]
        assert rig.acknowledged <= max(stored, default=-1)


async def test_a_port_in_use_is_refused_at_the_start(tmp_path: Path) -> None:
    with PtyRig(tmp_path) as rig:
        held = Port(str(rig.path))
        with pytest.raises(PortBusyError):
            await Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK).run()
        held.close()


async def test_a_rig_that_falls_silent_is_opened_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    with PtyRig(tmp_path) as rig:
        daemon = Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK, limits=QUICK_LIMITS)
        async with running(daemon):
            await until(lambda: rig.acknowledged >= 10)
            rig.faults.silent = True
            await until(lambda: daemon._sessions >= 3)
            rig.faults.silent = False
            acknowledged = rig.acknowledged
            await until(lambda: rig.acknowledged >= acknowledged + 100)
    assert [seq for seq, *_ in rows(tmp_path / "a.journal", "D")][:100] == list(range(100))
    warnings = [record.message for record in caplog.records if record.levelname == "WARNING"]
    assert len(warnings) == 1
    assert "no valid line for" in warnings[0]
    assert any("the rig talks again, after" in record.message for record in caplog.records)


async def test_a_slow_rig_is_not_taken_for_a_silent_one(tmp_path: Path) -> None:
    with PtyRig(tmp_path, period_s=3600.0) as rig:
        daemon = Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK, limits=QUICK_LIMITS)
        async with running(daemon):
            await until(lambda: len(rig.heard) >= 15)  # asked again and again whether it lives
        assert daemon._sessions == 1


async def test_a_wall_clock_that_steps_by_a_day_changes_no_interval(tmp_path: Path) -> None:
    step_us = 0

    def clock() -> HostTime:
        now = host_now()
        return HostTime(now.monotonic_us, now.utc_us + step_us)

    with PtyRig(tmp_path, rig=RingRig(period_ms=10)) as rig:
        daemon = Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK, clock=clock)
        async with running(daemon):
            for step_us in (0, 86_400_000_000, -86_400_000_000):  # noqa: B007  the clock above reads it
                acknowledged = rig.acknowledged
                await until(lambda: rig.acknowledged >= acknowledged + 30)  # noqa: B023  awaited in the loop
    samples = rows(tmp_path / "a.journal", "D")
    assert {later[1] - earlier[1] for earlier, later in pairwise(samples)} == {10_000}
    labels_us = [utc_us for _, _, utc_us, _ in samples]
    assert max(labels_us) - min(labels_us) > 86_400_000_000
    notes = [json.loads(body) for *_, body in rows(tmp_path / "a.journal", "C")]
    assert [round(note["seconds"] / 86_400) for note in notes] == [1, -2]


async def test_corrupt_lines_are_counted_and_reported_but_not_each(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    with PtyRig(tmp_path, faults=Faults(corrupt=0.3), period_s=0.002) as rig:
        daemon = Daemon(settings_for(rig), tmp_path / "a.journal", pace=replace(QUICK, report_s=3600.0))
        async with running(daemon):
            await until(lambda: rig.acknowledged >= 200)
    assert daemon._faults.total() > 20
    assert not [record for record in caplog.records if record.levelname == "WARNING"]
    [report] = [record.message for record in caplog.records if "line faults" in record.message]
    assert f"crc: {daemon._faults[Reason.CRC]}" in report


async def test_old_entries_are_let_go(tmp_path: Path) -> None:
    settings: Settings
    with PtyRig(tmp_path) as rig:
        settings = settings_for(rig)
        # 0.5 s of rig time, with samples 10 ms apart
        settings = replace(settings, journal=replace(settings.journal, keep_days=0.5 / 86_400))
        daemon = Daemon(settings, tmp_path / "a.journal", pace=QUICK)
        async with running(daemon):
            await until(lambda: rig.acknowledged >= 200)
            await until(
                lambda: not rows(tmp_path / "a.journal", "D") or rows(tmp_path / "a.journal", "D")[0][0] > 50
            )


async def test_with_many_items_waiting_no_more_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.daemon._MANY_ITEMS", 20)
    slow = asyncio.Event()
    with PtyRig(tmp_path, period_s=0.002) as rig:
        daemon = Daemon(settings_for(rig), tmp_path / "a.journal", pace=QUICK)
        commit = daemon._commit

        async def held_up() -> None:
            await slow.wait()
            await commit()

        monkeypatch.setattr(daemon, "_commit", held_up)
        async with running(daemon):
            await until(lambda: not daemon._room.is_set())
            waiting = daemon._conversation.items_waiting
            taken = rig.rig.next_seq
            await until(lambda: rig.rig.next_seq > taken + 200)
            # the reader stands still; what it had in hand may still have come through
            assert daemon._conversation.items_waiting <= waiting + 60
            slow.set()
            await until(lambda: rig.acknowledged > taken + 200)
    seqs = [seq for seq, *_ in rows(tmp_path / "a.journal", "D")]
    assert seqs == list(range(len(seqs)))


async def test_a_full_disk_is_told_once_and_is_no_standstill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    daemon = Daemon(default_settings(), tmp_path / "a.journal")

    def full(_items: object) -> None:
        raise JournalBlockedError(tmp_path / "a.journal", "nothing can be written: database or disk is full")

    monkeypatch.setattr(daemon, "_keep", full)
    monkeypatch.setattr(daemon._conversation, "take_items", lambda: ["something"])
    [stage] = [one for one in daemon.progress().stages if one.name == "journal"]
    done = [stage.look()[1]]
    for _ in range(3):
        await daemon._commit()
        done.append(stage.look()[1])
    assert len(set(done)) == 4, "each try is seen by the watchdog"
    assert daemon.status().startswith("NOTHING CAN BE WRITTEN")
    assert caplog.text.count("disk is full") == 1
    monkeypatch.setattr(daemon, "_keep", lambda _items: None)
    await daemon._commit()
    assert not daemon.status().startswith("NOTHING")
