"""From the sections of many soaks to the figures of the study."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.study.soaks import CASES, Result

WRONG_TIGHT = 0.04  # per day, "tight" for more than this
ONSET_LOSS = 0.02
SLOW = 0.05
WRONG_LEAKING = 0.01  # "leaking" for less


@dataclass(frozen=True)
class Score:
    """Figures of one case; losses per day."""

    case: str
    soaks: int
    sections: int
    rms: float
    rms_slow: float  # of the sections that lose less than SLOW
    bias: float
    coverage: float
    sharpness: float  # root mean square half-width of the interval over 1.96·RMS error
    wrong_soaks: int
    decided: float
    soaks_without_leak: int
    false_alarm_soaks: int
    rms_two_readings: float
    rms_straight_line: float
    rms_oracle: float
    delay_min: tuple[float, float, float]
    missed: int
    onsets: int  # leaks that open in the cold and lost over 2 %/day on the mean
    onsets_named: int
    onsets_held: int  # whose interval holds the truth
    onsets_invented: int  # named where there is none


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def score(case: str, results: list[Result]) -> Score:
    """Return the figures of one case."""
    get = lambda name: np.array([getattr(r, name) for r in results])  # noqa: E731
    truth, loss, low, high = get("truth"), get("loss"), get("low"), get("high")
    verdict, seed = get("verdict"), get("seed")
    error = loss - truth
    wrong = ((verdict == "tight") & (truth > WRONG_TIGHT)) | (
        (verdict == "leaking") & (truth < WRONG_LEAKING)
    )
    alarm = np.isfinite(get("leak_alarm_h"))
    tight = truth < 1e-9
    onset, named = get("onset_degC"), np.isfinite(get("onset_said_degC"))
    cold = np.isfinite(onset) & (truth > ONSET_LOSS)
    # soaks with at least one tight section; a false alarm on any of them counts the soak
    leaking = ~tight
    delays = 60.0 * get("leak_alarm_h")[leaking & alarm]
    night = CASES[case].leak == "night" and len(delays)
    return Score(
        case=case,
        soaks=len(set(seed)),
        sections=len(results),
        rms=_rms(error),
        rms_slow=_rms(error[truth < SLOW]) if (truth < SLOW).any() else np.nan,
        bias=float(error.mean()),
        coverage=float(((low <= truth) & (truth <= high)).mean()),
        sharpness=_rms((high - low) / 2.0) / (1.96 * _rms(error)),
        wrong_soaks=len(set(seed[wrong])),
        decided=float((verdict != "undecided").mean()),
        soaks_without_leak=len(set(seed[tight])),
        false_alarm_soaks=len(set(seed[tight & alarm])),
        rms_two_readings=_rms(get("two_readings") - truth),
        rms_straight_line=_rms(get("straight_line") - truth),
        rms_oracle=_rms(get("oracle") - truth),
        delay_min=tuple(np.quantile(delays, [0.5, 0.9, 1.0])) if night else (np.nan, np.nan, np.nan),
        onsets=int(cold.sum()),
        onsets_named=int((cold & named).sum()),
        onsets_held=int(
            (cold & named & (get("onset_low_degC") <= onset) & (onset <= get("onset_high_degC"))).sum()
        ),
        onsets_invented=int((named & np.isnan(onset)).sum()),
        missed=int((leaking & ~alarm).sum()) if night else 0,
    )
