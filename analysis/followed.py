"""A soak as its own parts see it: what they may read of the whole without knowing how it is followed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.agreement import Agreement
    from analysis.alarms import AlarmBook
    from analysis.before import Before
    from analysis.estimator import Estimator
    from analysis.evidence import Evidence
    from analysis.fast_leak import FastLeak
    from analysis.notes import Kind
    from analysis.reasons import Reason
    from analysis.steps import Step
    from analysis.tape import Tape, TapeReading

Array = NDArray[np.float64]


class Followed(Protocol):
    """What `analysis.soak.SoakAnalysis` is to its parts; its docstrings say what each is."""

    sections: tuple[str, ...]
    taped: tuple[TapeReading, ...]
    notes: tuple[tuple[float, tuple[str, ...], Kind], ...]
    loads: list[tuple[float, Array]]
    before: Before | None
    tape: Tape
    estimator: Estimator
    book: AlarmBook
    fast: FastLeak
    first_s: float
    rig_loss_per_s: Array
    rig_deviation_per_s: Array

    def prelude(self, time_s: Array, values: Mapping[str, Array]) -> None:
        """Take what was read before the begin."""

    def feed(self, time_s: Array, values: Mapping[str, Array]) -> None:
        """Take rows in time order."""

    def finish(self) -> None:
        """Close the last bin."""

    def known(self) -> Evidence | None:
        """Return the evidence after the last bin."""

    def agreement(self) -> Agreement | None:
        """Return what the sections say together."""

    def limit_per_s(self) -> Array:
        """Return the loss that divides each section's verdict, (S,)."""

    def risen_per_s(self) -> Array:
        """Return what went up in steps, spread over the soak, (S,)."""

    def usable(self, i: int) -> bool:
        """Whether a section has readings enough."""

    def doubts(self, i: int) -> list[Reason]:
        """Return what forbids any verdict on section `i`."""

    def steps_of(self, i: int) -> list[Step]:
        """Return how section `i` moved by itself."""
