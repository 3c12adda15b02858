"""How long ago something was, across restarts and clocks that are set: no clock in here.

While the program runs the monotonic clock counts. Across a restart only labels of the wall clock are left; an age that
they make negative, or longer than anything that is remembered, says that the clock was set in between.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from logger.clock import HostTime

LONGEST_s: Final = 30 * 86_400.0
"""Nothing that matters to a letter is older."""


def since_s(label: object, now: HostTime) -> float | None:
    """When what bears this label (ISO 8601) was, on the monotonic clock; None if the label can't be believed.

    >>> from logger.clock import HostTime
    >>> now = HostTime(monotonic_us=10_000_000, utc_us=1_800_000_060_000_000)
    >>> since_s("2027-01-15T08:00:00+00:00", now)
    -50.0
    >>> since_s("2099-01-15T08:00:00+00:00", now) is None
    True
    """
    try:
        moment = datetime.fromisoformat(str(label))
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    age_s = now.utc_us / 1e6 - moment.timestamp()
    return now.monotonic_us / 1e6 - age_s if 0.0 <= age_s <= LONGEST_s else None
