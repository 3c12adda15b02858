"""Water in shop air: what condenses on cooling takes pressure away without a leak, at most its saturation pressure.

Air from a compressor's tank is saturated or drier, nobody knows by how much. So what is known is a bound: between the
fill and a colder moment the vapour pressure falls by at most the fall of the saturation pressure. The estimator
takes the share of that bound as a state, anything between none and all.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TRIPLE_POINT_K: Final = 273.16


def saturation_pressure_Pa(temperature_K: Array) -> Array:
    """Return the saturation vapour pressure, over water above 0.01 °C and over ice below. Range 228-333 K.

    Magnus form of WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B:
    e = 611.2·exp(17.62 t/(243.12 + t)) over water, 611.2·exp(22.46 t/(272.62 + t)) over ice, Pa, t in °C.

    >>> saturation_pressure_Pa(np.array([293.15, 263.15])).round(1)
    array([2332.6,  259.9])
    """
    t = temperature_K - 273.15
    water = 17.62 * t / (243.12 + t)
    ice = 22.46 * t / (272.62 + t)
    return np.asarray(611.2 * np.exp(np.where(temperature_K > TRIPLE_POINT_K, water, ice)))


def condensable_Pa(filled_K: Array, temperature_K: Array) -> Array:
    """Return how much of the pressure condensation can have taken since the fill at most: not below zero."""
    return np.asarray(
        np.maximum(saturation_pressure_Pa(filled_K) - saturation_pressure_Pa(temperature_K), 0.0)
    )
