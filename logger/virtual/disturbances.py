"""Things that happen to a soaking car: steps that are no leak. Off unless a plan names them.

valve  somebody opened a valve for a moment: the section loses the fraction `size` of its gas at once
pump   a levelling pump woke up: the section (or all) gains `size` of its gas over a minute
moved  the car was moved: the arch air changes by `size` K for good, heights read a trace different
door   a door slammed: a pressure pulse of `size` Pa that dies within minutes, heights settle by a trace
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from logger.virtual.draws import FloatArray

Kind = Literal["valve", "pump", "moved", "door"]


@dataclass(frozen=True, slots=True)
class Disturbance:
    """One event; no section means all of them."""

    kind: Kind
    at_s: float
    size: float
    section: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """What the events add, all (n, k)."""

    ln_amount: FloatArray
    arch_K: FloatArray
    pressure_Pa: FloatArray
    height_m: FloatArray


def steps(
    events: tuple[Disturbance, ...], sections: tuple[str, ...], time_s: FloatArray, rng: np.random.Generator
) -> Steps:
    """Turn events into additions."""
    shape = (len(time_s), len(sections))
    out = Steps(np.zeros(shape), np.zeros(shape), np.zeros(shape), np.zeros(shape))
    for event in events:
        hit = np.array([event.section in {None, name} for name in sections])
        age = (time_s - event.at_s)[:, None]
        after = (age >= 0.0) * hit
        if event.kind == "valve":
            out.ln_amount[:] += np.log1p(-event.size) * after
        elif event.kind == "pump":
            out.ln_amount[:] += np.log1p(event.size) * np.clip(age / 60.0, 0.0, 1.0) * hit
        elif event.kind == "moved":
            out.arch_K[:] += event.size * after
            out.height_m[:] += rng.normal(0.0, 0.4e-3, len(sections)) * after
        else:
            pulse = np.exp(-np.maximum(age, 0.0) / 90.0)
            out.pressure_Pa[:] += event.size * pulse * after * rng.choice([-1.0, 1.0], len(sections))
            out.height_m[:] += rng.normal(0.0, 0.1e-3, len(sections)) * after
    return out
