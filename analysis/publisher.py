"""The analysis at the broker: findings and alarms out, acknowledgements in.

Alarms wait in the store's outbox until the broker has confirmed them, in order. Findings are states: only the newest
counts, it is kept in memory and told again to every new session.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from analysis.alarm_store import topic_of
from logger.mqtt import MqttPace, Post, keep_session, rig_topic

if TYPE_CHECKING:
    from collections.abc import Mapping

    import aiomqtt

    from analysis.alarm_store import AlarmStore, Changes
    from analysis.register import Soak
    from logger.delivery_settings import MqttSettings

_log = logging.getLogger(__name__)

RENEW_s: Final = 10.0
"""A finding that only became a little sharper is published so often at most; a new verdict or alarm at once."""
MOST_BYTES: Final = 1000
"""An acknowledgement that is longer is none."""


class Publisher:
    """Publishes until cancelled; whoever knows something new tells it."""

    def __init__(
        self,
        mqtt: MqttSettings,
        store: AlarmStore,
        rig: str,
        pace: MqttPace | None = None,
        *,
        quiet: bool = False,
    ) -> None:
        """`rig` is the rig's name in the settings: it stands in the topics. `quiet`: see `Post`."""
        self._mqtt, self._store, self._rig, self._pace, self._quiet = mqtt, store, rig, pace, quiet
        self._topic = rig_topic(mqtt, rig)
        self._news = asyncio.Event()
        self._states: dict[str, str] = {}
        self._forgotten: list[str] = []
        self._essence: dict[str, object] = {}
        self._renewed_s: dict[str, float] = {}
        self.heard: Counter[str] = Counter()
        """What became of the acknowledgements that came in: `taken`, or why they were ignored."""

    async def run(self) -> None:
        """Keep a session at the broker until cancelled."""
        post = Post(
            name=f"cornerhold-analysis-{self._topic.replace('/', '-')}",
            presence=f"{self._topic}/presence/analysis",
            quiet=self._quiet,
            subscriptions=(f"{self._topic}/acknowledge/#", f"{self._topic}/alarms/#"),
            hear=lambda message: self.hear(str(message.topic), message.payload, retained=message.retain),
        )
        try:
            await keep_session(self._mqtt, post, self._work, self._pace)
        finally:
            if self.heard:
                told = ", ".join(f"{count} {what}" for what, count in sorted(self.heard.items()))
                _log.info("acknowledgements heard: %s", told)

    # -- what is new -----------------------------------------------------------------------------------------

    def changed(self, _changes: Changes | None = None) -> None:
        """The outbox has something."""
        self._news.set()

    def tell(self, said: Mapping[str, Any]) -> None:
        """Take findings; those that are new in substance go out at once, the others from time to time."""
        now_s = asyncio.get_running_loop().time()
        for section in said["sections"]:
            topic = f"sections/{section['name']}"
            essence = (
                said.get("soak"),
                section["verdict"],
                [(a["kind"], a["cleared"]) for a in section["alarms"]],
            )
            if essence == self._essence.get(topic) and now_s < self._renewed_s[topic] + RENEW_s:
                continue
            self._essence[topic], self._renewed_s[topic] = essence, now_s
            head = {"cornerhold": "section/1", "rig": self._rig, "soak": said.get("soak")}
            about = {key: said[key] for key in ("support", "begin", "end", "hours", "coldest_ambient_degC")}
            self._state(topic, head | about | section)

    def tell_soak(self, soak: Soak | None, *, judging: bool) -> None:
        """Take which soak runs, so that nobody believes himself watched who isn't."""
        of_soak = {"name": None, "begun": None, "ended": None} if soak is None else soak.as_dict()
        self._state("soak", {"cornerhold": "soak/1", "rig": self._rig, "judging": judging} | of_soak)

    def _state(self, topic: str, said: Mapping[str, Any]) -> None:
        text = json.dumps(said, ensure_ascii=False, allow_nan=False)
        if self._states.get(topic) != text:
            self._states[topic] = text
            self._news.set()

    # -- at the broker ---------------------------------------------------------------------------------------

    async def _work(self, client: aiomqtt.Client) -> None:
        waiting = {topic for _, topic, _ in self._store.outbox(limit=10_000)}
        for alarm in self._store.standing():
            # the broker may have forgotten it; whoever has heard of it knows its id
            if topic_of(alarm) not in waiting:
                await self._publish(client, topic_of(alarm), self._store.message(alarm))
        sent: dict[str, str] = {}
        while True:
            self._news.clear()
            while letters := self._store.outbox():
                for number, topic, payload in letters:
                    await self._publish(client, topic, payload)
                    self._store.published(number)
            while self._forgotten:
                topic = self._forgotten.pop()
                if topic not in self._raised():
                    await self._publish(client, topic, "")
            for topic, payload in list(self._states.items()):
                if sent.get(topic) != payload:
                    await self._publish(client, topic, payload)
                    sent[topic] = payload
            await self._news.wait()

    async def _publish(self, client: aiomqtt.Client, topic: str, payload: str) -> None:
        await client.publish(f"{self._topic}/{topic}", payload, qos=1, retain=True)

    # -- acknowledgements ------------------------------------------------------------------------------------

    def hear(self, topic: str, payload: object, *, retained: bool) -> None:
        """Take an acknowledgement. Whatever else comes is counted and ignored.

        An alarm that the broker keeps and nobody raises any more (of a journal that is gone) is taken from it.
        """
        below = topic.removeprefix(f"{self._topic}/")
        if below.startswith("alarms/"):
            if retained and payload and below not in self._raised():
                self._forgotten.append(below)
                self._news.set()
            return
        self.heard[self._judge(topic, payload, retained=retained)] += 1

    def _raised(self) -> set[str]:
        return {topic_of(alarm) for alarm in self._store.standing()}

    def _judge(self, topic: str, payload: object, *, retained: bool) -> str:
        parts = topic.removeprefix(f"{self._topic}/").split("/")
        if len(parts) != 3 or parts[0] != "acknowledge":
            return "of no alarm's topic"
        if retained:
            # it would acknowledge alarms that nobody has seen yet
            return "retained"
        said = _acknowledgement(payload)
        if said is None:
            _log.debug("malformed acknowledgement at %s", topic)
            return "malformed"
        _, section, kind = parts
        alarm = self._store.acknowledge((section, kind), said.get("alarm"), said.get("by"))
        if alarm is None:
            return "of no standing alarm"
        _log.info(
            "alarm %s of %s acknowledged%s",
            kind,
            section,
            f" by {alarm.acknowledged_by}" if said.get("by") else "",
        )
        self._news.set()
        return "taken"


def _acknowledgement(payload: object) -> dict[str, str] | None:
    """Return `alarm` and `by` of an acknowledgement, both optional; an empty one means whatever stands there."""
    if not isinstance(payload, bytes) or len(payload) > MOST_BYTES:
        return None
    if not payload.strip():
        return {}
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict):
        return None
    known = {key: said[key] for key in ("alarm", "by") if key in said}
    if not all(isinstance(value, str) and value.isprintable() for value in known.values()):
        return None
    return known
