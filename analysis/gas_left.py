"""What was read and what it means, over time: how much of its gas a section still had, with the band in which it lies.

Two answers, from the record of the bins (analysis/trace.py) and all that is known at the end:

the **line** with its band: the loss that the findings name, spread over the time as each shape of a leak would have
it, all shapes and models by their weights. At the end it is the loss of the findings times the hours.
the **dots**: each reading by itself, cleared of what the model holds for cooling, heat, creep and the transducer. What no
model foresaw (gusts, the slow disturbance) stays in them, so that one sees how well the line is held by the readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.effects import AMBIENT, BAROMETER, DISTURBANCE, STATES, THERMAL, WOBBLE
from analysis.evidence import mean_states
from analysis.inputs import reference_Pa
from logger.units import STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from analysis.evidence import Evidence
    from analysis.soak import SoakAnalysis

Array = NDArray[np.float64]

DRAWS: Final = 4000
_GOLDEN: Final = 0.6180339887498949
_LEFT_IN_THE_DOTS: Final = (DISTURBANCE, WOBBLE, BAROMETER)
"""What moves without a model, or (the barometer's error) only shifts the level, which is set by the line."""


@dataclass(frozen=True)
class GasLeft:
    """One section over time; arrays (T,), NaN = not known. Fractions of the gas at the beginning, SI otherwise."""

    time_s: Array
    pressure_Pa: Array
    """As read: gauge, absolute or sealed."""
    height_m: Array
    air_K: Array
    gas_K: Array
    barometer_Pa: Array
    tight_Pa: Array
    """What the transducer would have read if no gas had gone; NaN on a standing car."""
    tight_height_m: Array
    """The same for the height of a standing car."""
    dots: Array
    left: Array
    low: Array
    high: Array
    """95 % of the belief lie between the two."""


def gas_left(soak: SoakAnalysis) -> tuple[GasLeft, ...]:
    """Return what was read and what it means, one per section; without evidence the meaning is NaN."""
    evidence = soak.known()
    points = soak.estimator.trace.points
    if not points or evidence is None:
        empty = np.empty(0)
        return tuple(GasLeft(*(empty,) * 12) for _ in soak.sections)
    estimator = soak.estimator
    states = mean_states(estimator.bank, evidence, list(range(STATES)), estimator.priors)
    return tuple(_section(soak, evidence, states, i) for i in range(len(soak.sections)))


def _section(soak: SoakAnalysis, evidence: Evidence, states: Array, i: int) -> GasLeft:
    estimator = soak.estimator
    points = estimator.trace.points
    time_s = np.array([p.time_s for p in points])
    model = evidence.by_model(evidence.weight)[i]
    model = model / max(float(model.sum()), 1e-300)
    lag_of = np.repeat(np.arange(estimator.lag_count), estimator.disturbance_count)
    x = np.stack([p.regressor[i] for p in points])[:, lag_of]  # (T, M, N)
    y = np.stack([p.observed[i] for p in points])[:, lag_of]
    used = np.isfinite(y[:, 0])
    if not soak.usable(i):
        left = low = high = dots = np.full(len(points), np.nan)
    else:
        lost = _lost(soak, evidence, i, time_s)
        left, low, high = np.exp(-lost)
        if used.any():  # after the last reading nobody knows
            after = np.arange(len(points)) > np.flatnonzero(used)[-1]
            left, low, high = (np.where(after, np.nan, line) for line in (left, low, high))
        explained = states[i].copy()
        explained[:, list(_LEFT_IN_THE_DOTS)] = 0.0
        cleared = ((y - np.einsum("tmn,mn->tm", x, explained)) * model).sum(axis=1)
        for step in estimator.guard.steps:
            # what rose is no gas of the beginning's; what fell is in the line, as a loss
            if step.section == soak.sections[i] and step.size > 0.0:
                cleared = cleared + np.where(time_s < step.time_s - 1.0, step.size, 0.0)
        # 100 % is where the line begins
        middle = np.nanmedian(cleared + lost[0]) if used.any() else 0.0
        dots = np.exp(cleared - middle)
    lagged = np.stack([p.lagged_K for p in points])[:, lag_of]
    thermal = [state for state in THERMAL if state != DISTURBANCE]
    sensitivity = np.where(x[..., AMBIENT] == 0.0, 1.0, x[..., AMBIENT])
    warmer = np.einsum("tmn,mn->tm", x[..., thermal], states[i][:, thermal]) / sensitivity
    # with a pressure, also where a standing car had no height just then
    pressed = x[:, 0, AMBIENT] != 0.0
    gas = np.where(pressed, ((lagged + warmer) * model).sum(axis=1), np.nan)
    probe = np.array([p.reading.gas_temperature_K[i] for p in points])
    pressure = np.array([p.reading.pressure_Pa[i] for p in points])
    height = np.array([p.reading.height_m[i] for p in points])
    barometer = np.array([p.reading.ambient_pressure_Pa for p in points])
    nothing = np.full(len(points), np.nan)
    tight, tight_height = nothing, nothing
    if soak.standing:
        reference, column = estimator.reference_height_m[i], soak.column_m[i]
        tight_height = reference + column * ((1.0 + (height - reference) / column) / left - 1.0)
    else:
        lacks = np.array(
            [
                reference_Pa(estimator.sections, b if np.isfinite(b) else STANDARD_ATMOSPHERE_Pa)[i]
                for b in barometer
            ]
        )
        tight = (pressure + lacks) / left - lacks
    return GasLeft(
        time_s,
        pressure,
        height,
        np.array([p.reading.ambient_temperature_K for p in points]),
        np.where(np.isfinite(probe), probe, gas),
        barometer,
        tight,
        tight_height,
        dots,
        left,
        low,
        high,
    )


def _lost(soak: SoakAnalysis, evidence: Evidence, i: int, time_s: Array) -> Array:
    """Return -ln of the gas left: mean, and the ends of the 95 % interval with the most and the least left, (3, T)."""
    estimator = soak.estimator
    weight = evidence.weight[i].ravel()
    # evenly through the weights and through the normal, the same each time: a mixture's quantiles without a search
    order = np.cumsum(weight)
    at = (np.arange(DRAWS) + 0.5) / DRAWS
    drawn = np.minimum(np.searchsorted(order, at * order[-1]), len(weight) - 1)
    normal = _normal_quantiles((np.arange(DRAWS) * _GOLDEN) % 1.0)
    row, shape = np.unravel_index(drawn, evidence.weight[i].shape)
    elapsed_s = max(estimator.time_s - estimator.begun_s, 1.0)
    spread = evidence.mean_deviation_per_s[i][row, shape]
    whole = (evidence.mean_loss_per_s[i][row, shape] + spread * normal) * elapsed_s
    fallen = [step for step in soak.steps_of(i) if step.size < 0.0]
    whole = whole + sum(step.size for step in fallen)
    lost = whole * _share_by(soak, i, row % estimator.models, shape, time_s)  # (T, draws)
    for step in fallen:
        lost = lost - np.where(time_s >= step.time_s - 1.0, step.size, 0.0)[:, None]
    low, high = np.quantile(lost, (0.025, 0.975), axis=1)
    return np.stack([lost.mean(axis=1), high, low])


def _share_by(
    soak: SoakAnalysis, i: int, model: NDArray[np.intp], shape: NDArray[np.intp], time_s: Array
) -> Array:
    """Return the share of the whole loss that has gone by each time, by model and shape of the leak, (T, K)."""
    estimator, shapes = soak.estimator, soak.estimator.shapes
    end = shapes.curve[i][model, shape]
    since = np.maximum(time_s - estimator.begun_s, 0.0)[:, None]
    whole_s = max(estimator.time_s - estimator.begun_s, 1.0)
    curve = np.repeat(since, len(shape), axis=1)
    first = shapes.started.start
    kept = (shape > 0) & (shape < first)
    lag = model // estimator.disturbance_count
    curves = np.stack([p.curve_s[i] for p in estimator.trace.points])  # (T, L, J)
    curve[:, kept] = curves[:, lag[kept], shape[kept] - 1]
    late = shape >= first
    start = shapes.starts_s[np.maximum(shape - first, 0)]
    curve[:, late] = np.maximum(since - np.where(np.isfinite(start[late]), start[late], whole_s), 0.0)
    steady = since / whole_s
    return np.asarray(np.clip(np.where(end > 0.0, curve / np.where(end > 0.0, end, 1.0), steady), 0.0, 1.0))


def _normal_quantiles(probability: NDArray[Any]) -> Array:
    """Return standard normal quantiles; 0 and 1 are kept away from."""
    from statistics import NormalDist  # noqa: PLC0415

    normal = NormalDist()
    return np.array([normal.inv_cdf(min(max(p, 1e-6), 1.0 - 1e-6)) for p in probability.tolist()])
