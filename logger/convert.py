"""From electrical signals to physical quantities: one formula per sensor, on arrays, in SI.

Each docstring has the equation, its range and where it is from. No settings and no quality here, see
`channels.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

PT_A_per_degC = 3.9083e-3
PT_B_per_degC2 = -5.775e-7
PT_C_per_degC4 = -4.183e-12
"""IEC 60751 (3851 ppm/K), as secondary copies print it. Older tables have C = −4.2735e-12 (IPTS-68)."""
PT_RANGE_degC = (-200.0, 850.0)


def pt_resistance(t_degC: Floats, r0_ohm: float = 1000.0) -> Floats:
    """Resistance of a platinum thermometer, Ω.

    R = R₀·(1 + A·t + B·t² + C·(t − 100)·t³), the last term only below 0 °C; −200…850 °C. IEC 60751.

    >>> pt_resistance(np.array([-20.0, 0.0, 20.0]), 100.0).round(2).tolist()
    [92.16, 100.0, 107.79]
    """
    below = np.where(t_degC < 0.0, PT_C_per_degC4 * (t_degC - 100.0) * t_degC**3, 0.0)
    return r0_ohm * (1.0 + PT_A_per_degC * t_degC + PT_B_per_degC2 * t_degC**2 + below)


def pt_temperature_K(resistance_ohm: Floats, r0_ohm: float = 1000.0) -> Floats:
    """Temperature of a platinum thermometer, K; NaN outside −200…850 °C.

    Inverse of `pt_resistance`: the root of the quadratic is exact from 0 °C up and the start of Newton's
    method below (three steps leave less than 1e-9 K down to −200 °C).

    >>> (pt_temperature_K(np.array([921.599])) - 273.15).round(3).tolist()
    [-20.0]
    """
    ratio = np.asarray(resistance_ohm, np.float64) / r0_ohm
    lowest, highest = (pt_resistance(np.array([t]), 1.0)[0] for t in PT_RANGE_degC)
    ratio = np.where((ratio >= lowest) & (ratio <= highest), ratio, np.nan)
    root = np.sqrt(PT_A_per_degC**2 - 4.0 * PT_B_per_degC2 * (1.0 - ratio))
    t = (root - PT_A_per_degC) / (2.0 * PT_B_per_degC2)
    for _ in range(3):
        slope = PT_A_per_degC + 2.0 * PT_B_per_degC2 * t
        slope += np.where(t < 0.0, PT_C_per_degC4 * (4.0 * t**3 - 300.0 * t**2), 0.0)
        t = t - (pt_resistance(t, 1.0) - ratio) / slope
    return t + ZERO_CELSIUS_K


def thermistor_temperature_K(resistance_ohm: Floats, coefficients: Sequence[float]) -> Floats:
    """Temperature of a thermistor, K; NaN where the resistance is not positive.

    Steinhart–Hart: 1/T = A + B·ln R + C·(ln R)³, R in Ω. With three coefficients good to some 0.01 K over
    −40…+60 °C; the two-parameter (beta) form errs by up to 3 K there.

    >>> coefficients = (1.129241e-3, 2.341077e-4, 8.775468e-8)
    >>> (thermistor_temperature_K(np.array([32650.9]), coefficients) - 273.15).round(3).tolist()
    [-0.001]
    """
    a, b, c = coefficients
    log_R = np.log(np.where(resistance_ohm > 0.0, resistance_ohm, np.nan))
    inverse = a + b * log_R + c * log_R**3
    return 1.0 / np.where(inverse > 0.0, inverse, np.nan)


def lower_resistance_ohm(share: Floats, upper_ohm: float) -> Floats:
    """The resistor from pin to ground of a divider whose other one goes from the supply to the pin, Ω.

    R = R_upper·s/(1 − s), s = pin voltage / supply voltage, 0 < s < 1 (else NaN).

    >>> lower_resistance_ohm(np.array([0.5, 0.75, 1.0]), 1000.0).tolist()
    [1000.0, 3000.0, nan]
    """
    share = np.where((share > 0.0) & (share < 1.0), share, np.nan)
    return upper_ohm * share / (1.0 - share)


def straight(signal: Floats, ends: tuple[float, float], values: tuple[float, float]) -> Floats:
    """The straight line through (ends[0], values[0]) and (ends[1], values[1]); goes on outside.

    With shares of the supply this is the ratiometric transducer, p = p₀ + (V/Vs − 0.1)/0.8·(p₁ − p₀); with
    amperes the current loop.

    >>> straight(np.array([0.1, 0.5, 0.9]), (0.1, 0.9), (0.0, 16e5)).round().tolist()
    [0.0, 800000.0, 1600000.0]
    """
    return values[0] + (signal - ends[0]) * ((values[1] - values[0]) / (ends[1] - ends[0]))


def through_points(read: Floats, points: Sequence[tuple[float, float]]) -> Floats:
    """Straight pieces through (read, true) points, the first and the last piece going on outside.

    >>> through_points(np.array([-1.0, 0.5, 3.0]), [(0.0, 0.0), (1.0, 2.0), (2.0, 3.0)]).tolist()
    [-2.0, 1.0, 4.0]
    """
    x, y = np.array(points, np.float64).T
    piece = np.clip(np.searchsorted(x, read, side="right") - 1, 0, len(x) - 2)
    slope = (y[1:] - y[:-1]) / (x[1:] - x[:-1])
    return np.asarray(y[piece] + (read - x[piece]) * slope[piece], np.float64)


def twos_complement(counts: Floats, bits: int) -> Floats:
    """Words of so many bits that arrived as unsigned, as the signed numbers that they mean.

    >>> (twos_complement(np.array([0x0191, 0xFE6F, 0xFC90, -5.0]), 16) / 16).tolist()
    [25.0625, -25.0625, -55.0, -0.3125]
    """
    return np.where(counts >= 2.0 ** (bits - 1), counts - 2.0**bits, counts)
