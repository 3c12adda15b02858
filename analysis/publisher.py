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
from analysis.echoes import Echoes
from logger.errors import PlainError
from logger.foreign_json import foreign_object
from logger.mqtt import MqttPace, Post, keep_session, rig_topic

if TYPE_CHECKING:
    from collections.abc import Mapping

    import aiomqtt

    from analysis.alarm_store import AlarmStore, Changes
    from analysis.soak_model import Soak
    from logger.delivery_settings import MqttSettings

_log = logging.getLogger(__name__)

RENEW_s: Final = 10.0
"""A finding that only became a little sharper is published so often at most; a new verdict or alarm at once."""
MOST_BYTES: Final = 1000
"""An acknowledgement that is longer is none."""
MOST_WRONG: Final = 1000
"""So many topics that somebody else wrote over are put right at once; the others when the broker shows them again."""
_OURS: Final = ("alarms/#", "sections/#", "soak")
_TRIALS: Final = frozenset({"alarms/check/test", "sections/check"})
"""Where `check-delivery` writes and cleans up by itself."""


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
        self._mqtt, self._store, self._rig, self._quiet = mqtt, store, rig, quiet
        self._pace = pace or MqttPace()
        self._topic = rig_topic(mqtt, rig)
        self._news = asyncio.Event()
        self._states: dict[str, str] = {}
        self._delivered = 0
        """The newest letter of the outbox that the broker has confirmed."""
        self._kept_back = False
        self._said = Echoes()
        self._wrong: set[str] = set()
        self._righted_s = 0.0
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
            subscriptions=tuple(f"{self._topic}/{below}" for below in ("acknowledge/#", *_OURS)),
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
        self._said = Echoes()
        waiting = {topic for _, topic, _ in self._store.outbox(limit=10_000, after=self._delivered)}
        for alarm in self._store.standing():
            # the broker may have forgotten it; whoever has heard of it knows its id
            if topic_of(alarm) not in waiting:
                await self._publish(client, topic_of(alarm), self._store.message(alarm))
        sent: dict[str, str] = {}
        while True:
            self._news.clear()
            while letters := self._store.outbox(after=self._delivered):
                for number, topic, payload in letters:
                    await self._publish(client, topic, payload)
                    self._confirmed(number)
            for topic, payload in list(self._states.items()):
                if sent.get(topic) != payload:
                    await self._publish(client, topic, payload)
                    sent[topic] = payload
            await self._put_right(client)
            await self._news.wait()

    def _confirmed(self, number: int) -> None:
        """Take a letter from the outbox; one that stays on a full disk is not sent again."""
        self._delivered = number
        try:
            self._store.published(number)
        except PlainError as error:
            level = logging.DEBUG if self._kept_back else logging.WARNING
            _log.log(level, "what the broker has got stays in the outbox for now: %s", error)
            self._kept_back = True
        else:
            self._kept_back = False

    async def _put_right(self, client: aiomqtt.Client) -> None:
        """Say again what somebody else has written over, and take away what nobody raised; not once for each try."""
        loop = asyncio.get_running_loop()
        wait_s = self._righted_s + self._pace.righting_s - loop.time()
        if self._wrong and wait_s > 0.0:
            loop.call_later(wait_s, self._news.set)
            return
        for topic in sorted(self._wrong):
            await self._publish(client, topic, self._said.true(topic))
            self._righted_s = loop.time()

    async def _publish(self, client: aiomqtt.Client, topic: str, payload: str) -> None:
        self._said.saying(topic, payload, asyncio.get_running_loop().time())
        self._wrong.discard(topic)
        await client.publish(f"{self._topic}/{topic}", payload, qos=1, retain=True)

    # -- acknowledgements ------------------------------------------------------------------------------------

    def hear(self, topic: str, payload: object, *, retained: bool) -> None:
        """Take an acknowledgement, or what stands in our own places. Whatever else comes is counted and ignored."""
        below = topic.removeprefix(f"{self._topic}/")
        if below.startswith(("alarms/", "sections/")) or below == "soak":
            self._look_at(below, payload)
        else:
            self.heard[self._judge(topic, payload, retained=retained)] += 1

    def _look_at(self, below: str, payload: object) -> None:
        """See whether somebody else has written there.

        An alarm that nobody raises (somebody's, or one of a journal that is gone) is taken from the broker; a finding
        stays until there is a newer one.
        """
        if below in _TRIALS or not (below.startswith("alarms/") or self._said.is_ours(below)):
            return
        text = payload.decode("utf-8", "replace") if isinstance(payload, bytes) else ""
        foreign = self._said.is_foreign(below, text, asyncio.get_running_loop().time())
        if not foreign:
            self._wrong.discard(below)
        elif len(self._wrong) < MOST_WRONG:
            self._wrong.add(below)
            self._news.set()

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
        said = foreign_object(payload, MOST_BYTES)
    except ValueError:
        return None
    known: dict[str, str] = {}
    for key in ("alarm", "by"):
        value = said.get(key, "")
        if not isinstance(value, str) or not value.isprintable():
            return None
        if key in said:
            known[key] = value
    return known
