"""A soak in which somebody did something (a valve, a refill, a load) is judged in the pieces before and after.

Each piece is a soak of its own that knows the air's history; the whole goes on beside it. The worst piece counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analysis.priors import Priors
    from analysis.soak import SoakAnalysis

    Array = NDArray[np.float64]

MARGIN_s: Final = 900.0
"""Nobody looks at the clock while turning a valve: so long before and after a note nothing is judged."""


class Pieces:
    """The pieces of a soak that has notes; none if it has none."""

    def __init__(self, whole: SoakAnalysis, priors: Priors | None) -> None:
        """Prepare: a piece begins when its first row comes."""
        self.whole = whole
        self.priors = priors
        self.cuts_s = sorted({time_s for time_s, _, _ in whole.notes})
        self.done: list[SoakAnalysis] = []
        self.open: SoakAnalysis | None = None
        self.number = -1

    def of(self, i: int) -> list[SoakAnalysis]:
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
        from analysis.soak import SoakAnalysis  # noqa: PLC0415  a piece is a soak, and a soak has pieces

        before = self.open
        self._close()
        self.number = number
        whole = self.whole
        from_s = self.cuts_s[number - 1] if number else -np.inf
        until_s = self.cuts_s[number] if number < len(self.cuts_s) else np.inf
        tape = [r for r in whole.taped if from_s + MARGIN_s < r.time_s < until_s - MARGIN_s]
        self.open = SoakAnalysis(
            whole.settings,
            whole.sections,
            begin_utc=whole.begin_utc,
            priors=self.priors,
            tape=tape,
            blanks=whole.blanks,
        )
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
