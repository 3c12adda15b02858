"""Word to whoever keeps the service running that it really gets on: systemd's watchdog, and a file for containers.

A process that lives is no proof. So each service names its stages: work that waits there, and a mark that changes
when some of it was done. As long as no stage stands still, the pulse beats. A rig that is unplugged is no standstill:
trying the port again and again is the link's work, and it is done.

The protocol is one datagram to a socket (sd_notify(3), which shows it in a few lines of C and Python). The libraries for
it are either not kept, bring C, or swallow what goes wrong; these are twenty lines.
"""

from __future__ import annotations

import asyncio
import contextlib
import faulthandler
import json
import logging
import os
import socket
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.errors import PlainError
from logger.files import replace_file
from logger.notice import duration_text

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping

log = logging.getLogger(__name__)

PULSE_VARIABLE: Final = "CORNERHOLD_PULSE"
"""Names the file that is renewed while the service gets on."""
PATIENCE_s: Final = 60.0
"""Work may wait so long without any being done. More than the longest honest wait: a try at a port ends in seconds."""
EVERY_s: Final = 5.0
GIVE_UP_s: Final = 120.0
"""After so long without a pulse a process in a container ends itself: an engine begins again what has ended, and leaves
what hangs."""
_MOST_STATUS: Final = 400


@dataclass
class Stage:
    """One thing that must go on. `look` says whether work waits, and a mark that changes when some was done."""

    name: str
    look: Callable[[], tuple[bool, object]]
    patience_s: float = PATIENCE_s
    _mark: object = None
    _since_s: float | None = None

    def still_s(self, now_s: float) -> float:
        """How long work has waited without any being done."""
        waits, mark = self.look()
        if not waits or self._since_s is None or mark != self._mark:
            self._mark, self._since_s = mark, now_s
        return now_s - self._since_s


@dataclass
class Progress:
    """All stages of a service."""

    stages: list[Stage] = field(default_factory=list)

    def add(self, name: str, look: Callable[[], tuple[bool, object]]) -> None:
        """Watch one more stage."""
        self.stages.append(Stage(name, look))

    def standstill(self, now_s: float) -> str | None:
        """Say which stage stands still, or None. To be asked often: `now_s` is monotonic.

        >>> done, progress = [0], Progress()
        >>> progress.add("journal", lambda: (True, done[0]))
        >>> progress.standstill(0.0), progress.standstill(59.0)
        (None, None)
        >>> progress.standstill(61.0)
        'journal: nothing done for 61 s'
        >>> done[0] = 1
        >>> progress.standstill(62.0) is None
        True
        """
        found = None
        for stage in self.stages:
            still_s = stage.still_s(now_s)
            if still_s > stage.patience_s:
                found = found or f"{stage.name}: nothing done for {duration_text(still_s)}"
        return found


class Caretaker:
    """Whoever keeps the service running: the service manager by its socket, a container by a file; both, or nobody."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        """Find out who there is; what the environment says wrongly is told once and left."""
        self._socket: socket.socket | None = None
        self._file = Path(environment[PULSE_VARIABLE]) if environment.get(PULSE_VARIABLE) else None
        self._told = False
        self._wanted_s: float | None = None
        address = environment.get("NOTIFY_SOCKET", "")
        if address:
            self._connect(address)
        for_whom = environment.get("WATCHDOG_PID", "")
        if for_whom in {"", str(os.getpid())} and environment.get("WATCHDOG_USEC", "").isdigit():
            self._wanted_s = int(environment["WATCHDOG_USEC"]) / 1e6

    @property
    def there(self) -> bool:
        """Whether anybody wants to know."""
        return self._socket is not None or self._file is not None

    @property
    def every_s(self) -> float:
        """How often it must be told: twice and once more in the time that the manager gives."""
        return min(EVERY_s, EVERY_s if self._wanted_s is None else self._wanted_s / 3.0)

    def ready(self) -> None:
        """The service is at work."""
        self._say("READY=1")

    def stopping(self) -> None:
        """The service has been told to end."""
        self._say("STOPPING=1")

    def beat(self, status: str) -> None:
        """The service gets on."""
        self._say("WATCHDOG=1", f"STATUS={_plain(status)}")
        self._keep({"status": _plain(status)})

    def stands_still(self, reason: str) -> None:
        """The service does not get on: the time that it was given runs out."""
        self._say(f"STATUS=STANDS STILL: {_plain(reason)}")

    def close(self) -> None:
        """Nothing more is said; the file goes, so that it can't pass for a pulse."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        if self._file is not None:
            faulthandler.cancel_dump_traceback_later()
            with contextlib.suppress(OSError):
                self._file.unlink(missing_ok=True)

    def _connect(self, address: str) -> None:
        # "@": a name that is in no directory
        place = f"\0{address[1:]}" if address.startswith("@") else address
        try:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            # a manager that doesn't read must not hold us up
            self._socket.setblocking(False)
            self._socket.connect(place)
        except OSError as error:
            self._tell_once(f"NOTIFY_SOCKET: {error.strerror or error}")
            if self._socket is not None:
                self._socket.close()
            self._socket = None

    def _say(self, *lines: str) -> None:
        if self._socket is None:
            return
        try:
            self._socket.send("\n".join(lines).encode())
        except OSError as error:
            self._tell_once(f"the service manager doesn't hear: {error.strerror or error}")

    def _keep(self, said: dict[str, object]) -> None:
        if self._file is None:
            return
        # says in the log where each thread hangs, and needs no thread that still runs
        faulthandler.dump_traceback_later(GIVE_UP_s, exit=True)
        try:
            replace_file(self._file, json.dumps(said | {"monotonic_s": boot_clock_s()}), durable=False)
        except (OSError, PlainError) as error:
            self._tell_once(f"{self._file}: {getattr(error, 'strerror', None) or error}")

    def _tell_once(self, text: str) -> None:
        if not self._told:
            self._told = True
            log.warning("the pulse is not told: %s", text)


def boot_clock_s() -> float:
    """A clock that all processes of a computer share and nobody sets."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def _plain(text: str) -> str:
    return " ".join(text.split())[:_MOST_STATUS]


@contextlib.asynccontextmanager
async def beating(
    progress: Progress, status: Callable[[], str], begun: asyncio.Event | None = None
) -> AsyncIterator[None]:
    """Within the block whoever keeps the service running hears that it gets on; first, at `begun`, that it is ready.

    The pulse beats in the service's own event loop: a loop that hangs says nothing.
    """
    caretaker = Caretaker()
    if not caretaker.there:
        yield
        return
    # when systemd's watchdog aborts what hangs, the log says where it hung
    faulthandler.enable()
    task = asyncio.create_task(keep_beating(caretaker, progress, status, begun), name="pulse")
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        caretaker.stopping()
        caretaker.close()


async def keep_beating(
    caretaker: Caretaker, progress: Progress, status: Callable[[], str], begun: asyncio.Event | None = None
) -> None:
    """Tell `caretaker` until cancelled that the service gets on, while it does."""
    loop = asyncio.get_running_loop()
    if begun is not None:
        await begun.wait()
    caretaker.ready()
    still: str | None = None
    while True:
        before, still = still, progress.standstill(loop.time())
        if still is None:
            caretaker.beat(status())
        else:
            caretaker.stands_still(still)
        if still is None and before is not None:
            log.warning("it gets on again")
        elif still is not None and before is None:
            log.error("it stands still, and the watchdog is not told any more: %s", still)
        await asyncio.sleep(caretaker.every_s)
