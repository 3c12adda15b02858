"""The readings at the broker: a follower of the journal that publishes every sample, in order, at least once.

It has a cursor of its own and moves it only when the broker has confirmed, so a broker that was away for a weekend gets
everything afterwards. It never holds up the recording: it reads the journal as everybody else does.
"""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING, Final

from logger.conversions import Conversions
from logger.cursor_file import CursorFile, Saving, journal_reader
from logger.journal_files import beside
from logger.mqtt import MqttPace, Post, keep_session, rig_topic
from logger.senml import base_name, pack

if TYPE_CHECKING:
    from pathlib import Path

    import aiomqtt

    from logger.delivery_settings import MqttSettings

_log = logging.getLogger(__name__)

POLL_s: Final = 0.1
PACK_SAMPLES: Final = 100
"""At most so many samples in one message: a backlog of a weekend goes in portions, live samples go at once."""
SAVE_s: Final = 1.0


def cursor_path(journal: Path) -> Path:
    """Where the mirror keeps its cursor."""
    return beside(journal, ".readings-cursor")


class ReadingsMirror:
    """Publishes a journal's samples until cancelled."""

    def __init__(self, mqtt: MqttSettings, journal: Path, rig: str, pace: MqttPace | None = None) -> None:
        """`rig` is the rig's name in the settings: it stands in the topics."""
        self._mqtt = mqtt
        self._journal = journal
        self._topic = rig_topic(mqtt, rig)
        self._pace = pace
        self._cursor = CursorFile(cursor_path(journal))
        self._saved = -1
        self._saving = Saving("readings are published on, some again after a restart")

    async def run(self) -> None:
        """Follow the journal; the broker may come and go."""
        reader = await journal_reader(self._journal)
        with reader:
            # by the settings under which each sample was logged
            conversions = Conversions(self._journal, None)
            confirmed = self._cursor.load(reader.newest_id())
            post = Post(
                f"cornerhold-logger-{self._topic.replace('/', '-')}", f"{self._topic}/presence/logger"
            )

            async def work(client: aiomqtt.Client) -> None:
                nonlocal confirmed
                # what a session before has read and not confirmed is read again
                reader.cursor = confirmed
                save_s = 0.0
                loop = asyncio.get_running_loop()
                while True:
                    entries = reader.read(PACK_SAMPLES)
                    if entries:
                        conversions.learn(reader.configurations())
                        numbers = [e.id for e in entries if e.kind == "D" and e.boot_id is not None]
                        for block in conversions.convert(entries, reader.boots()):
                            mine, numbers = numbers[: len(block)], numbers[len(block) :]
                            text = pack(base_name(self._topic), block, mine)
                            await client.publish(f"{self._topic}/readings", text, qos=1)
                        confirmed = reader.cursor
                    if confirmed != self._saved and loop.time() >= save_s:
                        self._save(confirmed)
                        save_s = loop.time() + SAVE_s
                    if not entries:
                        await asyncio.sleep(POLL_s)

            try:
                await keep_session(self._mqtt, post, work, self._pace)
            finally:
                self._save(confirmed)

    def _save(self, entry: int) -> None:
        """Keep the cursor; that it can't be kept now is no reason to be silent at the broker."""
        if entry != self._saved and self._saving.attempt(lambda: self._cursor.save(entry)):
            self._saved = entry
