"""A copy of everything in InfluxDB: what carries it there, whatever it is that is carried.

A `Source` hands out portions in order and is told when one is there. The mirror writes each with one request at a time,
in a thread, so that the recording never waits for it; it goes on only when the server has confirmed. A server that is
away costs nothing but time. A point that the server refuses is put aside with its words, and the rest goes on.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from logger.cursor_file import Saving
from logger.influx_server import AwayError, InfluxServer, deliver
from logger.notice import LEVELS, Notice
from logger.outage import Outage, keep_going

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from logger.delivery_settings import InfluxSettings
    from logger.mirror_state import MirrorState, StateFile

_log = logging.getLogger(__name__)
_T = TypeVar("_T")

AGAIN_s: Final = 60.0


@dataclass(frozen=True, slots=True)
class InfluxPace:
    """The times of a mirror, in seconds."""

    first_wait_s: float = 1.0
    longest_wait_s: float = 60.0
    good_session_s: float = 30.0
    timeout_s: float = 10.0
    poll_s: float = 1.0
    save_s: float = 5.0
    """A state is kept so often; what was written since is written again after a kill, to no effect."""
    rest: float = 0.5
    """While catching up, so long a pause after each portion as a share of what it took: the rig comes first."""


@dataclass(frozen=True, slots=True)
class Portion:
    """Lines to be written, and the state once they are there."""

    lines: Sequence[str]
    state: MirrorState
    harmless: Callable[[], str]
    """A point of now that no server has anything against, to tell a refused point from a server that refuses all."""
    more: bool = False
    """Whether there is more to come at once."""


class Source(Protocol):
    """What is mirrored."""

    async def open(self, state: MirrorState) -> MirrorState:
        """Begin after what is there already; return the state from which it goes on."""

    async def next(self, state: MirrorState) -> Portion | None:
        """The next portion after this state, None if there is nothing new."""

    async def done(self, portion: Portion) -> None:
        """All of it is there, or put aside."""

    def waiting(self) -> int:
        """How much waits, where only the source knows."""

    def close(self) -> None:
        """The end."""


@dataclass
class Mirror:
    """Carries a source to the server until cancelled."""

    settings: InfluxSettings
    source: Source
    file: StateFile
    pace: InfluxPace = field(default_factory=InfluxPace)
    quiet: bool = False
    """Another mirror of the same process tells how it stands with the server."""

    async def keep(self) -> None:
        """Mirror until cancelled. Whatever goes wrong is told and begun again: nobody else may suffer by it."""
        await keep_going("InfluxDB gets nothing", self.run, AGAIN_s)

    async def run(self) -> None:
        """Mirror until cancelled; raises what is no fault of the server's."""
        server = InfluxServer(self.settings, self.pace.timeout_s)
        loop = asyncio.get_running_loop()
        state = replace(self.file.load(), to=f"{self.settings.url}, bucket {self.settings.bucket}")
        carrier: _Carrier | None = None
        try:
            carrier = _Carrier(self, server, await self.source.open(state))
            save_s = 0.0
            while True:
                begun_s = loop.time()
                portion = await self.source.next(carrier.state)
                if portion is not None:
                    await carrier.carry(portion)
                if loop.time() >= save_s or carrier.news:
                    carrier.save()
                    save_s = loop.time() + self.pace.save_s
                at_once = portion is not None and portion.more
                took_s = loop.time() - begun_s
                await asyncio.sleep(self.pace.rest * took_s if at_once else self.pace.poll_s)
        finally:
            server.close()
            try:
                if carrier is not None:
                    carrier.save()
            finally:
                self.source.close()


class _Carrier:
    """One run's way to the server, with what is known of it."""

    def __init__(self, mirror: Mirror, server: InfluxServer, state: MirrorState) -> None:
        self._mirror, self._server, self.state = mirror, server, state
        self._outage = Outage(mirror.settings.url, mirror.pace, "InfluxDB")
        self._up = False
        self._saving = Saving("InfluxDB gets its points on, some again after a restart")
        self.news = True
        """Whether the state has something that should be kept at once."""

    async def carry(self, portion: Portion) -> None:
        """Write a portion, however long it takes."""
        refused: list[tuple[str, str]] = []
        while portion.lines:
            try:
                refused = await aside(partial(deliver, self._server.write, portion.lines, portion.harmless()))
            except AwayError as error:
                await self._wait(error)
            else:
                break
        if portion.lines and not self._up:
            self._up = self.news = True
            self._tell(self._outage.connected(asyncio.get_running_loop().time()))
        state = portion.state.working()
        if refused:
            # on the disk before the cursor moves over them
            self._mirror.file.keep_refused(refused)
            words = refused[-1][1]
            _log.warning(
                "InfluxDB refuses %d points, put aside in %s: %s",
                len(refused),
                self._mirror.file.refused,
                words,
            )
            state = replace(state, refused=state.refused + len(refused), refused_words=words)
        await self._mirror.source.done(portion)
        self.news = self.news or bool(refused) or bool(self.state.trouble)
        self.state = replace(state, points=self.state.points + len(portion.lines) - len(refused))

    def save(self) -> None:
        """Keep how it stands."""
        self.state = replace(self.state, waiting=self._mirror.source.waiting())
        if self._saving.attempt(lambda: self._mirror.file.save(self.state)):
            self.news = False

    async def _wait(self, error: AwayError) -> None:
        self._up = False
        reason = f"{self._mirror.settings.url}: {error.reason}"
        wait_s, notice = self._outage.failed(asyncio.get_running_loop().time(), reason)
        self._tell(notice)
        self.state = self.state.failing(error.reason)
        self.save()
        await asyncio.sleep(max(wait_s, error.wait_s))

    def _tell(self, notice: Notice) -> None:
        _log.log(logging.DEBUG if self._mirror.quiet else LEVELS[notice.tone], "%s", notice.text)


async def aside(work: Callable[[], _T]) -> _T:
    """Do something slow in a thread of its own, which nobody waits for at the end.

    A request to a server that stands still can't be called back; the program must not end ten seconds later for it.
    """
    done: Future[_T] = Future()

    def body() -> None:
        if not done.set_running_or_notify_cancel():
            return
        try:
            done.set_result(work())
        except BaseException as error:  # noqa: BLE001  it is raised where it is awaited
            done.set_exception(error)

    threading.Thread(target=body, name="InfluxDB", daemon=True).start()
    return await asyncio.wrap_future(done)
