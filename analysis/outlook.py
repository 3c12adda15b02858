"""When a soak will decide, and what would make it decide sooner: a forward run of the covariance.

How well the loss will be known depends on the readings' times, temperatures and sensors, not on what they will say.
So the estimator itself is run on a made-up tight car under the air temperature that was measured and, beyond the last
reading, under the same weather again. It is run with one model, and what it gives is scaled to
the real uncertainty of this moment. The same run with another sensor says what that sensor is worth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.estimator import Estimator
from analysis.inputs import Bin, reference_Pa
from analysis.lag import lag_step
from logger.units import SECONDS_PER_DAY, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from analysis.evidence import Evidence
    from analysis.inputs import SectionSetup
    from analysis.priors import Priors

Array = NDArray[np.float64]

STEP_s: Final = 1800.0
HORIZON_s: Final = 96.0 * 3600.0
DECIDING: Final = (
    1.6449  # standard deviations of a normal to its 95 % quantile, one-sided (tabulated everywhere)
)
KNOWN_COLUMN: Final = 0.02
BETTER_TRANSDUCER: Final = 0.2


@dataclass(frozen=True)
class Scene:
    """What a forward run needs: the sections, the air so far, and what is fitted to the rig."""

    sections: tuple[SectionSetup, ...]
    standing: bool
    gas: str
    day_begins_s: float | None
    air_s: Array  # (n,) times since the begin, ascending
    air_K: Array  # (n,)
    absolute_Pa: Array  # (S,) at the begin
    pressure_variance: Array  # (S,) of ln(p), of a mean over STEP_s
    height_variance_m2: Array  # (S,)
    barometer: bool
    probe: bool
    priors: Priors
    by_tape_m: float | None = None
    """Heights at the begin and at the end only, by hand, with this standard uncertainty."""


def one_model(priors: Priors, evidence: Evidence, lags: int) -> Priors:
    """Return priors that hold only the likeliest lag and beginning and the mean disturbance, over all sections."""
    by_belief = evidence.weight.sum(axis=(0, 2)).reshape(evidence.beginnings, -1)
    by_lag = by_belief.sum(axis=0).reshape(lags, -1)
    size_K, time_s = (np.array(column) for column in list(zip(*priors.disturbance_grid, strict=True))[:2])
    share = by_lag.sum(axis=0) / by_lag.sum()
    # the likeliest size alone would be too sure of a calm that is only likely
    mean_size_K = float(np.sqrt((share * size_K**2).sum()))
    belief = priors.beginnings[int(by_belief.sum(axis=1).argmax())] if evidence.beginnings > 1 else None
    return replace(
        priors,
        lag_grid_s=(priors.lag_grid_s[int(by_lag.sum(axis=1).argmax())],),
        disturbance_grid=((mean_size_K, float((share * time_s).sum()), 1.0),),
        beginnings=() if belief is None else (replace(belief, weight=1.0),),
    )


def air_at(scene: Scene, time_s: Array) -> Array:
    """Return the air temperature, K: as measured, then the last day over again, or its mean if there is no whole day."""
    last = scene.air_s[-1]
    if last - scene.air_s[0] >= SECONDS_PER_DAY:
        back = np.ceil(np.maximum(time_s - last, 0.0) / SECONDS_PER_DAY) * SECONDS_PER_DAY
        return np.asarray(np.interp(time_s - back, scene.air_s, scene.air_K))
    later = float(scene.air_K[scene.air_s >= min(last, scene.air_s[0] + 3600.0)].mean())
    return np.where(time_s <= last, np.interp(time_s, scene.air_s, scene.air_K), later)


def uncertainty(scene: Scene, until_s: float, from_s: float = 0.0) -> tuple[Array, Array]:
    """Return times (n,) and the standard deviation of the mean loss of each section, 1/s, (n, S).

    Before `from_s` it is left out, infinite.
    """
    estimator = Estimator(
        scene.sections,
        standing=scene.standing,
        gas=scene.gas,
        day_begins_s=scene.day_begins_s,
        priors=scene.priors,
    )
    times = np.arange(scene.air_s[0], until_s + 0.5 * STEP_s, STEP_s)
    air = air_at(scene, times)
    gas = np.array(air[0])
    reference = reference_Pa(scene.sections, STANDARD_ATMOSPHERE_Pa)
    column = np.array([s.gas_column_m or 0.25 for s in scene.sections])
    nothing = np.full(len(scene.sections), np.nan)
    by_tape_m = scene.by_tape_m
    height_variance = np.full(len(column), by_tape_m**2) if by_tape_m else scene.height_variance_m2
    out: list[Array] = []
    for i, time_s in enumerate(times):
        if i:
            gas = lag_step(
                gas, air[i - 1 : i][0], air[i : i + 1][0], STEP_s, np.array(scene.priors.lag_grid_s[0])
            )
        ratio = float(gas / air[0])
        pressure = scene.absolute_Pa * (1.0 if scene.standing else ratio)
        by_hand = by_tape_m is not None and i in {0, len(times) - 1}
        measured = scene.standing and (by_tape_m is None or by_hand)
        estimator.step(
            Bin(
                float(time_s),
                pressure - reference,
                0.3 + column * (ratio - 1.0) if measured else nothing,
                np.full(len(column), float(gas)) if scene.probe else nothing,
                float(air[i]),
                STANDARD_ATMOSPHERE_Pa if scene.barometer else np.nan,
                scene.pressure_variance,
                height_variance,
                by_hand,
            )
        )
        evidence = estimator.evidence() if i and time_s >= from_s else None
        out.append(np.full(len(column), np.inf) if evidence is None else deviation_of(evidence))
    return times, np.array(out)


def _variances(evidence: Evidence) -> tuple[Array, Array]:
    """Return the variance of the mean loss inside the models and between them, (S,) each."""
    w, mean = evidence.weight, evidence.mean_loss_per_s
    centre = (w * mean).sum(axis=(1, 2), keepdims=True)
    inside = (w * evidence.mean_deviation_per_s**2).sum(axis=(1, 2))
    return inside, (w * (mean - centre) ** 2).sum(axis=(1, 2))


def deviation_of(evidence: Evidence) -> Array:
    """Return the standard deviation of the mean loss, 1/s, (S,)."""
    inside, between = _variances(evidence)
    return np.asarray(np.sqrt(inside + between))


def foretold(deviation: Array, evidence: Evidence, now: int) -> Array:
    """Return the standard deviation to come, (n, S), scaled to what it is now.

    What a model doesn't know of itself shrinks as foretold; which model holds is learned more slowly, as by the root
    (tried on 64 sections, foretold at 8 h for 14 h: median 1.01 of what came, nearly all within a factor of two).
    """
    inside, between = _variances(evidence)
    ratio = deviation / deviation[now]
    return np.asarray(np.sqrt(inside * ratio**2 + between * np.minimum(ratio, 1.0)))


@dataclass(frozen=True)
class Outlook:
    """What is to be expected of each section."""

    decided_s: Array  # (S,) when the verdict should fall, since the begin; inf = not within the horizon
    narrower: dict[
        str, Array
    ]  # by what could be added: share by which the interval of each section would shrink


def look_ahead(scene: Scene, evidence: Evidence, limit_per_s: Array, now_s: float) -> Outlook:
    """Say when the loss should be known to be over or under the limit, if it stays what it seems, and what would help.

    `scene.priors` as of `one_model`; `limit_per_s` (S,).
    """
    times, deviation = uncertainty(scene, now_s + HORIZON_s, now_s - STEP_s)
    now = int(np.searchsorted(times, now_s, side="right")) - 1
    mean = (evidence.weight * evidence.mean_loss_per_s).sum(axis=(1, 2))
    enough = DECIDING * foretold(deviation, evidence, now) <= np.abs(limit_per_s - mean)
    enough[: now + 1] = False
    first = enough.argmax(axis=0)
    decided = np.where(enough.any(axis=0), times[first], np.inf)
    narrower = {
        name: 1.0 - uncertainty(other, float(times[now]), float(times[now]))[1][-1] / deviation[now]
        for name, other in _with_more(scene).items()
    }
    return Outlook(decided, narrower)


def sensors_more(scene: Scene) -> dict[str, Scene]:
    """Return the scenes with one sensor more, by the words for what is added."""
    out: dict[str, Scene] = {}
    if not scene.barometer and any(s.reference == "gauge" for s in scene.sections):
        out["a barometer"] = replace(scene, barometer=True)
    if not scene.probe:
        out["a thermometer in the gas"] = replace(scene, probe=True)
    return out


def _with_more(scene: Scene) -> dict[str, Scene]:
    """Return the scenes that a better rig would give, by the words for what is better."""
    out = sensors_more(scene)
    if scene.standing:
        known = tuple(replace(s, gas_column_uncertainty=KNOWN_COLUMN) for s in scene.sections)
        out[f"the gas column known to {100 * KNOWN_COLUMN:.0f} %"] = replace(scene, sections=known)
    better = tuple(
        replace(s, temperature_coefficient_per_K=BETTER_TRANSDUCER * s.temperature_coefficient_per_K)
        for s in scene.sections
    )
    out["transducers calibrated in the cold"] = replace(scene, sections=better)
    return out
