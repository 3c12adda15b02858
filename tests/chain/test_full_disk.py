"""A disk that is full: the true cause with its file, once, and whoever is there stays there."""

from __future__ import annotations

import errno
import logging
import resource
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import pytest
from broker import Broker, Subscriber
from test_mqtt import LEAK, PACE, append, entries, journal, mqtt_of, running, until

from analysis.alarm_store import AlarmStore
from analysis.database import DatabaseError
from analysis.publisher import Publisher
from logger.cursor_file import CursorFile
from logger.delivery_settings import InfluxSettings
from logger.files import whole_file
from logger.influx import InfluxPace, Mirror
from logger.mirror_state import READINGS, MirrorState, StateFile, state_path
from logger.readings_mirror import ReadingsMirror, cursor_path

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logger.journal import Journal

__all__ = ["journal"]
FULL = "No space left on device"


@contextmanager
def full_disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Small files are written to where the kernel says of each write that the disk is full, whoever runs this."""

    @contextmanager
    def opened(_part: Path, *, durable: bool = True) -> Iterator[IO[str]]:
        with Path("/dev/full").open("w", encoding="utf-8") as file:
            yield file
            file.flush()
            assert not durable, "nothing can be written to a full disk"

    with monkeypatch.context() as patch:
        patch.setattr("logger.files._opened", opened)
        yield


def warnings(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]


async def test_the_readings_go_on_and_the_presence_is_steady(
    broker: Broker, journal: Journal, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    cursor = cursor_path(journal.path)
    append(journal, range(10))
    with Subscriber(broker, ("shop/bay_2/#",)) as subscriber:
        async with running(ReadingsMirror(mqtt_of(broker.settings()), journal.path, "bay 2", PACE).run()):
            with full_disk(monkeypatch):
                append(journal, range(10, 20))
                await until(lambda: bool(warnings(caplog)), "the cause")
                for number in range(20, 40, 10):
                    append(journal, range(number, number + 10))
                    await until(lambda number=number: number + 10 in entries(subscriber), "more readings")
            append(journal, range(40, 50))
            await until(lambda: CursorFile(cursor).load(50) == 50, "the cursor")
        await until(lambda: subscriber.of("/presence/logger")[-1] == "offline", "the end")
        assert subscriber.of("/presence/logger") == ["online", "offline"]
        assert entries(subscriber) == list(range(1, 51))
    [cause] = warnings(caplog)
    assert cause.startswith(f"{cursor}: {FULL}")
    assert "no broker" not in caplog.text


async def test_the_end_is_in_order_on_a_full_disk(
    broker: Broker, journal: Journal, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    append(journal, range(10))
    with full_disk(monkeypatch), Subscriber(broker, ("shop/bay_2/#",)) as subscriber:
        async with running(ReadingsMirror(mqtt_of(broker.settings()), journal.path, "bay 2", PACE).run()):
            await until(lambda: bool(entries(subscriber)), "readings")
        await until(lambda: subscriber.of("/presence/logger")[-1] == "offline", "the end")
    assert len(warnings(caplog)) == 1


async def test_an_outbox_that_can_not_be_emptied_sends_nothing_twice(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    with AlarmStore.open(tmp_path / "bay.journal", rig="bay-2", publishing=True) as store:
        tries: list[int] = []

        def full(number: int) -> None:
            tries.append(number)
            raise DatabaseError(
                tmp_path / "bay.journal.alarms", "nothing was written: database or disk is full"
            )

        publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
        with Subscriber(broker, ("shop/bay-2/#",)) as subscriber:
            async with running(publisher.run()):
                with monkeypatch.context() as patch:
                    patch.setattr(store, "published", full)
                    for state in ("raised", "acknowledged"):
                        if state == "raised":
                            store.reconcile(1, [LEAK], lambda _: ("front_left leaks.", {}), complete=True)
                        else:
                            store.acknowledge(None, None, None)
                        publisher.changed()
                        await until(lambda state=state: state in "".join(subscriber.of("/leak")[-1:]), state)
                    await until(lambda: bool(tries), "a try to empty it")
                publisher.changed(store.close_soaks(None))
                await until(lambda: not store.outbox(), "the outbox")
            await until(lambda: subscriber.of("/presence/analysis")[-1] == "offline", "the end")
            assert subscriber.of("/presence/analysis") == ["online", "offline"]
            assert len(subscriber.of("alarms/front_left/leak")) == 3
    assert ["bay.journal.alarms: nothing was written" in line for line in warnings(caplog)] == [True]


class Idle:
    """A source with nothing to carry."""

    async def open(self, state: MirrorState) -> MirrorState:
        return state

    async def next(self, _state: MirrorState) -> None:
        return None

    async def done(self, _portion: object) -> None:
        return None

    def waiting(self) -> int:
        # another state each time, so that it is to be kept each time
        self.number = getattr(self, "number", 0) + 1
        return self.number

    def close(self) -> None:
        return None


async def test_the_mirror_of_influxdb_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    path = state_path(tmp_path / "bay.journal", READINGS)
    source: Any = Idle()
    pace = InfluxPace(poll_s=0.001, save_s=0.0)
    mirror = Mirror(InfluxSettings(token="t"), source, StateFile(tmp_path / "bay.journal", READINGS), pace)  # noqa: S106
    with full_disk(monkeypatch):
        async with running(mirror.keep()):
            await until(lambda: getattr(source, "number", 0) > 20, "many tries")
    [cause] = warnings(caplog)
    assert cause.startswith(f"{path}: {FULL}")


@contextmanager
def small_files(size: int) -> Iterator[None]:
    """The system refuses to make files larger than this."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_recording_that_finds_no_room_names_its_file(tmp_path: Path) -> None:
    target = tmp_path / "night.csv"
    target.write_text("before")
    with small_files(4096), pytest.raises(OSError, match="too large") as refused, whole_file(target) as file:
        file.write("x" * 100_000)
    assert (refused.value.errno, refused.value.filename) == (errno.EFBIG, str(target))
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("night.csv", "before")]


def test_another_file_s_trouble_keeps_its_name(tmp_path: Path) -> None:
    missing = tmp_path / "nowhere.journal"
    with pytest.raises(FileNotFoundError) as refused, whole_file(tmp_path / "night.csv"):
        missing.read_text()
    assert refused.value.filename == str(missing)
    with pytest.raises(FileNotFoundError) as refused, whole_file(tmp_path / "no folder" / "night.csv"):
        pass
    assert refused.value.filename == str(tmp_path / "no folder" / "night.csv")
