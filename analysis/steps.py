"""What moves faster than cooling can: steps, bursts, what happened in a gap. It all stands in the account of the gas.

What went down is gas that is gone, unless a person has noted that it was theirs; what went up makes no room for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.effects import LEVEL, WOBBLE

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A bin this far from every model, and by this much in ln(amount), is not thermal any more.
WILD_DEVIATIONS: Final = 7.0
WILD_SIZE: Final = 0.008
WILD_BINS: Final = 3
# After so long without readings of a section less is needed to say that something moved.
GAP_s: Final = 1200.0
GAP_DEVIATIONS: Final = 4.0
GAP_SIZE: Final = 0.005
SAME_EVENT_s: Final = 1800.0
# More than this no temperature does: 35 K.
MOST_THERMAL: Final = 0.13
SAME_SIZE: Final = 0.35
# What moves so near to what a person noted is theirs.
NOTED_s: Final = 900.0


@dataclass(frozen=True)
class Step:
    """A level that moved faster than cooling can: down is gas that is gone, up makes no room for it."""

    section: str
    time_s: float
    size: float  # change of ln(amount) as it seemed
    until_s: float
    unseen_since_s: float | None = None  # it happened in a gap that began then


@dataclass(frozen=True)
class Wild:
    """A bin that no model explains and that waits for the next ones."""

    time_s: float
    observed: float
    innovation: float


class StepGuard:
    """Keeps single wild bins out and the book of steps."""

    def __init__(self, sections: tuple[str, ...]) -> None:
        """Nothing has moved yet."""
        self.sections = sections
        self.waiting: list[list[Wild]] = [[] for _ in sections]
        self.following = np.zeros(len(sections), dtype=np.intp)
        self.used_at_s = np.full(len(sections), np.inf)  # of the last bin that was used
        self.steps: list[Step] = []
        self.noted: list[tuple[float, str]] = []  # when somebody did something, and to which section

    def look(
        self, time_s: float, observed: Array, innovation: Array, variance: Array, use: Mask, count: Array
    ) -> tuple[Mask, list[tuple[int, int, float]]]:
        """Return which of the sections' bins to use, and what has moved: section, state to be opened, size.

        `observed`, `innovation`, `variance` (S, M), `use` (S,), `count` (S,) of the bins so far. A wild bin waits for
        the next two. If the three agree the level has moved (a step); if they go on moving nothing is held back any
        more (a burst). Down opens the gas lost, up the level.
        """
        size = np.abs(innovation)
        # what happened while nobody looked is no smaller for that
        gap = time_s - self.used_at_s > GAP_s
        deviations = np.where(gap, GAP_DEVIATIONS, WILD_DEVIATIONS)
        least = np.where(gap, GAP_SIZE, WILD_SIZE)
        wild = use & (size > deviations[:, None] * np.sqrt(variance)).all(axis=1)
        wild &= (size > least[:, None]).all(axis=1)
        use = use.copy()
        moved: list[tuple[int, int, float]] = []
        for i in np.flatnonzero(use).tolist():
            waiting = self.waiting[i]
            if not wild[i]:
                waiting.clear()
                self.following[i] = max(self.following[i] - 1, 0)
                continue
            middle = float(np.median(innovation[i]))
            if self.following[i] > 0 or count[i] < WILD_BINS:
                self.following[i] = WILD_BINS
                moved.append(self._move(i, time_s, middle, time_s))
                continue
            waiting.append(Wild(time_s, float(np.median(observed[i])), middle))
            if len(waiting) < WILD_BINS:
                use[i] = False
                continue
            if abs(waiting[-1].observed - waiting[0].observed) >= 0.25 * abs(middle):
                self.following[i] = WILD_BINS
            since_s = float(self.used_at_s[i])
            moved.append(self._move(i, waiting[0].time_s, middle, time_s, since_s))
            waiting.clear()
        return use, moved

    def used(self, use: Mask, time_s: float) -> None:
        """Take note of which sections' bins were used."""
        self.used_at_s = np.where(use, time_s, self.used_at_s)

    def _move(
        self, i: int, time_s: float, size: float, now_s: float, since_s: float | None = None
    ) -> tuple[int, int, float]:
        """Let section `i` have moved by `size`; what moves on the same way is the same event."""
        name = self.sections[i]
        if any(n == name and abs(time_s - at_s) <= NOTED_s for at_s, n in self.noted):
            return i, LEVEL, size
        self._note(name, time_s, size, now_s, time_s if since_s is None else since_s)
        return i, WOBBLE if size < 0.0 else LEVEL, size

    def _note(self, name: str, time_s: float, size: float, now_s: float, since_s: float) -> None:
        last = next((n for n in reversed(range(len(self.steps))) if self.steps[n].section == name), None)
        if last is not None:
            step = self.steps[last]
            if time_s - step.until_s <= SAME_EVENT_s and (step.size < 0.0) == (size < 0.0):
                self.steps[last] = replace(step, until_s=now_s, size=step.size + size)
                return
        gap = time_s - since_s > GAP_s
        self.steps.append(Step(name, time_s, size, now_s, since_s if gap else None))

    def own(self, i: int) -> list[Step]:
        """Return how section `i` moved by itself; what most sections do at once is the temperature of all."""
        return [step for step in self.steps if step.section == self.sections[i] and not self._shared(step)]

    def shared(self) -> bool:
        """Whether most sections moved alike at one time, or half of them up and down: that is no gas of theirs."""
        return any(self._shared(step) or self._mixed(step) for step in self.steps)

    def _mixed(self, step: Step) -> bool:
        near = [s for s in self.steps if _meet(s, step)]
        signs = {s.size < 0.0 for s in near}
        return len(signs) > 1 and len({s.section for s in near}) >= max(0.5 * len(self.sections), 2)

    def _shared(self, step: Step) -> bool:
        others = max(len(self.sections) - 1, 1)
        alike = {
            s.section: s.size
            for s in self.steps
            if s.section != step.section and (s.size < 0.0) == (step.size < 0.0) and _meet(s, step)
        }
        # as large a step as no temperature makes is nobody's own either if all make the same one
        same = [size for size in alike.values() if abs(size / step.size - 1.0) < SAME_SIZE]
        thermal = abs(step.size) < MOST_THERMAL
        return len(alike if thermal else same) > 0.5 * others

    def pending(self, i: int) -> Wild | None:
        """Return what the newest bins say that were too wild to be used and are too few to be believed."""
        return self.waiting[i][-1] if self.waiting[i] else None


def _meet(one: Step, other: Step) -> bool:
    """Whether two steps are of one time."""
    return one.time_s <= other.until_s + SAME_EVENT_s and one.until_s >= other.time_s - SAME_EVENT_s
