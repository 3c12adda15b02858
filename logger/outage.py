"""An outage of another computer, told in few words: when to try again, and what is worth a line in the log."""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING, Any, Final, Protocol

from logger.errors import cause_words
from logger.notice import Notice, Tone, duration_text

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

_log = logging.getLogger(__name__)


class Waits(Protocol):
    """The waits between tries, in seconds."""

    @property
    def first_wait_s(self) -> float:
        """After the first failure; later a quarter of the time that it has failed."""

    @property
    def longest_wait_s(self) -> float:
        """Never longer than this."""

    @property
    def good_session_s(self) -> float:
        """After a session of this length the waits begin anew."""


SHARE: Final = 0.25
"""The wait as a share of the outage so far: short ones are over soon, long ones are not hammered."""


class Outage:
    """When to try again, and what to say: no clock and no connection in here."""

    MOST_TOLD: Final = 2

    def __init__(self, address: str, pace: Waits, what: str = "broker") -> None:
        """Nothing has failed yet. `what` is there, under this address, in what is said."""
        self._address, self._what = address, what
        self._pace = pace
        self._failing_s = 0.0
        """How long there was no session, since the last good one."""
        self._looked_s = 0.0
        self._connected_s: float | None = None
        self._down_since_s: float | None = None
        self._told: list[str] = []
        self._back_told = False

    def connected(self, now_s: float) -> Notice:
        """The other side has taken us."""
        self._connected_s = now_s
        if self._down_since_s is not None:
            self._failing_s += now_s - self._looked_s
        since, self._down_since_s = self._down_since_s, None
        again = "" if since is None else f" again, after {duration_text(now_s - since)}"
        # one that takes us and throws us out at once would be told for ever
        quiet = since is not None and self._back_told
        self._back_told = self._back_told or since is not None
        return Notice(
            Tone.DEBUG if quiet else Tone.INFO, f"connected to the {self._what} {self._address}{again}"
        )

    def failed(self, now_s: float, reason: str) -> tuple[float, Notice]:
        """A session or a try has failed: how long to wait, and what to say of it."""
        if self._connected_s is not None and now_s - self._connected_s >= self._pace.good_session_s:
            # only a good session ends an outage
            self._failing_s = 0.0
            self._told, self._back_told = [], False
        self._connected_s = None
        if self._down_since_s is None:
            self._down_since_s = now_s
        else:
            self._failing_s += now_s - self._looked_s
        self._looked_s = now_s
        wait_s = min(max(SHARE * self._failing_s, self._pace.first_wait_s), self._pace.longest_wait_s)
        new = reason not in self._told and len(self._told) < self.MOST_TOLD
        if new:
            self._told.append(reason)
        return wait_s, Notice(Tone.WARNING if new else Tone.DEBUG, f"no {self._what}: {reason}")


def raise_if_cancelled() -> None:
    """Raise CancelledError if the task was told to end: an error on the way out must not hide that."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


async def keep_going(what: str, run: Callable[[], Coroutine[Any, Any, object]], again_s: float) -> None:
    """Do `run` until cancelled, and again `again_s` after it failed or ended: nobody else may suffer by it.

    `what` begins the line in which a failure is told, once for each reason.
    """
    told = ""
    while True:
        try:
            await run()
            words = "it ended"
        except Exception as error:  # noqa: BLE001  whatever it is, the recording and the watch go on
            _log.debug("where it happened", exc_info=True)
            words = cause_words(error)
        raise_if_cancelled()
        level = logging.DEBUG if words == told else logging.ERROR
        told = words
        _log.log(level, "%s: %s; trying again in %.0f s", what, words, again_s)
        await asyncio.sleep(again_s)
