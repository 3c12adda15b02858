"""First-order thermal lag, exact for an input that runs in straight lines between readings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def lag_step(state: Array, start: Array, end: Array, step_s: float, time_constant_s: Array) -> Array:
    """Return the lagged value after `step_s`, the input going straight from `start` to `end`.

    tau·dx/dt = u - x with u linear in t:
    x1 = E·x0 + u1 - E·u0 - (u1 - u0)·(1 - E)/a, a = step/tau, E = exp(-a).
    Shapes broadcast; any consistent unit. Textbook result (e.g. Coughanowr, Process Systems Analysis and
    Control, ramp response); tests/external/test_lag.py holds it against step, ramp and sinusoid.

    >>> round(float(lag_step(np.array(0.0), np.array(1.0), np.array(1.0), 60.0, np.array(60.0))), 4)
    0.6321
    """
    a = step_s / time_constant_s
    decay = np.exp(-a)
    smooth = -np.expm1(-a) / np.maximum(a, 1e-300) if step_s > 0 else np.ones_like(a)
    return decay * state + end - decay * start - (end - start) * smooth
