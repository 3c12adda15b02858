"""Heights measured by hand: when they count, and how they are taken in beside the bins of a soak.

A reading is one more step of the estimator at its own moment, with pressure and temperature as the bins around it have
them. Between readings a section without a height sensor has no height, and nothing is concluded from its pressure.

What is known of such a section is what was known at its last height: what came after nobody has measured.

A section has one scale of height. Where a sensor reads, it is the sensor's: the first reading by hand ties the tape to
it, the later ones are measurements in that scale and a check of it. Where none reads, the tape is the scale.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.evidence import Evidence
    from analysis.inputs import Bin

DEVIATION_m: Final = 1e-3
"""Standard uncertainty of a reading by hand unless another is given: common practice, no source."""
REACH_s: Final = 900.0
"""A reading counts if the rig has read within so long of it (common practice, no source)."""
CONTRADICTION: Final = 4.0
SENSOR_DEVIATION_m: Final = 0.5e-3
"""What a height sensor may drift over a cold night (datasheets, read second-hand); for the check only."""
LEAST_APART_s: Final = 3600.0
_BY_SECTION: Final = (
    "weight",
    "mean_loss_per_s",
    "mean_deviation_per_s",
    "loss_per_s",
    "loss_deviation_per_s",
    "share",
    "log_odds",
)


@dataclass(frozen=True, slots=True)
class TapeReading:
    """A height measured by hand, `time_s` after the soak's time zero; `deviation_m` its standard uncertainty."""

    time_s: float
    section: str
    height_m: float
    deviation_m: float = DEVIATION_m


