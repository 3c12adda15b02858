"""A thermometer that is called gas: does it lag behind the air as gas in a strut does, or is it outside?"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_BINS: Final = 6
TOLD_K2: Final = 0.8
"""So far apart (variance) air and lagged air must have been for the two to be told apart."""
OUTSIDE: Final = 0.3
MOVED_K2: Final = 1.5
STILL_SHARE: Final = 0.02
SWAPPED_LN: Final = 0.002  # of ln(T): half a kelvin
SWAPPED_SHARE: Final = 0.15


class Probes:
    """Holds each gas thermometer against the air and against the air as the quickest strut would follow it."""

    def __init__(self, sections: int) -> None:
        """Nothing was read yet."""
        self.count = np.zeros(sections)
        self.mean = np.zeros((5, sections))
        self.square = np.zeros((5, sections))

    def take(self, gas_K: Array, air_K: float, lagged_K: float) -> None:
        """Take a bin: gas thermometers (S,), air, and air lagged by the quickest strut."""
        good = np.isfinite(gas_K) & np.isfinite(air_K)
        if not good.any():
            return
        nothing = np.zeros(len(gas_K))
        apart = np.stack(
            [gas_K - air_K, gas_K - lagged_K, nothing + air_K - lagged_K, gas_K, nothing + lagged_K]
        )
        apart = np.where(good, apart, 0.0)
        self.count += good
        share = np.where(good, 1.0 / np.maximum(self.count, 1.0), 0.0)
        before = self.mean.copy()
        self.mean = before + share * (apart - before)
        self.square += np.where(good, (apart - before) * (apart - self.mean), 0.0)

    def outside(self) -> NDArray[np.bool_]:
        """Return which thermometers go with the air and not with the gas, (S,)."""
        air, gas, told, _, _ = self.square / np.maximum(self.count, 1.0)
        return np.asarray((self.count >= LEAST_BINS) & (told > TOLD_K2) & (air < OUTSIDE * gas))

    def still(self) -> NDArray[np.bool_]:
        """Return which thermometers stand still while the air has moved, (S,)."""
        _, _, _, own, lagged = self.square / np.maximum(self.count, 1.0)
        return np.asarray((self.count >= LEAST_BINS) & (lagged > MOVED_K2) & (own < STILL_SHARE * lagged))


class Swapped:
    """Whether a gas thermometer goes with another section's pressure instead of its own, in fixed volumes.

    ln(p) follows ln(T) of its own gas; a leak adds its trend whichever thermometer it is held against.
    """

    def __init__(self, sections: int) -> None:
        """Nothing was read yet."""
        self.count = np.zeros((sections, sections))
        self.mean, self.square = np.zeros((2, sections, sections))

    def take(self, absolute_Pa: Array, gas_K: Array) -> None:
        """Take a bin: absolute pressures and gas thermometers (S,)."""
        good = (absolute_Pa > 0.0)[:, None] & np.isfinite(gas_K)[None, :]
        logs = np.log(np.where(absolute_Pa > 0.0, absolute_Pa, 1.0))[:, None] - np.log(
            np.where(good, gas_K, 1.0)
        )
        self.count += good
        before = self.mean.copy()
        self.mean = before + np.where(good, (logs - before) / np.maximum(self.count, 1.0), 0.0)
        self.square += np.where(good, (logs - before) * (logs - self.mean), 0.0)

    def found(self) -> NDArray[np.bool_]:
        """Return whose pressure another thermometer fits far better, (S,)."""
        spread = np.where(self.count >= LEAST_BINS, self.square / np.maximum(self.count, 1.0), np.inf)
        own = np.diag(spread).copy()
        np.fill_diagonal(spread, np.inf)
        return np.asarray(
            np.isfinite(own) & (own > SWAPPED_LN**2) & (spread.min(axis=1) < SWAPPED_SHARE * own)
        )
