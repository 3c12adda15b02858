"""The daemon: the port, the conversation and the journal held together by tasks that watch one another.

One task group. Its tasks are essential: when one of them ends, whatever the reason, the program ends with an
error, so that a half-dead logger never looks like a quiet rig. Bytes come from one reader thread, journal
writes go to one journal thread, everything else happens in the event loop.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from logger.clock import HostTime, host_now
from logger.conversation import Conversation, Limits
from logger.detect import DetectError, find_rig
from logger.errors import PlainError
from logger.framing import LineSplitter
from logger.journal import Journal, JournalBlockedError
from logger.keeper import Keeper
from logger.link_state import Link
from logger.notice import LEVELS, duration_text
from logger.port import Port, PortBusyError, PortError, PortReader
from logger.protocol import MAX_LINE, Identity, LineFault, Reason, decode_rig, encode
from logger.pulse import Progress
from logger.settings import RigSettings

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine
    from pathlib import Path

    from logger.conversation import Item
    from logger.notice import Notice
    from logger.settings import Settings

_log = logging.getLogger(__name__)

_MANY_ITEMS: Final = 50_000
"""With so many items waiting for the disk no more bytes are read: the rig's buffer is the better place."""

TASKS: Final = ("link", "records", "commands", "journal", "watch")


@dataclass(frozen=True, slots=True)
class Pace:
    """The daemon's own times, in seconds; the conversation has its own in `Limits`."""

    tick_s: float = 0.1
    between_commits_s: float = 0.1
    """Commits are gathered for so long under load; a lone sample is committed at once."""
    silence_s: float = 12.0
    """Without a valid line for so long the port is opened again; a slow rig is asked before (`probe_s`)."""
    report_s: float = 3600.0
    retry_s: float = 1.0
    """How long to wait when nothing can be written before it is tried again."""
    close_s: float = 5.0
    """How long the end may take for its last words to the rig."""


class TaskEndedError(PlainError):
    """A task that must run as long as the program has ended."""


@dataclass(eq=False)
class _Session:
    """The port from its opening to its end."""

    port: Port
    reader: PortReader | None = None
    ended: asyncio.Future[PortError] = field(
        default_factory=lambda: asyncio.get_running_loop().create_future()
    )

    def end(self, error: PortError) -> None:
        if not self.ended.done():
            self.ended.set_result(error)

    def fail(self, error: BaseException) -> None:
        """The reader died of something that is no fault of the port."""
        if not self.ended.done():
            self.ended.set_exception(error)


_Message = tuple[_Session, bytes | None]
"""Bytes of a session, or None for its end; the first message of a session is empty bytes."""


