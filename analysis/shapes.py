"""The shapes that a leak can have in time, each as the curve of what a unit leak has taken so far.

Two families follow the temperature, one the clock:

steady, and only below a temperature, each under two laws of flow: the same *fraction* of the gas all the time, and flow
through a porous wall or seal, which goes with p² - p_a² (laminar flow of an ideal gas; Darcy's law for a gas,
from memory) and so with the pressure that is read;
from some time on, with a slot for each start (a steady fraction).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.bank import Bank
    from analysis.priors import Priors

Array = NDArray[np.float64]

# A law of flow is followed within these bounds: a reading that is off by more is no law any more.
LEAST_FLOW, MOST_FLOW = 0.1, 3.0
# So far open or shut, a leak is on one side of its onset, and not in the width of it.
CLEARLY = 0.9


class LeakShapes:
    """Curves (S, M, J) of all shapes and their present rate, in seconds and relative to a unit leak."""

    def __init__(self, priors: Priors, sections: int, models: int) -> None:
        """Nothing has leaked yet."""
        self.onsets_K = np.asarray(priors.onset_grid_degC) + 273.15
        self.width_K = priors.onset_width_K
        self.slots = priors.start_slots
        self.spacing_s = priors.start_spacing_s
        self.starts_s = np.full(self.slots, np.inf)
        count = len(self.onsets_K)
        self.steady = slice(0, 2)
        self.cold = (slice(2, 2 + count), slice(2 + count, 2 + 2 * count))
        self.started = slice(2 + 2 * count, 2 + 2 * count + self.slots)
        self.number = self.started.stop
        self.groups = (2, 2 * count, self.slots)
        self.curve = np.zeros((sections, models, self.number))
        self.rate = np.ones((sections, models, self.number))
        self.opened = np.zeros((models, count), dtype=np.bool_)  # it was once clearly colder than the onset …
        self.closed = np.zeros((models, count), dtype=np.bool_)  # … and later clearly warmer again

    def advance(self, elapsed_s: float, step_s: float, gas_K: Array, flow: Array, bank: Bank) -> None:
        """Go on by a step: `gas_K` (M,) at its middle, `flow` (S,) of the porous law, relative to the begin."""
        cold = 1.0 / (1.0 + np.exp(np.clip((gas_K[:, None] - self.onsets_K) / self.width_K, -50, 50)))
        self.opened |= cold > CLEARLY
        self.closed |= self.opened & (cold < 1.0 - CLEARLY)
        self.rate[..., 1] = flow[:, None]
        self.rate[..., self.cold[0]] = cold
        self.rate[..., self.cold[1]] = cold * flow[:, None, None]
        self._renew_starts(elapsed_s, bank)
        self.rate[..., self.started] = elapsed_s > self.starts_s
        before = self.started.start
        self.curve[..., :before] += step_s * self.rate[..., :before]
        self.curve[..., self.started] = np.maximum(elapsed_s - self.starts_s, 0.0)

    def _renew_starts(self, elapsed_s: float, bank: Bank) -> None:
        """Open a start time where the spacing asks for one; when all slots are taken, keep every other one."""
        used = int(np.isfinite(self.starts_s).sum())
        due = (used + 1) * self.spacing_s
        if elapsed_s < due:
            return
        first = self.started.start
        if used < self.slots:
            self.starts_s[used] = due
            return
        keep = np.arange(1, self.slots, 2)
        for array in (bank.signature, bank.information, bank.projection):
            kept = array[..., first + keep]
            array[..., first:] = 0.0
            array[..., first : first + len(keep)] = kept
        starts = self.starts_s[keep]
        self.starts_s[:] = np.inf
        self.starts_s[: len(keep)] = starts
        self.spacing_s *= 2.0


def porous_flow(absolute_Pa: Array, outside_Pa: float, first_Pa: Array, log_amount: Array) -> Array:
    """Return the fraction lost per second by laminar flow, relative to the begin: (p² - p_a²)/(p₀² - p_a²)·n₀/n.

    All (S,); `log_amount` is ln(n/n₀), NaN counts as no change. Bounded, NaN where there is no pressure.

    >>> float(porous_flow(np.array([5e5]), 1e5, np.array([1e6]), np.array([np.log(0.5)]))[0])  # 24/99·2
    0.48484848484848486
    """
    head = (absolute_Pa**2 - outside_Pa**2) / np.maximum(first_Pa**2 - outside_Pa**2, 1.0)
    return np.asarray(np.clip(head * np.exp(-np.nan_to_num(log_amount)), LEAST_FLOW, MOST_FLOW))
