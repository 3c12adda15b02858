"""What a stranger at the broker can do: send junk, write over what we keep there, be away, answer nonsense."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from broker import Broker, Subscriber
from test_mqtt import LEAK, PACE, mqtt_of, raise_leak, running, until

from analysis.alarm_store import AlarmStore
from analysis.publisher import Publisher

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LEAK_TOPIC = f"shop/bay-2/alarms/{LEAK.section}/{LEAK.kind}"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[AlarmStore]:
    with AlarmStore.open(tmp_path / "bay.journal", rig="bay-2", publishing=True) as opened:
        yield opened


@pytest.mark.parametrize(
    "payload", ["[" * 1000, '{"by":' * 166, "9" * 1000, '{"by": "\\ud800"}', "\x01" * 50]
)
async def test_no_message_ends_the_watch_or_its_session(
    broker: Broker, store: AlarmStore, payload: str
) -> None:
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
    with Subscriber(broker) as subscriber:
        async with running(publisher.run()) as task:
            raise_leak(store, publisher)
            await until(lambda: bool(subscriber.of("alarms/front_left/leak")), "the alarm")
            await asyncio.to_thread(broker.publish, "shop/bay-2/acknowledge/a/b", payload)
            await asyncio.to_thread(broker.publish, "shop/bay-2/acknowledge/front_left/leak", "")
            await until(lambda: task.done() or publisher.heard["taken"] == 1, "the acknowledgement after it")
            assert not task.done()
            assert publisher.heard["malformed"] == 1
        assert subscriber.of("presence/analysis") == ["online", "offline"]


async def test_what_a_stranger_writes_over_an_alarm_is_put_right_at_once(
    broker: Broker, store: AlarmStore
) -> None:
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
    with Subscriber(broker) as subscriber:
        async with running(publisher.run()):
            name = raise_leak(store, publisher)
            await until(lambda: bool(subscriber.of("/leak")), "the alarm")
            true = subscriber.of("/leak")[-1]
            for forged in ("", '{"alarm": "00000000-1"}', true.replace("raised", "acknowledged", 1)):
                await asyncio.to_thread(broker.publish, LEAK_TOPIC, forged, "cornerhold", "--retain")
                await until(
                    lambda forged=forged: subscriber.of("/leak")[-2:] == [forged, true], "the true one"
                )
            # of an alarm that nobody raised, live and not only in the next session
            invented = "shop/bay-2/alarms/rear_left/burst"
            await asyncio.to_thread(broker.publish, invented, '{"alarm": "x"}', "cornerhold", "--retain")
            await until(lambda: subscriber.of("/burst")[-1:] == [""], "its end")
            kept = await asyncio.to_thread(broker.retained, "shop/bay-2/alarms/#")
            assert set(kept) == {LEAK_TOPIC}
            assert json.loads(kept[LEAK_TOPIC])["alarm"] == name


async def test_what_we_say_ourselves_is_not_said_again(broker: Broker, store: AlarmStore) -> None:
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
    with Subscriber(broker) as subscriber:
        async with running(publisher.run()):
            for number in range(5):
                leak = replace(LEAK, raised_us=1000 * (number + 1))
                store.reconcile(1, [leak], lambda _: ("front_left leaks.", {"reading": 0.1}), complete=False)
                store.acknowledge(None, None, "Mara")
                publisher.changed(store.close_soaks(None))
            await until(lambda: subscriber.of("/leak").count("") == 5, "five alarms")
            # longer than a correction would wait
            await asyncio.sleep(1.5)
        assert len(subscriber.of("alarms/front_left/leak")) == 15


async def test_a_forged_finding_is_put_right(broker: Broker, store: AlarmStore) -> None:
    publisher = Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE)
    with Subscriber(broker) as subscriber:
        async with running(publisher.run()):
            publisher.tell_soak(None, judging=True)
            await until(lambda: bool(subscriber.of("/soak")), "the soak")
            [true] = subscriber.of("/soak")
            await asyncio.to_thread(broker.publish, "shop/bay-2/soak", "{}", "cornerhold", "--retain")
            await until(lambda: subscriber.of("/soak") == [true, "{}", true], "the true one")


async def test_a_stranger_s_presence_is_put_right_and_does_not_flood(
    broker: Broker, store: AlarmStore
) -> None:
    place = "shop/bay-2/presence/analysis"
    with Subscriber(broker, ("shop/bay-2/presence/#",)) as subscriber:
        async with running(Publisher(mqtt_of(broker.settings()), store, "bay-2", PACE).run()):
            await until(lambda: subscriber.of("/analysis") == ["online"], "it")
            for _ in range(20):
                await asyncio.to_thread(broker.publish, place, "offline", "cornerhold", "--retain")
            await until(lambda: subscriber.of("/analysis")[-1] == "online", "the truth")
            assert subscriber.of("/analysis").count("online") < 15
            kept = await asyncio.to_thread(broker.retained, place)
            assert kept == {place: "online"}
        await until(lambda: subscriber.of("/analysis")[-1] == "offline", "the end")
