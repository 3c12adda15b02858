"""The running watch: one task that follows the journal, and beside it those that carry word to the broker and to people.

The watch is the essential one: when it ends, all end. A broker or an address that fails costs the watch nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
from contextvars import ContextVar
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

from logger.errors import PlainError, cause_words
from logger.outage import keep_going
from logger.pulse import Progress

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Iterator
    from pathlib import Path

    from analysis.alarm_store import AlarmStore, Changes
    from analysis.influx_findings import FindingsSource
    from analysis.notify import Desk, Postman
    from analysis.publisher import Publisher
    from analysis.watcher import Watcher
    from logger.journal_reader import JournalReader
    from logger.settings import Settings

log = logging.getLogger(__name__)

RIG: ContextVar[str] = ContextVar("rig", default="")
"""Whose service speaks, for the log of a process that watches several."""

POLL_s = 0.02
POLL_EACH_s = 0.0005
"""With many rigs in a process each is looked at less often: an idle look takes some 40 µs."""
LOOK_s = 0.25
"""How often the register of soaks is looked at, and the letters that may be due."""
AGAIN_s = 10.0
"""A carrier that failed is begun again after so long."""
WRITE_s = 1.0
WRITING_SHARE = 0.1
BEGINNING_s = 3.0
SILENCE_s = 30.0
"""So long without a sample (or three sample periods) is worth a word: a silent monitor must not look like a tight car."""


class View(Protocol):
    """Where a person looks."""

    def tell(self, said: dict[str, Any]) -> None:
        """Take findings so far."""

    def silence(self, seconds: float | None) -> None:
        """Take how long there has been no sample, None while they come in; called several times a second."""


class Service:
    """Follows one journal until it is told to stop."""

    def __init__(
        self,
        settings: Settings | None,
        path: Path,
        *,
        findings_file: Path | None,
        until_idle: float | None,
        view: View,
        look: bool,
        beside_logger: bool = False,
        companions: int = 1,
    ) -> None:
        """With `look` nothing is kept and no word is sent. `beside_logger`: in its process.

        `companions`: so many services share the process, this one counted.
        """
        self.companions = companions
        self.watching = False
        """The journal is open and followed."""
        self._failure = ""
        self.beside_logger = beside_logger
        self.settings = settings
        self.path = path
        self.findings_file = findings_file
        self.until_idle = until_idle
        self.view = view
        self.look = look
        self.publisher: Publisher | None = None
        self.mirrored: FindingsSource | None = None
        self.desk: Desk | None = None
        self.postman: Postman | None = None
        self._file_fails = False
        self._troubles: set[str] = set()
        self._file: tuple[int, int] | None = None
        self._turns = 0
        self._watcher: Watcher | None = None

    def progress(self) -> Progress:
        """What must go on: the loop turns, and what the journal has is taken."""
        stages = Progress()
        stages.add("watch", lambda: (True, self.turns))
        stages.add("journal", self.behind)
        return stages

    @property
    def turns(self) -> int:
        """Grows with each look at the journal, also while it isn't there yet."""
        return self._turns

    def fail(self, reason: str) -> None:
        """Take why nothing is watched, for the status; empty: it is again. A try is a turn, too."""
        self._failure = reason
        self._turns += 1

    def behind(self) -> tuple[bool, object]:
        """Whether the journal has entries that weren't taken, and where the watch is."""
        watcher = self._watcher
        if watcher is None or watcher.over:
            return False, None
        try:
            newest = watcher.reader.newest_id()
        except PlainError:
            return False, None  # the watch meets the same, and says it
        return newest > watcher.reader.cursor, watcher.reader.cursor

    def status(self) -> str:
        """In a line how it stands."""
        watcher = self._watcher
        if self._failure:
            return f"NOT WATCHED: {self._failure}"
        if watcher is None:
            return f"waiting for {self.path}"
        soak = "the whole journal" if watcher.soak is None else f"soak '{watcher.soak.name}'"
        what = f"{'watching' if watcher.running else 'ended:'} {soak}"
        silent_s = watcher.silent_s(asyncio.get_running_loop().time())
        return f"{what}, BLIND" if watcher.running and silent_s > watcher.patience_s else what

    async def run(self, stop: asyncio.Event) -> dict[str, Any] | None:
        """Follow until `stop` is set, or for `until_idle` without a sample; return the last findings."""
        from analysis.register import RegisterReader  # noqa: PLC0415  numpy comes with both
        from analysis.watcher import Watcher  # noqa: PLC0415

        reader = await self._open(stop)
        if reader is None:
            return None
        with reader, RegisterReader(self.path) as register, contextlib.ExitStack() as stack:
            store = None if self.look else stack.enter_context(self._open_store(reader))
            rig = self._rig_name(reader)
            tasks = [] if store is None else self._carriers(store, rig)
            watcher = Watcher(reader, self.settings, register, store, rig=rig, on_changes=self._changed)
            self._watcher = watcher
            try:
                await self._watch(watcher, stop, tasks)
            finally:
                self._watcher = None
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
            return self._write(watcher, final=True)

    # -- before ----------------------------------------------------------------------------------------------

    async def _open(self, stop: asyncio.Event) -> JournalReader | None:
        """Wait for the logger to begin the journal; a file that stays unreadable is refused with its reason."""
        from logger.journal_reader import JournalReader  # noqa: PLC0415
        from logger.journal_schema import JournalError  # noqa: PLC0415

        loop = asyncio.get_running_loop()
        begun = loop.time()
        there_since: float | None = None
        told = False
        while not stop.is_set():
            try:
                return JournalReader(self.path, whole=True)
            except JournalError:
                # a journal that is just being made has no tables yet
                if os.path.exists(self.path):  # noqa: ASYNC240, PTH110  one look at a local file
                    there_since = there_since or loop.time()
                    if loop.time() - there_since > BEGINNING_s:
                        raise
                elif not told:
                    log.info("%s: not there yet, waiting for the logger", self.path)
                    told = True
                if self.until_idle is not None and loop.time() - begun >= self.until_idle:
                    raise
            await self._pause()
        return None

    async def _pause(self) -> None:
        self._turns += 1
        await asyncio.sleep(max(POLL_s, POLL_EACH_s * self.companions))

    def _rig_name(self, reader: JournalReader) -> str:
        from logger.conversions import stored_settings  # noqa: PLC0415

        if self.settings is not None:
            return self.settings.rig.name
        stored = reader.configurations()
        return stored_settings(self.path, stored[-1].text if stored else "").rig.name

    def _open_store(self, reader: JournalReader) -> AlarmStore:
        from analysis.alarm_store import AlarmStore  # noqa: PLC0415
        from analysis.database import DatabaseError  # noqa: PLC0415

        rig = self._rig_name(reader)
        publishing = self.settings is not None and self.settings.mqtt is not None
        line_of = None
        if self.settings is not None and self.settings.influx is not None:
            from analysis.influx_findings import alarm_line  # noqa: PLC0415

            line_of = partial(alarm_line, rig)
        try:
            return AlarmStore.open(self.path, rig=rig, publishing=publishing, line_of=line_of)
        except DatabaseError as error:
            raise PlainError(f"{error} (--look watches without keeping alarms)") from None

    def _carriers(self, store: AlarmStore, rig: str) -> list[asyncio.Task[None]]:
        """Start the tasks that carry word, as the settings name where to."""
        running: dict[str, Callable[[], Coroutine[Any, Any, None]]] = {}
        settings = self.settings
        if settings is not None and settings.notify is not None:
            from analysis.notify import Addresses, Desk, Postman  # noqa: PLC0415

            addresses = Addresses(settings.notify.addresses())
            self.desk = Desk(settings.notify, store, rig)
            self.postman = Postman(addresses, store)
        if settings is not None and settings.mqtt is not None:
            from analysis.publisher import Publisher  # noqa: PLC0415
            from logger.mqtt import tls_context  # noqa: PLC0415

            tls_context(settings.mqtt)  # a file that can't be used is a mistake to be told at once
            self.publisher = Publisher(settings.mqtt, store, rig, quiet=self.beside_logger)
            running["publisher"] = self.publisher.run
        if settings is not None and settings.influx is not None:
            from analysis.influx_findings import FindingsSource, findings_mirror  # noqa: PLC0415

            self.mirrored = FindingsSource(store, rig)
            mirror = findings_mirror(settings.influx, self.path, self.mirrored, quiet=self.beside_logger)
            running["InfluxDB mirror"] = mirror.keep
        if self.postman is not None:
            running["postman"] = self.postman.run
        return [
            asyncio.create_task(keep_going(f"the {name} stands still", run, AGAIN_s), name=name)
            for name, run in running.items()
        ]

    # -- the watch -------------------------------------------------------------------------------------------

    async def _watch(self, watcher: Watcher, stop: asyncio.Event, tasks: list[asyncio.Task[None]]) -> None:
        loop = asyncio.get_running_loop()
        self._file = _identity(self.path)
        self.watching = True
        if watcher.soak is None:
            log.info("no soak was begun: the whole journal is judged as one")
        due_s = loop.time() + WRITE_s
        look_s = 0.0
        told: object = None
        while True:
            # after the call to stop everything that is there is still taken
            stopping = stop.is_set()
            now_s = loop.time()
            if now_s >= look_s:
                look_s = now_s + LOOK_s
                self._look(watcher, now_s)
                for task in tasks:
                    if task.done():
                        task.result()
                        raise PlainError(f"the task {task.get_name()!r} ended")
            some = watcher.step(now_s) > 0
            state = (watcher.soak, watcher.follower.journal.newest_us, watcher.times_taken_up)
            if state != told and now_s >= due_s and not stopping:
                begun, told = loop.time(), state
                self._tell(self._write(watcher, final=False))
                # a slow machine looks less often; its time is for the readings
                took_s = (loop.time() - begun) * self.companions
                due_s = loop.time() + max(WRITE_s, took_s / WRITING_SHARE)
            self._turns += 1
            if some:
                await asyncio.sleep(0)
                continue
            silent_s = watcher.silent_s(loop.time())
            if stopping or (self.until_idle is not None and silent_s >= self.until_idle):
                return
            if _identity(self.path) != self._file:
                raise PlainError(f"{self.path}: was taken away or replaced while it was followed")
            worth_a_word = (
                watcher.running and silent_s > SILENCE_s and silent_s > 3.0 * watcher.follower.period_s()
            )
            self.view.silence(silent_s if worth_a_word else None)
            await self._pause()

    def _look(self, watcher: Watcher, now_s: float) -> None:
        if watcher.look() and watcher.soak is not None:
            log.info("soak '%s' is watched now", watcher.soak.name)
        if self.publisher is not None:
            with self._careful("the broker"):
                self.publisher.tell_soak(watcher.soak, judging=watcher.running)
        if self.desk is not None and self.postman is not None:
            planned_h = watcher.follower.journal.settings.soak.planned_hours
            silent_s = watcher.silent_s(now_s)
            with self._careful("people"):
                self.desk.look(watcher.said, silent_s, judging=watcher.running, planned_h=planned_h)
            self.postman.post()

    def _changed(self, changes: Changes) -> None:
        for alarm in changes.raised:
            log.warning("ALARM %s: %s", alarm.kind, alarm.sentence)
        for alarm in changes.acknowledged:
            who = f" by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
            log.info("alarm %s of %s is acknowledged%s", alarm.kind, alarm.section, who)
        for alarm in changes.cleared:
            log.info("alarm %s of %s is over", alarm.kind, alarm.section)
        if self.publisher is not None:
            self.publisher.changed()
        if self.desk is not None and self.postman is not None:
            with self._careful("people"):
                self.desk.changed(changes)
            self.postman.post()

    def _tell(self, said: dict[str, Any] | None) -> None:
        if said is None:
            return
        self.view.tell(said)
        if self.publisher is not None:
            with self._careful("the broker"):
                self.publisher.tell(said)
        if self.mirrored is not None:
            with self._careful("InfluxDB"):
                self.mirrored.tell(said)

    @contextlib.contextmanager
    def _careful(self, who: str) -> Iterator[None]:
        """Word that can't be handed on (a full disk) is said once, and costs the watch nothing."""
        try:
            yield
        except Exception as error:
            log.debug("where it happened", exc_info=True)
            words = f"no word to {who}: {cause_words(error)}"
            log.log(logging.DEBUG if words in self._troubles else logging.ERROR, "%s", words)
            self._troubles.add(words)

    def _write(self, watcher: Watcher, *, final: bool) -> dict[str, Any] | None:
        from logger.files import whole_file  # noqa: PLC0415

        said = watcher.findings(final=final)
        if said is None or self.findings_file is None:
            return said
        try:
            with whole_file(self.findings_file) as handle:
                handle.write(json.dumps(said, ensure_ascii=False, allow_nan=False) + "\n")
        except (OSError, PlainError) as error:
            # a full disk must not end the watch; at the end it is an error like any other
            if final:
                raise
            if not self._file_fails:
                log.error("%s: can't be written now (%s); the watch goes on", self.findings_file, error)  # noqa: TRY400
            self._file_fails = True
        else:
            self._file_fails = False
        return said


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file stands under a name: one that was moved away would be followed for ever, in silence."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino
