"""What forbids any verdict on a section: what was read can't be, or nothing was tested. Followed bin by bin.

Each doubt has a module of its own; here they are fed and asked together, in constant memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.frozen import STUCK_PRESSURE, FrozenHeights, OnStop
from analysis.plausible import Plausibility
from analysis.pressurised import Pressurised
from analysis.probe import Probes, Swapped
from analysis.reasons import Reason
from logger.units import STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.inputs import Bin
    from logger.settings import Settings

Array = NDArray[np.float64]

# Heights of the corners of one car lie no further apart (common practice, no source).
APART_m: Final = 0.25


class Doubts:
    """Feed rows and bins in time order, ask at any time."""

    def __init__(
        self,
        settings: Settings,
        sections: tuple[str, ...],
        *,
        column_m: Array,
        lags: int,
        begin_utc: np.datetime64 | None,
    ) -> None:
        """`column_m` (S,) gas columns, NaN = not known; `lags`: of how many the air is followed."""
        self.sections = sections
        self.standing = settings.soak.support == "standing"
        self.plausibility = Plausibility(settings, sections, begin_utc=begin_utc)
        self.pressurised = Pressurised(sections, standing=self.standing)
        self.heights = FrozenHeights(column_m, lags)
        self.pressures = FrozenHeights(np.ones(len(sections)), lags, STUCK_PRESSURE)
        self.on_stop = OnStop(len(sections))
        self.probes = Probes(len(sections))
        self.swapped = Swapped(len(sections))
        self.first_m = np.full(len(sections), np.nan)
        self.noted: dict[str, Reason] = {}

    def feed(self, time_s: Array, values: Mapping[str, Array]) -> None:
        """Take rows, as the soak does."""
        self.plausibility.feed(time_s, values)

    def finish(self) -> None:
        """The last row was fed."""
        self.plausibility.finish()

    def filled(self, absolute_Pa: Array) -> None:
        """Take the absolute pressures of a bin (S,), whether or not the estimator could use it."""
        self.pressurised.take(absolute_Pa - STANDARD_ATMOSPHERE_Pa)

    def take(self, here: Bin, absolute_Pa: Array, lagged_K: Array) -> None:
        """Take a bin that the estimator has used; `lagged_K` (L,) the air as each lag follows it."""
        self.probes.take(here.gas_temperature_K, here.ambient_temperature_K, float(lagged_K[0]))
        self.first_m = np.where(np.isnan(self.first_m), here.height_m, self.first_m)
        if self.standing:
            self.on_stop.take(here.height_m, absolute_Pa, float(lagged_K[len(lagged_K) // 2]))
            self.heights.take(here.time_s, here.height_m, here.height_variance_m2, absolute_Pa, lagged_K)
            return
        self.swapped.take(absolute_Pa, here.gas_temperature_K)
        logs = np.log(np.where(absolute_Pa > 0.0, absolute_Pa, np.nan))
        self.pressures.take(here.time_s, logs, here.pressure_variance, np.ones(len(logs)), lagged_K)

    def note(self, section: str, reason: Reason) -> None:
        """Take a doubt that others have found."""
        self.noted[section] = reason

    def of(self, i: int, *, by_hand: bool, fell: bool) -> list[Reason]:
        """Return the doubts about section `i`; `by_hand`: judged by heights of a tape; `fell`: it went down at once."""
        found = [*self.plausibility.doubts(self.sections[i])]
        if self.sections[i] in self.noted:
            found.append(self.noted[self.sections[i]])
        probe = self._probe(i)
        if fell:  # on its stop, empty, it looks like many things
            found = [reason for reason in found if reason.code not in {"wrong_support", "implausible_input"}]
            each = [probe]
        else:
            frozen = None if by_hand else self._frozen(i)
            empty = self.pressurised.empty(i) or self._on_stop(i)
            each = [empty, frozen, self._apart(i), probe, self._stuck(i)]
        return [*found, *(reason for reason in each if reason is not None)]

    def others_frozen(self, i: int) -> bool:
        """Whether the heights of most other sections stand still."""
        frozen = np.isfinite(np.delete(self.heights.frozen_s, i))
        return bool(2 * frozen.sum() >= len(frozen) > 0)

    def _frozen(self, i: int) -> Reason | None:
        if not np.isfinite(self.heights.frozen_s[i]):
            return None
        asked_mm = 1000.0 * self.heights.asked_m[i]
        return Reason(
            "height_frozen",
            f"the height sensor stood still while cold and load asked for {asked_mm:.0f} mm: iced, jammed or unhooked? "
            "Free it, or measure by hand, and soak again",
        )

    def _on_stop(self, i: int) -> Reason | None:
        if not self.on_stop.found()[i]:
            return None
        return Reason(
            "empty",
            "its height is still and its pressure goes with the cold, so the car rests on its stop there: nothing was "
            "tested; fill it and soak again",
        )

    def _apart(self, i: int) -> Reason | None:
        others = np.delete(self.first_m, i)
        others = others[np.isfinite(others)]
        if not self.standing or not len(others) or not np.isfinite(self.first_m[i]):
            return None
        apart_m = abs(self.first_m[i] - np.median(others))
        if apart_m <= APART_m:
            return None
        return Reason(
            "implausible_input",
            f"its height is {1000.0 * apart_m:.0f} mm away from the others': are columns or plugs swapped?",
        )

    def _probe(self, i: int) -> Reason | None:
        outside, still = self.probes.outside()[i], self.probes.still()[i]
        if self.swapped.found()[i]:
            return Reason(
                "contradiction",
                "its pressure goes with the gas thermometer of another section, not with its own: are two swapped?",
            )
        if not outside and not still:
            return None
        does = "goes with the air: it isn't in the gas" if outside else "stands still while the air moves"
        return Reason(
            "contradiction",
            f"the thermometer called gas {does}; leave its column out, or name it for what it is",
        )

    def _stuck(self, i: int) -> Reason | None:
        if not np.isfinite(self.pressures.frozen_s[i]):
            return None
        return Reason(
            "implausible_input",
            f"the pressure stood still from {self.pressures.frozen_s[i] / 3600.0:.1f} h on while the cold asked for "
            f"{100.0 * self.pressures.asked_m[i]:.1f} %: the transducer hangs, or its line is blocked",
        )
