"""What somebody did to the car during a soak, in their own words: the gas that moved then is theirs, and no leak's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

Kind = Literal["valve", "refill", "load", "moved"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
MEANINGS: Final[Mapping[Kind, str]] = {
    "valve": "you opened or shut a valve, a fitting or a hose, and gas went out or across",
    "refill": "you put gas in",
    "load": "something heavy was put into the car or taken out, or somebody leaned on it",
    "moved": "the car was rolled, lifted or let down",
}
"""Each kind as a mechanic would say it."""
NO_CLOCK: Final = np.datetime64(0, "us")
"""Where a recording without a clock begins."""


@dataclass(frozen=True, slots=True)
class Note:
    """Something that was done at a moment (UTC, whole microseconds) to some sections; none named: to all.

    In a recording without a clock `at` counts from `NO_CLOCK`.
    """

    kind: Kind
    at: np.datetime64
    sections: tuple[str, ...] = ()
    text: str = ""
    by: str | None = None

    def time_s(self, begin_utc: np.datetime64 | None) -> float:
        """Return the moment in seconds since a begin (None: one without a clock)."""
        begin = NO_CLOCK if begin_utc is None else begin_utc
        return float((self.at - begin) / np.timedelta64(1, "us")) / 1e6


def kind_of(word: str) -> Kind | None:
    """Return the kind that is called so.

    >>> kind_of("valve"), kind_of("weather")
    ('valve', None)
    """
    return next((kind for kind in KINDS if kind == word), None)


def notes_since(
    notes: Iterable[Note], begin_utc: np.datetime64 | None, sections: tuple[str, ...]
) -> tuple[tuple[float, tuple[str, ...], Kind], ...]:
    """Return (seconds since the begin, sections, kind) in time order; no section: all.

    A note on sections that are not among these only is left out.
    """
    found = []
    for note in notes:
        named = tuple(name for name in note.sections if name in sections)
        if named or not note.sections:
            found.append((note.time_s(begin_utc), named, note.kind))
    return tuple(sorted(found))
