"""What goes into the estimator, and the steps it finds: plain frozen data, SI."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.units import STANDARD_ATMOSPHERE_Pa

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SectionSetup:
    """What the settings say of a section, in SI."""

    name: str
    reference: str = "gauge"
    full_scale_Pa: float = 1.6e6
    temperature_coefficient_per_K: float = 2e-4
    sealed_reference_Pa: float = STANDARD_ATMOSPHERE_Pa
    gas_column_m: float | None = None
    gas_column_uncertainty: float = 0.1
    reference_height_m: float | None = None


@dataclass(frozen=True)
class Bin:
    """Robust means over one bin. Arrays are (S,); NaN = no reading."""

    time_s: float
    pressure_Pa: Array
    height_m: Array
    gas_temperature_K: Array
    ambient_temperature_K: float
    ambient_pressure_Pa: float
    pressure_variance: Array  # of the mean of ln(p), from the scatter inside bins
    height_variance_m2: Array  # of the mean height
    by_hand: bool = False  # heights that a person has measured, beside the regular bins


def reference_Pa(sections: tuple[SectionSetup, ...], barometer_Pa: float) -> Array:
    """Return what each transducer's reading lacks to the absolute pressure, (S,)."""
    return np.array(
        [
            {"gauge": barometer_Pa, "absolute": 0.0, "sealed": s.sealed_reference_Pa}[s.reference]
            for s in sections
        ]
    )


def drift_per_K(sections: tuple[SectionSetup, ...], pressure_Pa: Array, absolute_Pa: Array) -> Array:
    """Return the datasheet limit of a transducer's drift, relative to the absolute pressure, (S,).

    Zero and span move together as far as a section's own small range of pressure goes.
    """
    full_scale = np.array([s.full_scale_Pa for s in sections])
    coefficient = np.array([s.temperature_coefficient_per_K for s in sections])
    return np.asarray(coefficient * np.hypot(full_scale, pressure_Pa) / absolute_Pa)
