"""What we keep at a broker, and whether what comes back from there is ours: no clock and no connection in here."""

from __future__ import annotations

from collections import deque
from typing import Final

PATIENCE_s: Final = 10.0
"""A word of ours that has not come back by then never will."""
MOST_FLYING: Final = 32


class Echoes:
    """One session's words, by topic. A broker shows its messages in the order in which it keeps them.

    So what is heard after the last of our own words has come back is what stands there now.

    >>> echoes = Echoes()
    >>> echoes.saying("soak", "true", 0.0)
    >>> echoes.is_foreign("soak", "forged", 0.1), echoes.is_foreign("soak", "true", 0.2)
    (False, False)
    >>> echoes.is_foreign("soak", "forged", 0.3)
    True
    """

    def __init__(self) -> None:
        """Nothing was said yet."""
        self._last: dict[str, str] = {}
        self._flying: dict[str, deque[tuple[float, str]]] = {}

    def saying(self, topic: str, payload: str, now_s: float) -> None:
        """Note what is about to be published."""
        self._last[topic] = payload
        self._flying.setdefault(topic, deque(maxlen=MOST_FLYING)).append((now_s, payload))

    def is_ours(self, topic: str) -> bool:
        """Whether we have said something there."""
        return topic in self._last

    def true(self, topic: str) -> str:
        """What should stand there: our last word, nothing if there is none."""
        return self._last.get(topic, "")

    def is_foreign(self, topic: str, payload: str, now_s: float) -> bool:
        """Take what was heard there; whether somebody else's words are the last ones."""
        flying = self._flying.get(topic)
        if flying:
            if any(said == payload for _, said in flying):
                while flying.popleft()[1] != payload:
                    pass
            while flying and now_s - flying[0][0] > PATIENCE_s:
                flying.popleft()
        return not flying and payload != self.true(topic)
