"""What others do at the broker: it is away for some seconds, and anybody sends anything."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING

import paho.mqtt.client as mqtt
from broker import USERS, Broker
from logger_process import wait_for

from tests.faults.bench import Bench, Row, heard_more, rig_at, settle
from tests.faults.surroundings import steady
from tests.faults.truth import Ledger, judge

if TYPE_CHECKING:
    import random

SHORT_s = (2.0, 12.0)
BACK_s = 5.0
PRESENCES = ("/presence/logger", "/presence/analysis")


def _run(bench: Bench, broker: Broker, port: str) -> None:
    settings = bench.folder / "bay.toml"
    settings.write_text(f'[rig]\nname = "bench"\n{broker.settings()}', encoding="utf-8")
    bench.start("run", "--journal", str(bench.journal), "--port", port, "--settings", str(settings))


def short_outages(bench: Bench) -> Row:
    """The broker dies and is back after some seconds; both services are there again soon after."""
    broker = Broker(bench.folder / "broker").start()
    late, longest_s = 0, 0.0
    with rig_at(bench, Ledger(depth=1_000_000, values=steady)) as port:
        _run(bench, broker, str(port.path))
        heard_more(port, 10)
        somebody = _Somebody(broker)
        somebody.wait_for_both()
        for _ in range(bench.times):
            broker.kill()
            # or what it has kept would be taken for a presence of now
            (broker.folder / "mosquitto.db").unlink(missing_ok=True)
            time.sleep(bench.rng.uniform(*SHORT_s))  # an outage has no event
            somebody.online.clear()
            broker.start()
            began_s = time.monotonic()
            took_s = somebody.wait_for_both() - began_s
            longest_s = max(longest_s, took_s)
            late += took_s > BACK_s
            bench.progress()
        somebody.close()
        settle(port)
        bench.end(bench.running[-1])
        tally = judge(bench.journal, _ledger(port.rig))
    broker.kill()
    tally.wrong += late
    return bench.row("broker: away for 2 to 12 s, back within 5 s", tally, f"longest {longest_s:.1f} s")


def _ledger(rig: object) -> Ledger:
    assert isinstance(rig, Ledger)
    return rig


# -- anything, to anywhere -----------------------------------------------------------------------------------

FOUND = (
    b"[" * 1000,
    b'{"by":' * 166,
    b'{"alarm":' + b"[" * 900,
    b"9" * 5000,
    b'"\\ud800"',
    b"\xff\xfe",
    b"",
    b" " * 999,
)
"""What has broken something once, or nearly."""
PLACES = (
    "acknowledge/{}/{}", "acknowledge/{}", "alarms/{}/{}", "alarms/{}", "sections/{}", "soak",
    "presence/analysis", "presence/logger",
)  # fmt: skip


def messages(bench: Bench) -> Row:
    """Junk at every topic that a service hears, retained and not; the run goes on, and its own words stand in the end."""
    broker = Broker(bench.folder / "broker").start()
    with rig_at(bench, Ledger(depth=1_000_000, values=steady)) as port:
        _run(bench, broker, str(port.path))
        heard_more(port, 10)
        stranger = _Somebody(broker)
        stranger.wait_for_both()
        for _ in range(bench.times):
            topic, payload = _junk(bench.rng)
            stranger.send(f"shop/bench/{topic}", payload, retain=bench.rng.random() < 0.5)
            bench.progress()
        stranger.close()
        process = bench.running[-1]
        assert process.poll() is None, bench.said()[-2000:]
        heard_more(port, 10)
        wait_for(lambda: not _forged(broker), "all is put right")
        settle(port)
        bench.end(process)
        tally = judge(bench.journal, _ledger(port.rig))
    broker.kill()
    # dropped or counted as what it is, and never a surprise
    tally.wrong += bench.said().count("a fault of the program")
    return bench.row("broker: junk at every topic, by a stranger who may write there", tally)


def _junk(rng: random.Random) -> tuple[str, bytes]:
    def part() -> str:
        return rng.choice(("front_left", "leak", "blind", "x" * rng.randrange(1, 300), "\u00e9", "%s", " "))

    topic = rng.choice(PLACES).format(part(), part())
    payload = rng.choice((
        rng.choice(FOUND),
        rng.randbytes(rng.randrange(0, 2000)),
        json.dumps({"alarm": part(), "by": part()}).encode(),
        json.dumps([part()] * rng.randrange(3)).encode(),
    ))  # fmt: skip
    return topic, payload


def _forged(broker: Broker) -> dict[str, str]:
    """What the broker keeps and no service said: alarms there are none, and both are there."""
    kept = broker.retained("shop/bench/#")
    return {
        topic: payload
        for topic, payload in kept.items()
        if "/alarms/" in topic
        or (topic.endswith(PRESENCES) and payload != "online")
        or (topic.endswith("/soak") and '"soak/1"' not in payload)
    }


class _Somebody:
    """A client of the bare library that sees who is there, and may write everywhere."""

    def __init__(self, broker: Broker) -> None:
        self.online: dict[str, float] = {}
        """When each presence was last heard to be there."""
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "somebody")
        self._client.username_pw_set("cornerhold", USERS["cornerhold"])
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda *_: self._client.subscribe("shop/bench/presence/#", 1)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def _hear(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.payload == b"online" and message.topic.endswith(PRESENCES):
            self.online.setdefault(message.topic, time.monotonic())

    def wait_for_both(self) -> float:
        """When both were there, on the monotonic clock."""
        wait_for(lambda: len(self.online) == len(PRESENCES), "both are there")
        return max(self.online.values())

    def send(self, topic: str, payload: bytes, *, retain: bool) -> None:
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(60.0)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