class Daemon:
    """Logs one rig into one journal until `stop` is called."""

    def __init__(
        self,
        settings: Settings,
        journal_path: Path,
        *,
        pace: Pace | None = None,
        limits: Limits | None = None,
        clock: Callable[[], HostTime] = host_now,
    ) -> None:
        """Nothing is opened yet; `clock` is replaced in tests only."""
        self._settings = settings
        self._journal_path = journal_path
        self._pace = pace or Pace()
        self._limits = limits or Limits()
        self._clock = clock
        self._link = Link()
        self._splitter = LineSplitter()
        self._faults: Counter[Reason] = Counter()
        self._inbox: asyncio.Queue[_Message] = asyncio.Queue()
        self._outbox: asyncio.Queue[tuple[_Session, bytes]] = asyncio.Queue()
        self._work = asyncio.Event()
        self._room = threading.Event()
        self._room.set()
        self._stop = asyncio.Event()
        self._session: _Session | None = None
        self._sessions = 0
        self._fatal: BaseException | None = None
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        self._conversation = Conversation()
        self._keeper: Keeper | None = None
        self._blocked_s: float | None = None  # since when nothing can be written
        self._told: set[str] = set()
        self._done: Counter[str] = Counter()
        self._said = "no rig yet"
        self.begun = asyncio.Event()
        """The journal is open and the tasks run."""

    # ---------------------------------------------------------------- from outside

    def stop(self) -> None:
        """End in good order: flush, acknowledge, return from `run`."""
        self._stop.set()

    def progress(self) -> Progress:
        """What must go on. Trying a port that isn't there again and again is the link's work, and counts."""
        stages = Progress()
        stages.add("link", lambda: (True, self._link.turns))
        stages.add("records", lambda: (not self._inbox.empty(), self._done["records"]))
        stages.add("commands", lambda: (not self._outbox.empty(), self._done["commands"]))
        stages.add("journal", lambda: (self._conversation.items_waiting > 0, self._done["journal"]))
        return stages

    def status(self) -> str:
        """In a line how it stands."""
        said = self._said if self._blocked_s is None else "NOTHING CAN BE WRITTEN"
        return f"{said}; {self._conversation.counters.samples} samples stored since the start"

    async def run(self) -> None:
        """Log until `stop`; raises the first fatal error."""
        loop = asyncio.get_running_loop()
        try:
            keeper = self._keeper = await loop.run_in_executor(self._pool, self._open_journal)
            stored = await loop.run_in_executor(self._pool, keeper.stored_boots)
            period_ms = self._settings.rig.period_ms
            self._conversation = Conversation(stored, period_ms=period_ms, limits=self._limits)
            await self._run_tasks()
        finally:
            if self._keeper is not None:
                await loop.run_in_executor(self._pool, self._keeper.close)
                if self._sessions:
                    self._report()
            self._pool.shutdown()

    async def _run_tasks(self) -> None:
        bodies: dict[str, Callable[[], Coroutine[None, None, None]]] = {
            "link": self._keep_link,
            "records": self._hear_records,
            "commands": self._send_commands,
            "journal": self._commit_items,
            "watch": self._watch,
        }
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [group.create_task(self._essential(name, bodies[name]), name=name) for name in TASKS]
                self.begun.set()
                await self._stop.wait()
                await self._finish()
                for task in tasks:
                    task.cancel()
        except BaseExceptionGroup as group_of_errors:
            # the first error is the cause; without one of a task's it is that of the last words
            raise (self._fatal or group_of_errors.exceptions[0]) from None

    async def _essential(self, name: str, body: Callable[[], Coroutine[None, None, None]]) -> None:
        """Run a task that may only end when the program is told to stop."""
        try:
            await body()
        except asyncio.CancelledError:
            if self._stop.is_set() or self._fatal is not None:
                raise
            self._fatal = TaskEndedError(f"the task {name!r} was cancelled")
        except Exception as error:
            self._fatal = self._fatal or error
            raise
        else:
            self._fatal = self._fatal or TaskEndedError(f"the task {name!r} ended")
        raise self._fatal

    # ---------------------------------------------------------------- task "link"

    async def _keep_link(self) -> None:
        """Open the port, wait for its end, open it again."""
        first = True
        while True:
            self._link.opening()
            try:
                port = await asyncio.to_thread(self._open_port)
            except PortBusyError as error:
                if first:
                    raise  # somebody else's port is a mistake to be told, not an outage to be waited out
                self._tell(self._link.failed(self._now_s(), str(error)))
            except (PortError, DetectError) as error:
                self._tell(self._link.failed(self._now_s(), str(error)))
            else:
                await self._hold(port)
            first = False
            await asyncio.sleep(self._link.wait_s)

    def _open_port(self) -> Port:
        rig = self._settings.rig
        name = find_rig(rig.name, rig.baud).port if rig.port == "auto" else rig.port
        return Port(name, rig.baud)

    async def _hold(self, port: Port) -> None:
        """Keep an open port until it ends, by itself or by `_Session.end`."""
        loop = asyncio.get_running_loop()
        session = _Session(port)

        def on_data(data: bytes) -> None:
            self._room.wait()
            loop.call_soon_threadsafe(self._inbox.put_nowait, (session, data))

        def on_end(error: BaseException | None) -> None:
            if isinstance(error, PortError):
                loop.call_soon_threadsafe(session.end, error)
            elif error is not None:
                loop.call_soon_threadsafe(session.fail, error)

        session.reader = PortReader(port, on_data, on_end)
        self._session = session
        self._sessions += 1
        self._link.opened(self._now_s())
        _log.debug("%s is open", port.name)
        self._inbox.put_nowait((session, b""))
        session.reader.start()
        try:
            error = await session.ended
        finally:
            self._session = None
            session.reader.stop()
            self._room.set()
            # short: the thread wakes at once. Not awaited, for the task may be ending by cancellation
            session.reader.join(self._pace.close_s)
        self._inbox.put_nowait((session, None))
        self._tell(self._link.failed(self._now_s(), str(error)))

    # ---------------------------------------------------------------- task "records"

    async def _hear_records(self) -> None:
        """Bytes to lines to records to the conversation."""
        while True:
            session, data = await self._inbox.get()
            self._done["records"] += 1
            now_s = self._now_s()
            if data is None:
                self._conversation.closed()
            elif not data:
                self._splitter.reset()
                self._conversation.opened(now_s)
            elif session is self._session and not self._stop.is_set() and not self._overfull():
                self._hear_bytes(data, now_s)
            self._pass_on()

    def _overfull(self) -> bool:
        """Nothing can be written, and enough is held: the rig keeps what isn't heard, and is asked again."""
        return self._keeper is not None and self._keeper.waiting >= _MANY_ITEMS

    def _hear_bytes(self, data: bytes, now_s: float) -> None:
        heard = False
        for line in self._splitter.feed(data):
            try:
                record = decode_rig(line)
            except LineFault as fault:
                self._count(fault)
                continue
            heard = True
            if isinstance(record, Identity):
                self._compare_names(record.rig)
            self._conversation.hear(record, now_s)
        if self._splitter.overlong_start == b"I,":
            self._warn_once(
                f"the rig's identity is longer than the {MAX_LINE} bytes of a line, so nothing it says can be used: "
                "its names are too long (cornerhold wire-check counts them)"
            )
        if heard:
            notice = self._link.heard(now_s)
            if notice is not None:
                self._tell(notice)

    def _compare_names(self, told: str) -> None:
        meant = self._settings.rig.name
        if told != meant and meant != RigSettings().name:
            self._warn_once(f"the rig calls itself {told!r}, the settings call it {meant!r}")

    def _count(self, fault: LineFault) -> None:
        self._faults[fault.reason] += 1
        _log.debug("a line refused: %s", fault)
        if fault.reason is Reason.VERSION:
            self._warn_once(f"{str(fault).partition(': ')[2]}: nothing it says can be used")

    def _warn_once(self, sentence: str) -> None:
        if sentence not in self._told:
            self._told.add(sentence)
            _log.warning("%s", sentence)

    def _pass_on(self) -> None:
        """Hand the conversation's commands to the port and wake the journal for its items."""
        commands = self._conversation.take_commands()
        if commands and self._session is not None:
            self._outbox.put_nowait((self._session, b"".join(encode(command) for command in commands)))
        waiting = self._conversation.items_waiting
        if waiting:
            self._work.set()
        if waiting >= _MANY_ITEMS:
            self._room.clear()

    # ---------------------------------------------------------------- task "commands"

    async def _send_commands(self) -> None:
        """Write what is to be said; a port that takes nothing ends its session."""
        while True:
            session, data = await self._outbox.get()
            try:
                if session is self._session:
                    await asyncio.to_thread(session.port.write, data)
            except PortError as error:
                session.end(error)
            finally:
                self._done["commands"] += 1
                self._outbox.task_done()

    # ---------------------------------------------------------------- task "journal"

    async def _commit_items(self) -> None:
        """Write what was delivered, then let it be acknowledged."""
        while True:
            await self._work.wait()
            self._work.clear()
            await self._commit()
            if self._blocked_s is not None:
                self._work.set()
                await asyncio.sleep(self._pace.retry_s)
            await asyncio.sleep(self._pace.between_commits_s)

    async def _commit(self) -> None:
        items = self._conversation.take_items()
        if not items and self._blocked_s is None:
            return
        try:
            safe = await asyncio.get_running_loop().run_in_executor(self._pool, self._keep, items)
        except JournalBlockedError as error:
            self._done["journal"] += 1  # to try again is its work, as it is the link's
            if self._blocked_s is None:
                self._blocked_s = self._now_s()
                _log.error("%s; the rig keeps what is not safe, trying again", error)
            return
        if self._blocked_s is not None:
            blocked, self._blocked_s = duration_text(self._now_s() - self._blocked_s), None
            _log.info("%s: can be written again, after %s", self._journal_path, blocked)
        self._room.set()
        self._done["journal"] += 1
        if safe is not None:
            self._conversation.committed(*safe, self._now_s())
            self._pass_on()

    def _open_journal(self) -> Keeper:
        journal = Journal.open(self._journal_path, self._settings.text)
        return Keeper(journal, self._settings.rig)

    def _keep(self, items: list[Item]) -> tuple[int, int] | None:
        if self._keeper is None:
            raise RuntimeError("nothing can be kept before the journal is open")
        return self._keeper.keep(items, self._clock())

    # ---------------------------------------------------------------- task "watch"

    async def _watch(self) -> None:
        """Let the conversation's time pass, notice silence, report from time to time."""
        report_s = self._now_s() + self._pace.report_s
        keep_days = self._settings.journal.keep_days
        while True:
            await asyncio.sleep(self._pace.tick_s)
            now_s = self._now_s()
            self._conversation.tick(now_s)
            self._pass_on()
            if self._session is not None and self._link.silent_s(now_s) >= self._pace.silence_s:
                silent = duration_text(self._link.silent_s(now_s))
                self._session.end(PortError(self._session.port.name, f"no valid line for {silent}"))
            if now_s >= report_s:
                report_s = now_s + self._pace.report_s
                self._report()
                if keep_days is not None and self._keeper is not None:
                    loop = asyncio.get_running_loop()
                    await loop.run_in_executor(self._pool, self._keeper.forget_older_than, keep_days)

    def _report(self) -> None:
        faults = ", ".join(f"{reason}: {count}" for reason, count in sorted(self._faults.items())) or "none"
        _log.info("%s", self._conversation.counters.words(faults, self._splitter.overlong))

    # ---------------------------------------------------------------- the end

    async def _finish(self) -> None:
        """Store what was delivered and tell the rig, as far as it still listens."""
        # Bytes that come in from here on are not heard (`_hear_records`): the rig keeps what they say.
        self._conversation.finish(self._now_s())
        await self._commit()
        self._conversation.finish(self._now_s())
        self._pass_on()
        try:
            await asyncio.wait_for(self._outbox.join(), self._pace.close_s)
        except TimeoutError:
            _log.debug("the last acknowledgement wasn't sent")

    def _now_s(self) -> float:
        return self._clock().monotonic_us / 1e6

    def _tell(self, notice: Notice) -> None:
        self._said = notice.text
        _log.log(LEVELS[notice.tone], "%s", notice.text)
