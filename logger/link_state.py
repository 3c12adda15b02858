"""When to try the port again, and what to say about it: a state machine without port or clock.

Times are monotonic seconds, passed in. The wait between tries grows up to a cap, and falls back only after a
session in which the rig really talked for a while: a port that opens and dies at once must not be hammered.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from logger.notice import Notice, Tone, duration_text


class LinkState(StrEnum):
    """Where the connection to the rig stands."""

    WAITING = "waiting"  # closed, the next try is due later
    OPENING = "opening"
    OPEN = "open"  # the port is open, the rig hasn't said anything yet
    TALKING = "talking"  # a valid line has been heard
    STOPPED = "stopped"


class LinkError(RuntimeError):
    """An event that can't happen in this state: a fault of the program."""


FIRST_WAIT_S: Final = 0.2
LONGEST_WAIT_S: Final = 3.0
"""So that a rig that was away for some seconds is heard again within five."""
GOOD_SESSION_S: Final = 10.0


class Link:
    """The state, the waits and the words of one connection."""

    def __init__(
        self,
        first_wait_s: float = FIRST_WAIT_S,
        longest_wait_s: float = LONGEST_WAIT_S,
        good_session_s: float = GOOD_SESSION_S,
    ) -> None:
        """Wait `first_wait_s` after the first failure, at most `longest_wait_s` later on."""
        self._first_wait_s = first_wait_s
        self._longest_wait_s = longest_wait_s
        self._good_session_s = good_session_s
        self.state = LinkState.WAITING
        self.wait_s = 0.0
        """How long to wait before the next try, in the state WAITING."""
        self._next_wait_s = first_wait_s
        self._talking_since_s = 0.0
        self._down_since_s: float | None = None
        self._last_valid_s = 0.0
        self.outages = 0
        self.turns = 0
        """Grows with everything that happens, a try that fails included: a link that stands still shows by it."""

    def opening(self) -> None:
        """The port is about to be opened."""
        self._must_be(LinkState.WAITING)
        self.state = LinkState.OPENING
        self.turns += 1

    def opened(self, now_s: float) -> None:
        """The port is open."""
        self._must_be(LinkState.OPENING)
        self.state = LinkState.OPEN
        self.turns += 1
        self._last_valid_s = now_s

    def heard(self, now_s: float) -> Notice | None:
        """A valid line has arrived; the first one of a session ends an outage."""
        self.turns += 1
        self._last_valid_s = now_s
        if self.state is LinkState.TALKING:
            return None
        self._must_be(LinkState.OPEN)
        self.state = LinkState.TALKING
        self._talking_since_s = now_s
        if self._down_since_s is None:
            return Notice(Tone.INFO, "the rig talks")
        outage_s = now_s - self._down_since_s
        self._down_since_s = None
        return Notice(Tone.INFO, f"the rig talks again, after {duration_text(outage_s)}")

    def silent_s(self, now_s: float) -> float:
        """How long no valid line has been heard on the open port."""
        return now_s - self._last_valid_s

    def failed(self, now_s: float, reason: str) -> Notice:
        """The port couldn't be opened, was lost, or is given up for its silence: wait, then try again."""
        if self.state in {LinkState.WAITING, LinkState.STOPPED}:
            raise LinkError(f"failure in state {self.state}")
        if self.state is LinkState.TALKING and now_s - self._talking_since_s >= self._good_session_s:
            self._next_wait_s = self._first_wait_s
        self.state = LinkState.WAITING
        self.turns += 1
        self.wait_s = self._next_wait_s
        self._next_wait_s = min(2 * self._next_wait_s, self._longest_wait_s)
        if self._down_since_s is not None:
            return Notice(Tone.DEBUG, f"still no rig: {reason}")
        self._down_since_s = now_s
        self.outages += 1
        return Notice(Tone.WARNING, f"no rig: {reason}")

    def stopped(self) -> None:
        """No more tries."""
        self.state = LinkState.STOPPED

    def _must_be(self, state: LinkState) -> None:
        if self.state is not state:
            raise LinkError(f"in state {self.state}, not {state}")
