"""At a real broker, seen by a subscriber that is not ours: readings, findings, alarms, acknowledgements, presence."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import logging
import os
import signal
from typing import TYPE_CHECKING, Any

import pytest
from broker import USERS, Broker, Subscriber, free_port, make_certificates
from logger_process import wait_for

from analysis.alarm_store import AlarmStore, Seen
from analysis.publisher import Publisher
from logger.clock import Stamp
from logger.cursor_file import CursorFile
from logger.errors import PlainError
from logger.journal import Entry, Journal
from logger.mqtt import MqttPace, Post, keep_session
from logger.readings_mirror import ReadingsMirror, cursor_path
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
    from pathlib import Path

    from logger.delivery_settings import MqttSettings

PACE = MqttPace(first_wait_s=0.1, longest_wait_s=0.5, timeout_s=2.0, keepalive_s=5)
LEAK = Seen("front_left", "leak", 100, None, "2027-01-16T02:10:00Z", None)


def mqtt_of(text: str) -> MqttSettings:
    found = settings_from_text(text).mqtt
    assert found is not None
    return found


async def until(condition: Callable[[], bool], what: str) -> None:
    """Wait beside the tasks of the test."""
    await asyncio.to_thread(wait_for, condition, what)


@contextlib.asynccontextmanager
async def running(body: Coroutine[Any, Any, None]) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(body)
    try:
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


# -- readings ------------------------------------------------------------------------------------------------


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "bay.journal", '[rig]\nname = "bay 2"\n') as opened:
        boot = opened.note_boot(
            boot=1, rig="bay 2", firmware="v", period_ms=1000, channels=("a.pressure",), resumed=False
        )
        opened.anchor_boot(boot.id, Stamp(0, 0))
        yield opened


def append(journal: Journal, numbers: range) -> None:
    journal.append([Entry(0, "D", 1, n, n * 1_000_000, n * 1_000_000, str(12_000 + n)) for n in numbers])


def entries(subscriber: Subscriber) -> list[int]:
    """The numbers of the samples that were heard, in order."""
    packs = [json.loads(text) for text in subscriber.of("/readings")]
    return [record["v"] for pack in packs for record in pack if record["n"] == "entry"]


async def test_a_broker_that_was_away_gets_every_reading_in_order(broker: Broker, journal: Journal) -> None:
    append(journal, range(250))
    mirror = ReadingsMirror(mqtt_of(broker.settings()), journal.path, "bay 2", PACE)
    with Subscriber(broker, ("shop/bay_2/readings",)) as before:
        async with running(mirror.run()):
            await until(lambda: len(entries(before)) >= 250, "the first readings")
            broker.kill()
            append(journal, range(250, 400))
            broker.start()
            with Subscriber(broker, ("shop/bay_2/readings",)) as after:
                append(journal, range(400, 450))
                await until(lambda: 450 in entries(after) or 450 in entries(before), "the last readings")
                second = entries(after)
    heard = entries(before) + second
    # at least once: what comes again is known by its number, and a first time is in order and complete
    assert list(dict.fromkeys(heard)) == sorted(set(heard))
    assert set(range(1, 251)) <= set(entries(before))
    assert CursorFile(cursor_path(journal.path)).load(450) == 450


async def test_a_socket_that_is_gone_before_it_is_watched_is_no_traceback(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    nobody = mqtt_of(f'[mqtt]\nhost = "127.0.0.1"\nport = {free_port()}\n')
    loop = asyncio.get_running_loop()
    reading, writing = os.pipe()
    os.close(reading)
    os.close(writing)
    async with running(ReadingsMirror(nobody, journal.path, "bay 2", PACE).run()):
        await until(lambda: loop.get_exception_handler() is not None, "a session is tried")
        # as the client library does it; epoll refuses the number
        loop.call_soon(loop.add_writer, writing, lambda: None)
        loop.call_soon(int, "something else")
        await until(lambda: "something else" in caplog.text, "what else goes wrong")
    told = [record.exc_info for record in caplog.records if record.name == "asyncio" and record.exc_info]
    assert [type(one[1]) for one in told if one] == [ValueError]


async def test_the_mirror_goes_on_where_it_was(broker: Broker, journal: Journal) -> None:
    mqtt = mqtt_of(broker.settings())
    append(journal, range(10))
    with Subscriber(broker, ("shop/bay_2/readings",)) as subscriber:
        async with running(ReadingsMirror(mqtt, journal.path, "bay 2", PACE).run()):
            await until(lambda: len(entries(subscriber)) >= 10, "the first readings")
        append(journal, range(10, 20))
        async with running(ReadingsMirror(mqtt, journal.path, "bay 2", PACE).run()):
            await until(lambda: len(entries(subscriber)) >= 20, "the others")
        assert entries(subscriber) == list(range(1, 21))


# -- alarms --------------------------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Iterator[AlarmStore]:
    with AlarmStore.open(tmp_path / "bay.journal", rig="bay-2", publishing=True) as opened:
        yield opened


def raise_leak(store: AlarmStore, publisher: Publisher) -> str:
    changes = store.reconcile(1, [LEAK], lambda _: ("front_left leaks.", {"reading": None}), complete=True)
    publisher.changed(changes)
    return store.name_of(changes.raised[0])


async def test_an_alarm_over_tls_is_raised_acknowledged_and_cleared(
    tls_broker: Broker, store: AlarmStore
) -> None:
    publisher = Publisher(mqtt_of(tls_broker.settings()), store, "bay-2", PACE)
    place = "shop/bay-2/alarms/front_left/leak"
    with Subscriber(tls_broker) as subscriber:
        async with running(publisher.run()):
            name = raise_leak(store, publisher)
            await until(lambda: len(subscriber.of("/leak")) == 1, "the alarm")
            answer = json.dumps({"alarm": name, "by": "Mara"})
            await asyncio.to_thread(tls_broker.publish, "shop/bay-2/acknowledge/front_left/leak", answer)
            await until(lambda: len(subscriber.of("alarms/front_left/leak")) == 2, "the acknowledged alarm")
            states = [json.loads(text) for text in subscriber.of("alarms/front_left/leak")]
            assert [(said["alarm"], said["state"]) for said in states] == [
                (name, "raised"),
                (name, "acknowledged"),
            ]
            kept = await asyncio.to_thread(tls_broker.retained, "shop/#")
            assert json.loads(kept[place])["acknowledged_by"] == "Mara"
            assert kept["shop/bay-2/presence/analysis"] == "online"
            publisher.changed(store.close_soaks(None))
            await until(lambda: subscriber.of("alarms/front_left/leak")[-1] == "", "the end of the alarm")
        kept = await asyncio.to_thread(tls_broker.retained, "shop/#")
        assert kept == {"shop/bay-2/presence/analysis": "offline"}


async def test_alarms_of_an_outage_are_delivered_afterwards_and_a_broker_that_forgot_is_reminded(
    broker: Broker, store: AlarmStore
) -> None:
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
    async with running(publisher.run()):
        with Subscriber(broker) as subscriber:
            first = raise_leak(store, publisher)
            await until(lambda: bool(subscriber.of("/leak")), "the first alarm")
        broker.kill()
        (broker.folder / "mosquitto.db").unlink(missing_ok=True)
        burst = Seen("rear_left", "burst", 200, None, "2027-01-16T02:20:00Z", None)
        publisher.changed(
            store.reconcile(
                1, [LEAK, burst], lambda _: ("rear_left bursts.", {"reading": None}), complete=True
            )
        )
        broker.start()
        with Subscriber(broker) as subscriber:
            await until(lambda: bool(subscriber.of("/burst")) and bool(subscriber.of("/leak")), "both alarms")
            assert json.loads(subscriber.of("/leak")[0])["alarm"] == first
            assert json.loads(subscriber.of("/burst")[0])["section"] == "rear_left"
            await until(lambda: not store.outbox(), "the confirmation")


async def test_an_alarm_of_a_journal_that_is_gone_is_taken_from_the_broker(
    broker: Broker, store: AlarmStore
) -> None:
    old = "shop/bay-2/alarms/rear_left/burst"
    broker.publish(old, '{"alarm": "00000000-1"}', "cornerhold", "--retain")
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
    raise_leak(store, publisher)
    with Subscriber(broker) as subscriber:
        async with running(publisher.run()):
            await until(lambda: subscriber.of("/burst")[-1:] == [""], "its end")
            # what stands stays, also when the broker shows it to the next session
            await until(lambda: bool(subscriber.of("/leak")), "the alarm that stands")
        async with running(Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE).run()):
            await until(lambda: len(subscriber.of("/leak")) == 2, "the alarm that stands, again")
        assert "" not in subscriber.of("/leak")
    kept = await asyncio.to_thread(broker.retained, "shop/bay-2/alarms/#")
    assert set(kept) == {"shop/bay-2/alarms/front_left/leak"}


BAD = [
    ("front_left/leak", "{", "malformed"),
    ("front_left/leak", "[1]", "malformed"),
    ("front_left/leak", '{"alarm": 7}', "malformed"),
    ("front_left/leak", "x" * 2000, "malformed"),
    ("front_left/leak", '{"alarm": "somebody-1"}', "of no standing alarm"),
    ("front_right/leak", "", "of no standing alarm"),
    ("front_left", "", "of no alarm's topic"),
    ("a/b/c/d", "", "of no alarm's topic"),
]


async def test_bad_acknowledgements_are_counted_and_ignored(broker: Broker, store: AlarmStore) -> None:
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
    broker.publish(
        "shop/bay-2/acknowledge/front_left/leak", '{"by": "a retained one"}', "foreman", "--retain"
    )
    async with running(publisher.run()) as task:
        await until(lambda: publisher.heard["retained"] == 1, "the retained one")
        raise_leak(store, publisher)
        for place, payload, _ in BAD:
            await asyncio.to_thread(broker.publish, f"shop/bay-2/acknowledge/{place}", payload)
        await until(lambda: publisher.heard.total() == 1 + len(BAD), "all of them")
        assert not task.done()
        assert store.standing()[0].state == "raised"
        await asyncio.to_thread(broker.publish, "shop/bay-2/acknowledge/front_left/leak", "")
        await until(lambda: publisher.heard["taken"] == 1, "the good one")
    reasons = [reason for *_, reason in BAD]
    assert dict(publisher.heard) == {reason: reasons.count(reason) for reason in reasons} | {
        "retained": 1,
        "taken": 1,
    }


# -- what can be wrong with a broker -------------------------------------------------------------------------


async def told(mqtt: MqttSettings, caplog: pytest.LogCaptureFixture, skip: str = "nothing") -> str:
    """The one line that is said of a broker."""

    async def work(_client: object) -> None:
        await asyncio.Event().wait()

    def lines() -> list[str]:
        said = [r.getMessage() for r in caplog.records if r.levelno >= logging.INFO]
        return [line for line in said if not line.startswith(skip)]

    caplog.set_level(logging.DEBUG)
    post = Post("probe", "shop/bay-2/presence/logger")
    async with running(keep_session(mqtt, post, work, MqttPace(0.05, 0.1, 10.0, 2.0, 5))):
        await until(lambda: bool(lines()), "a line")
        await asyncio.sleep(0.15)  # some more tries: they must say nothing new
    assert len(lines()) == 1
    assert not any(password in caplog.text for password in USERS.values())
    return lines()[0].removeprefix("no broker: ")


# the client library leaves sockets to the garbage when a handshake fails
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
async def test_each_trouble_has_its_own_line(
    broker: Broker, tls_broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    make_certificates(tls_broker.folder, "other")
    cases = [
        (
            broker.settings(password="wrong"),  # noqa: S106  not a real one
            "refuses us: user or password is wrong (mqtt.user, mqtt.password)",
        ),
        (
            broker.settings(user=None, password=None),
            "refuses whoever comes without user and password (mqtt.user)",
        ),
        (broker.settings(host="nowhere.invalid"), "there is no such host"),
        (broker.settings(tls=True), "broke off (a port without TLS? then mqtt.port is wrong)"),
        (tls_broker.settings(ca=None), "no answer (a port for TLS? then set mqtt.tls)"),
        (
            tls_broker.settings(ca=f"{tls_broker.folder}/other.pem"),
            "its certificate is not accepted (mqtt.ca): unable to get local issuer certificate",
        ),
    ]
    for text, expected in cases:
        caplog.clear()
        assert (await told(mqtt_of(text), caplog)).partition(": ")[2] == expected
    broker.kill()
    caplog.clear()
    assert (await told(mqtt_of(broker.settings()), caplog)).endswith(": nothing listens there")
    gc.collect()


async def test_a_topic_that_the_broker_refuses_is_told(
    broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    mqtt = mqtt_of(broker.settings(user="guest", password=USERS["guest"]))
    presence = "shop/bay-2/presence/logger"
    said = await told(mqtt, caplog, skip="connected")
    assert said.startswith(
        f"{mqtt.address}: what we publish at {presence} doesn't come back: no right to that topic?"
    )


@pytest.mark.parametrize(
    ("file", "reason"), [("nowhere.pem", "No such file"), ("mosquitto.conf", "no certificate")]
)
async def test_a_file_of_certificates_that_cannot_be_used_is_refused_at_once(
    tls_broker: Broker, file: str, reason: str
) -> None:
    async def work(_client: object) -> None:
        await asyncio.Event().wait()

    mqtt = mqtt_of(tls_broker.settings(ca=str(tls_broker.folder / file)))
    with pytest.raises(PlainError, match=reason):
        await keep_session(mqtt, Post("probe", "shop/bay-2/presence/logger"), work, PACE)


async def test_a_broker_that_stands_still_does_not_hold_up_the_end(broker: Broker, store: AlarmStore) -> None:
    pace = MqttPace(first_wait_s=0.1, longest_wait_s=0.5, timeout_s=0.5, keepalive_s=60)
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", pace)
    task = asyncio.create_task(publisher.run())
    await until(
        lambda: broker.retained("shop/bay-2/presence/#").get("shop/bay-2/presence/analysis") == "online", "it"
    )
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    task.cancel()
    done, _ = await asyncio.wait((task,), timeout=60.0)
    broker.process.send_signal(signal.SIGCONT)
    assert done
    assert task.cancelled()