class Tape:
    """The readings of a soak and what became of each; all arrays are (S,)."""

    def __init__(self, readings: Sequence[TapeReading], sections: tuple[str, ...], *, standing: bool) -> None:
        """Readings in any order; those of sections that the soak doesn't have are left out."""
        known = [r for r in readings if r.section in sections]
        self.sections = sections
        self.left_out: list[tuple[TapeReading, str]] = []
        if not standing:
            self.left_out = [(r, "on a blocked car the height says nothing") for r in known]
            known = []
        self._waiting = sorted(known, key=lambda r: (r.time_s, sections.index(r.section), r.height_m))
        self._later = Counter(r.section for r in known)
        count = len(sections)
        self.used: list[TapeReading] = []
        self.impossible: list[TapeReading] = []  # lower than the gas column is long
        self.by_sensor = np.zeros(count, dtype=np.bool_)  # the scale is a sensor's
        self.tie_m = np.full(count, np.nan)  # tape less sensor
        self.tie_deviation_m = np.zeros(count)
        self.apart: list[
            tuple[TapeReading, float]
        ] = []  # checks: by how much the tape lies above the sensor, m
        self._before: Bin | None = None
        self._sensor_seen = np.zeros(count, dtype=np.bool_)

    def heights_of(self, i: int) -> list[TapeReading]:
        """Return the readings by which a section without a height sensor is judged."""
        return [r for r in self.used if r.section == self.sections[i] and not self.by_sensor[i]]

    def measures(self, i: int) -> bool:
        """Whether a section has at least two heights by hand, far enough apart in time, and no sensor."""
        times = [r.time_s for r in self.heights_of(i)]
        return len(times) >= 2 and times[-1] - times[0] >= LEAST_APART_s

    def contradicted(self, i: int) -> tuple[TapeReading, float] | None:
        """Return the reading that contradicts the section's height sensor most, and by how many metres; or None."""
        found = []
        for reading, apart in self.apart:
            allowed = np.sqrt(reading.deviation_m**2 + self.tie_deviation_m[i] ** 2 + SENSOR_DEVIATION_m**2)
            if reading.section == self.sections[i] and abs(apart) > CONTRADICTION * allowed:
                found.append((reading, apart))
        return max(found, key=lambda one: abs(one[1]), default=None)

    # -- beside the bins -------------------------------------------------------------------------------------

    def before(self, here: Bin, first_s: float) -> Iterator[tuple[Bin, list[TapeReading]]]:
        """Yield the steps that lie before a bin, which is taken after them; readings before the first row are its."""
        for group in self._due(here.time_s):
            at_s = max(group[0].time_s, first_s)
            if group[0].time_s < first_s - REACH_s:
                self.left_out += [(r, "before the first reading of the rig") for r in group]
            elif (around := _between(self._before, here, at_s)) is None:
                self.left_out += [(r, "the rig gave no reading around that time") for r in group]
            elif np.isfinite((step := self._step(around, group)).height_m).any():
                yield step, group
        self._before = here
        self._sensor_seen |= np.isfinite(here.height_m)

    def at_end(self, last_s: float) -> Iterator[tuple[Bin, list[TapeReading]]]:
        """Yield the steps after the last bin; what was measured long after the last row does not count."""
        for group in self._due(last_s + REACH_s):
            if self._before is not None:
                at_s = min(max(group[0].time_s, self._before.time_s), last_s)
                step = self._step(replace(self._before, time_s=at_s), group)
                if np.isfinite(step.height_m).any():
                    yield step, group
        if self._before is not None:
            self.left_out += [(r, "after the last reading of the rig") for r in self._waiting]
            self._waiting = []

    def _due(self, time_s: float) -> Iterator[list[TapeReading]]:
        """Yield the waiting readings up to a moment, those of one moment and different sections together."""
        while self._waiting and self._waiting[0].time_s <= time_s:
            group = [self._waiting.pop(0)]
            while self._waiting and self._waiting[0].time_s == group[0].time_s:
                if self._waiting[0].section in {r.section for r in group}:
                    break
                group.append(self._waiting.pop(0))
            yield group

    def _step(self, around: Bin, group: list[TapeReading]) -> Bin:
        """Return the bin of a group: heights in the scale of each section, none where it only ties the scale."""
        sensor = around.height_m
        height = np.full(len(self.sections), np.nan)
        variance = np.ones(len(self.sections))
        for reading in group:
            i = self.sections.index(reading.section)
            self._later[reading.section] -= 1
            fresh = not any(r.section == reading.section for r in self.used)
            if fresh and np.isfinite(sensor[i]):
                self.by_sensor[i] = True
                self.tie_m[i] = reading.height_m - sensor[i]
                self.tie_deviation_m[i] = reading.deviation_m
                self.used.append(reading)
                continue
            if fresh and self._sensor_seen[i]:
                self.left_out.append(
                    (reading, "the height sensor was silent, so the tape can't be tied to it")
                )
                continue
            self.used.append(reading)
            if not self.by_sensor[i]:
                height[i], variance[i] = reading.height_m, reading.deviation_m**2
                continue
            height[i] = reading.height_m - self.tie_m[i]
            # The error of the tie is common to all later readings: shared out so that their mean has it once.
            shares = sum(r.section == reading.section for r in self.used) - 1 + self._later[reading.section]
            variance[i] = reading.deviation_m**2 + shares * self.tie_deviation_m[i] ** 2
            if np.isfinite(sensor[i]):
                self.apart.append((reading, float(height[i] - sensor[i])))
        return replace(around, height_m=height, height_variance_m2=variance, by_hand=True)

    def own_scale(self, height_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return sensor heights (S,) without those that come to speak only after the tape has set the scale."""
        taped = np.array([bool(self.heights_of(i)) for i in range(len(self.sections))], dtype=np.bool_)
        return np.where(taped, np.nan, height_m)

    def not_taken(self, reading: TapeReading, *, heard: bool) -> None:
        """Note that the estimator could not use a reading, though the rig was `heard`, or because it was not."""
        if reading in self.used:
            self.used.remove(reading)
            if heard:
                self.impossible.append(reading)
            else:
                self.left_out.append(
                    (reading, "the rig gave no pressure or air temperature around that time")
                )


def row_of(evidence: Evidence, i: int) -> Evidence:
    """Return the evidence of one section, a copy."""
    return replace(evidence, **{name: getattr(evidence, name)[i : i + 1].copy() for name in _BY_SECTION})


def with_rows(evidence: Evidence, rows: Mapping[int, Evidence]) -> Evidence:
    """Return evidence with other rows for some sections."""
    if not rows:
        return evidence
    whole = {name: getattr(evidence, name).copy() for name in _BY_SECTION}
    for i, row in rows.items():
        for name, array in whole.items():
            array[i] = getattr(row, name)[0]
    return replace(evidence, **whole)


def _between(before: Bin | None, after: Bin, time_s: float) -> Bin | None:
    """Return what the rig would have read at a moment between two bins; None if neither is near enough."""
    near = [b for b in (before, after) if b is not None and abs(b.time_s - time_s) <= REACH_s]
    if not near:
        return None
    if before is None:
        return replace(after, time_s=time_s)
    span_s = after.time_s - before.time_s
    share = (time_s - before.time_s) / span_s if span_s > 0.0 else 1.0

    def middle(name: str) -> NDArray[np.float64]:
        a, b = np.asarray(getattr(before, name)), np.asarray(getattr(after, name))
        value = (1.0 - share) * a + share * b
        # where one of the two is silent the other one must do
        return np.where(np.isfinite(value), value, np.where(np.isfinite(a), a, b))

    nearer = after if share > 0.5 else before
    return replace(
        nearer,
        time_s=time_s,
        pressure_Pa=middle("pressure_Pa"),
        pressure_variance=middle("pressure_variance"),
        height_m=middle("height_m"),
        gas_temperature_K=middle("gas_temperature_K"),
        ambient_temperature_K=float(middle("ambient_temperature_K")),
        ambient_pressure_Pa=float(middle("ambient_pressure_Pa")),
    )
