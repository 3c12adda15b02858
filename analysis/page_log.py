"""What the page's server says, in the program's own log: each kind of trouble in one line, and not again within a minute.

A stranger decides how often a server has something to complain of; he must not be able to fill the disk by it.
"""

from __future__ import annotations

import logging
import time
from typing import Final

EVERY_s: Final = 60.0
MOST_KINDS: Final = 100
SERVER: Final = "uvicorn.error"
"""Where the server speaks of everything, not only of errors."""


class Seldom(logging.Filter):
    """Lets each kind of line through once within EVERY_s; the next says how many were kept back."""

    def __init__(self) -> None:
        """Nothing has been said yet."""
        super().__init__()
        self._said: dict[str, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the line is said; its kind is its text before anything is filled in."""
        now_s = time.monotonic()
        kind = str(record.msg)
        said_s, kept_back = self._said.get(kind, (-EVERY_s, 0))
        if now_s - said_s < EVERY_s:
            self._said[kind] = (said_s, kept_back + 1)
            return False
        if len(self._said) >= MOST_KINDS:
            self._said.clear()
        self._said[kind] = (now_s, 0)
        more = f" ({kept_back} more like it were not written)" if kept_back else ""
        record.msg, record.args = f"page: {record.getMessage().strip()}{more}", None
        return True

    def forget(self) -> None:
        """Say everything once more."""
        self._said.clear()


seldom: Final = Seldom()


def log_seldom() -> logging.Logger:
    """Put the filter before what the server says, and return the logger for what the page's door says."""
    own = logging.getLogger("analysis.page_door")
    for logger in (logging.getLogger(SERVER), own):
        logger.addFilter(seldom)  # a second time does nothing
    return own
