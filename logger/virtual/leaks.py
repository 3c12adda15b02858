"""Leaks: how much of its gas a section loses, and when.

A leak is *when* (from a moment on, below a gas temperature, both) times *how* (the law by which the loss
goes with pressure):

fraction  the loss is the same fraction of the gas per second throughout
porous    laminar or diffusive flow through a wall or seal: molar flow ∝ p² − p_a²
orifice   a hole or a torn seal: molar flow ∝ p while choked, less below p ≈ 1.9·p_a, none at p_a
          (ideal nozzle, κ = 1.4; the textbook form from memory)

Several leaks of one section add up. `loss_per_s` holds at the section's first pressure, leak fully open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from logger.virtual.draws import FloatArray

Law = Literal["fraction", "porous", "orifice"]

_CRITICAL = (2.0 / 2.4) ** (1.4 / 0.4)  # p_a/p at which a nozzle chokes


@dataclass(frozen=True, slots=True)
class Leak:
    """One leak."""

    section: str
    loss_per_s: float
    law: Law = "fraction"
    below_K: float | None = None  # only while the gas is colder than this
    width_K: float = 0.5  # from closed to open
    hysteresis_K: float = 0.0  # once open it closes only this much warmer
    begin_s: float = 0.0
    rise_s: float = 0.0  # from closed to open after the beginning

    def __post_init__(self) -> None:
        """Refuse impossible leaks."""
        if self.loss_per_s < 0.0 or self.width_K <= 0.0 or self.hysteresis_K < 0.0 or self.rise_s < 0.0:
            raise ValueError(f"leak of {self.section}: loss, width, hysteresis and rise can't be negative")


def gate(leak: Leak, time_s: FloatArray, gas_K: FloatArray) -> FloatArray:
    """How far the leak is open (n,), 0…1, from time and gas temperature."""
    if leak.rise_s > 0.0:
        opened = np.clip((time_s - leak.begin_s) / leak.rise_s, 0.0, 1.0)
    else:
        opened = (time_s >= leak.begin_s).astype(np.float64)
    if leak.below_K is None:
        return opened
    threshold = np.full(len(time_s), leak.below_K)
    if leak.hysteresis_K > 0.0:
        threshold += leak.hysteresis_K * _was_open(gas_K, leak.below_K, leak.below_K + leak.hysteresis_K)
    # a logistic of 10–90 % width `width_K`: 2·ln 9 = 4.394
    steepness = np.exp(np.clip(4.394 * (gas_K - threshold) / leak.width_K, -60.0, 60.0))
    return np.asarray(opened / (1.0 + steepness))


def _was_open(gas_K: FloatArray, open_K: float, close_K: float) -> FloatArray:
    """1 where the last threshold passed was the one downward (a relay with two thresholds)."""
    mark = np.where(gas_K < open_K, 1, np.where(gas_K > close_K, -1, 0))
    last = np.maximum.accumulate(np.where(mark != 0, np.arange(len(mark)), 0))
    return (mark[last] > 0).astype(np.float64)


def law_factor(law: Law, pressure_Pa: float, around_Pa: float, first_Pa: float, amount_ratio: float) -> float:
    """Fractional loss relative to the beginning: the law of molar flow over the gas left (n/n₀)."""
    if law == "fraction":
        return 1.0
    if pressure_Pa <= around_Pa:
        return 0.0
    if law == "porous":
        flow = (pressure_Pa**2 - around_Pa**2) / (first_Pa**2 - around_Pa**2)
    else:
        flow = pressure_Pa / first_Pa * _nozzle(around_Pa / pressure_Pa)
    return flow / amount_ratio


def _nozzle(ratio: float) -> float:
    """Flow function of an ideal nozzle relative to choked flow; `ratio` = back pressure over pressure."""
    if ratio <= _CRITICAL:
        return 1.0

    def psi(r: float) -> float:
        return float(np.sqrt(max(0.0, r ** (2.0 / 1.4) - r ** (2.4 / 1.4))))

    return psi(ratio) / psi(_CRITICAL)


def simple_loss(
    leaks: tuple[Leak, ...], sections: tuple[str, ...], time_s: FloatArray, gas_K: FloatArray
) -> FloatArray:
    """Loss per second (n, k) of all leaks that don't ask for the pressure."""
    loss = np.zeros(gas_K.shape)
    for leak in leaks:
        if leak.law == "fraction":
            column = sections.index(leak.section)
            loss[:, column] += leak.loss_per_s * gate(leak, time_s, gas_K[:, column])
    return loss


def cumulative(loss_per_s: FloatArray, step_s: float) -> FloatArray:
    """∫ loss dt by the trapezoidal rule, (n, k), 0 at the first sample."""
    out = np.zeros(loss_per_s.shape)
    np.cumsum(0.5 * step_s * (loss_per_s[1:] + loss_per_s[:-1]), axis=0, out=out[1:])
    return out
