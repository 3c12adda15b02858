"""A soak in which somebody did something (a valve, a refill, a load) is judged in the pieces before and after.

Each piece is a soak of its own that knows the air's history; the whole goes on beside it. The worst piece counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Generic, TypeVar

import numpy as np

from analysis.followed import Followed

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SoakT = TypeVar("SoakT", bound=Followed)

MARGIN_s: Final = 900.0
"""Nobody looks at the clock while turning a valve: so long before and after a note nothing is judged."""


class Pieces(Generic[SoakT]):
    """The pieces of a soak that has notes; none if it has none."""

    def __init__(self, whole: SoakT, piece: Callable[..., SoakT]) -> None:
        """Prepare: a piece begins when its first row comes; `piece` makes one, with its heights by hand as `tape`."""
        self.whole = whole
        self.piece = piece
        self.cuts_s = sorted({time_s for time_s, _, _ in whole.notes})
        self.done: list[SoakT] = []
        self.open: SoakT | None = None
        self.number = -1

    def of(self, i: int) -> list[SoakT]:
        """Return the pieces by which section `i` is judged; none if nobody did anything to it."""
        name = self.whole.sections[i]
        if not any(not named or name in named for _, named, _ in self.whole.notes):
            return []
        return [*self.done, *([] if self.open is None else [self.open])]

    def feed(self, time_s: Array, values: Mapping[str, Array]) -> None:
        """Take rows in time order."""
        if not self.cuts_s:
            return
        cuts = np.array(self.cuts_s)
        number = np.searchsorted(cuts, time_s, side="right")
        near = (np.abs(time_s[:, None] - cuts) <= MARGIN_s).any(axis=1)
        for k in np.unique(number[~near]):
            rows = ~near & (number == k)
            if k != self.number:
                self._begin(int(k))
            if self.open is not None:
                self.open.feed(time_s[rows], {name: column[rows] for name, column in values.items()})

    def _begin(self, number: int) -> None:
        before = self.open
        self._close()
        self.number = number
        whole = self.whole
        from_s = self.cuts_s[number - 1] if number else -np.inf
        until_s = self.cuts_s[number] if number < len(self.cuts_s) else np.inf
        tape = [r for r in whole.taped if from_s + MARGIN_s < r.time_s < until_s - MARGIN_s]
        self.open = self.piece(tape=tape)
        if before is not None:
            self.open.estimator.begin_like(before.estimator)
        elif whole.before is not None:
            self.open.prelude(whole.before.time_s, whole.before.values)

    def _close(self) -> None:
        if self.open is not None:
            self.open.finish()
            self.done.append(self.open)
            self.open = None

    def finish(self) -> None:
        """Close the last piece."""
        self._close()
