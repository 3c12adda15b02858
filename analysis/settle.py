"""What would settle an undecided verdict, in sentences: standing longer, and until when, or a better rig."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.outlook import Outlook, Scene, STEP_s, look_ahead, one_model

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.evidence import Evidence
    from analysis.soak import SoakAnalysis

ROUNDED_s: Final = 600.0
# What makes the interval narrower by less than this is not worth a word.
WORTH_SAYING: Final = 0.2


def _air(soak: SoakAnalysis) -> NDArray[np.float64]:
    """Return times and air temperatures so far, s and K, (n, 2), at most as dense as the record of the bins."""
    points = soak.estimator.trace.points
    return np.array([(p.time_s, p.reading.ambient_temperature_K) for p in points]).reshape(-1, 2)


def scene_of(soak: SoakAnalysis, evidence: Evidence) -> Scene:
    """Return the soak so far as a forward run needs it."""
    estimator = soak.estimator
    count = len(soak.sections)
    air = _air(soak)
    rows_per_step = STEP_s * soak.rows / max(soak.last_s - soak.first_s, 1.0)
    variance = soak.bins.noise**2 / max(rows_per_step, 1.0)
    pressure = np.where(np.isfinite(estimator.first_Pa), estimator.first_Pa, 1e6)
    return Scene(
        sections=estimator.sections,
        standing=soak.standing,
        gas=soak.settings.soak.gas,
        day_begins_s=estimator.day_begins_s,
        air_s=air[:, 0],
        air_K=air[:, 1],
        absolute_Pa=pressure,
        pressure_variance=np.nan_to_num(variance[:count]) / pressure**2 + 1e-10,
        height_variance_m2=np.nan_to_num(variance[count : 2 * count]),
        barometer=bool(np.isfinite(soak.first[-2])),
        probe=bool(np.isfinite(soak.first[2 * count : 3 * count]).all()),
        priors=one_model(estimator.priors, evidence, estimator.lag_count),
    )


def outlook_of(soak: SoakAnalysis, evidence: Evidence, limit_per_s: NDArray[np.float64]) -> Outlook | None:
    """Look ahead; None while there is too little to go by."""
    time_s = _air(soak)[:, 0]
    if len(time_s) < 3 or time_s[-1] - time_s[0] < 2.0 * STEP_s:
        return None
    return look_ahead(scene_of(soak, evidence), evidence, limit_per_s, float(time_s[-1]))


def settling(
    outlook: Outlook, i: int, begin_utc: np.datetime64 | None, not_before_s: float = 0.0
) -> list[str]:
    """Return the sentences for section `i`; `not_before_s`: when the soak will have lasted long enough for its verdict.

    >>> ahead = Outlook(np.array([41_900.0]), {"a barometer": np.array([0.5])})
    >>> settling(ahead, 0, np.datetime64("2027-01-15T18:00", "s"))[0]
    'Stand it until about 2027-01-16 05:40 UTC: that should decide, if weather and loss stay as they are.'
    """
    out = []
    at = max(float(outlook.decided_s[i]), not_before_s)
    if math.isfinite(at):
        out.append(
            f"Stand it until about {moment_at(at, begin_utc)}: that should decide, if weather and loss stay as they are."
        )
    else:
        out.append("Standing longer won't decide it within four days: the loss is too near to the threshold.")
    worth = {name: float(share[i]) for name, share in outlook.narrower.items() if share[i] >= WORTH_SAYING}
    if worth:
        best = max(worth, key=lambda name: worth[name])
        out.append(f"With {best} the interval would be narrower by {100.0 * worth[best]:.0f} %.")
    return out


def moment_at(time_s: float, begin_utc: np.datetime64 | None) -> str:
    """Return a moment, seconds after the begin, as UTC on the clock's next ten minutes."""
    rounded = math.ceil(time_s / ROUNDED_s) * ROUNDED_s
    if begin_utc is None:
        return f"{rounded / 3600.0:.1f} h after the begin"
    moment = begin_utc.astype("datetime64[s]") + np.timedelta64(math.ceil(time_s), "s")
    # on the clock's ten minutes, later rather than sooner
    ticks = -(-moment.astype(np.int64) // int(ROUNDED_s)) * int(ROUNDED_s)
    return str(np.datetime64(int(ticks), "s").astype("datetime64[m]")).replace("T", " ") + " UTC"
