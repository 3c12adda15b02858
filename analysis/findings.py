"""What a soak has shown, as the findings of one recording (JSON) with sentences for people."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.hole import hole_of, hole_words
from analysis.judging import hours_of, judge, label_of, not_before_s, too_wide
from analysis.settle import outlook_of, settling
from analysis.tape_words import tape_remarks
from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from analysis.evidence import Evidence
    from analysis.judging import Judged
    from analysis.outlook import Outlook
    from analysis.soak import SoakAnalysis
    from analysis.steps import Step

Array = NDArray[np.float64]

# An onset is named only if the shapes "below a temperature" hold this much of the weight, and a leak is as good as sure;
# while it has only become colder since, a leak that began at a time looks much the same: then more is asked.
ONSET_WEIGHT: Final = 0.8
ONSET_WEIGHT_ONLY_COOLED: Final = 0.97
ONSET_LOG_ODDS: Final = 5.0
ONSET_KNOWN: Final = 0.2  # relative standard uncertainty up to which the loss below the onset is told


MEASURE_AGAIN: Final = (
    "Let it stand longer and measure the heights again, each one several times: what a tape can't tell "
    "in one night it tells in two or three."
)


def findings(
    soak: SoakAnalysis, recording: str, notes: tuple[str, ...] = (), ahead: Ahead | None = None
) -> dict[str, Any]:
    """Return the findings of a finished soak, as the contract has them; `notes` of the recording go to each section.

    `ahead`, of the same soak, is for who wants to know what was foretold.
    """
    begin, end = label_of(soak, soak.first_s), label_of(soak, soak.last_s)
    hours = hours_of(soak)
    coldest = soak.coldest_ambient_K
    ahead = ahead or Ahead(soak)
    return {
        "cornerhold": "findings/1",
        "recording": recording,
        "support": soak.settings.soak.support,
        "gas": soak.settings.soak.gas,
        "begin": begin,
        "end": end,
        "hours": round(hours, 4),
        "coldest_ambient_degC": round(coldest - ZERO_CELSIUS_K, 2) if math.isfinite(coldest) else None,
        "sections": [_section(soak, i, hours, notes, ahead) for i in range(len(soak.sections))],
    }


class Ahead:
    """A look ahead, taken at the first section that asks for it."""

    def __init__(self, soak: SoakAnalysis) -> None:
        """Of this soak."""
        self.soak = soak
        self.taken = False
        self.outlook: Outlook | None = None

    def of(self, i: int, not_before_s: float) -> list[str]:
        """Return what would settle section `i`, and when; not before a moment."""
        evidence = self.soak.known()
        if not self.taken and evidence is not None:
            self.outlook = outlook_of(self.soak, evidence, self.soak.limit_per_s())
        self.taken = True
        return [] if self.outlook is None else settling(self.outlook, i, self.soak.begin_utc, not_before_s)


def _section(
    soak: SoakAnalysis, i: int, hours: float, notes: tuple[str, ...], ahead: Ahead
) -> dict[str, Any]:
    name, evidence, judged = soak.sections[i], soak.known(), judge(soak, i)
    limit, verdict = judged.limit_per_s, judged.verdict
    over, coldest = judged.conditions.probability_over, judged.conditions.coldest_degC
    remarks = list(notes)
    if soak.limits[i].loss_per_s is None and soak.limits[i].reason:
        remarks.append(f"{soak.limits[i].reason}; judged at 2 %/day instead")
    loss = interval = None
    onset: dict[str, Any] = {
        "cold_onset_degC": None,
        "cold_onset_interval95_degC": None,
        "loss_per_day_below_onset": None,
    }
    if judged.loss_per_s is not None and evidence is not None:
        loss = judged.loss_per_s * SECONDS_PER_DAY
        interval = [x * SECONDS_PER_DAY for x in judged.interval_per_s or ()]
        onset = _onset(soak, evidence, i)
    remarks += [_as_sentence(reason.sentence) for reason in judged.reasons]
    if judged.pieces > 1:
        remarks.append(f"Judged in {judged.pieces} pieces, between what was noted; the worst one counts.")
    if any(reason.code == "near_threshold" for reason in judged.reasons):
        # a look ahead supposes a height in every bin
        remarks += [MEASURE_AGAIN] if judged.conditions.by_hand else _settling(soak, i, judged, ahead)
    if verdict == "leaking" and loss is not None:
        remarks += _as_a_hole(soak, i, loss)
    remarks += _remarks(soak, i, coldest=coldest, verdict=verdict)
    return {
        "name": name,
        "verdict": verdict,
        "loss_per_day": _round(loss),
        "loss_per_day_interval95": None if interval is None else [_round(x) for x in interval],
        "threshold_per_day": _round(limit * SECONDS_PER_DAY),
        "probability_over_threshold": None if over is None else round(min(max(over, 0.0), 1.0), 6),
        **onset,
        "leak_rate_Pa_m3_per_s": _leak_rate(soak, i, loss),
        "sink_mm_per_day": _sink(soak, i, loss),
        "coldest_gas_degC": None if coldest is None else round(coldest, 2),
        "hours_used": round(min(soak.used_s[i] / 3600.0, hours), 3),
        "alarms": [
            {
                "kind": alarm.kind,
                "raised": label_of(soak, alarm.raised_s),
                "cleared": None if alarm.cleared_s is None else label_of(soak, alarm.cleared_s),
            }
            for alarm in soak.book.of(name)
        ],
        "reasons": sorted({reason.code for reason in judged.reasons}),
        "notes": remarks,
    }


def _settling(soak: SoakAnalysis, i: int, judged: Judged, ahead: Ahead) -> list[str]:
    return [] if too_wide(judged) else ahead.of(i, not_before_s(soak, judged))


def _as_sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text[-1] in "?!" else ".")


def _round(value: float | None) -> float | None:
    """Six digits: far below any uncertainty here, and the same text from live and replay."""
    return None if value is None else float(f"{value:.6g}")


def _onset(soak: SoakAnalysis, evidence: Evidence, i: int) -> dict[str, Any]:
    """Return onset, its interval and the loss below it; all None unless the data speak for an onset."""
    nothing: dict[str, Any] = {
        "cold_onset_degC": None,
        "cold_onset_interval95_degC": None,
        "loss_per_day_below_onset": None,
    }
    shapes = soak.estimator.shapes
    onsets = np.tile(shapes.onsets_K, len(shapes.cold))  # once per law of flow
    part = slice(shapes.cold[0].start, shapes.cold[-1].stop)
    weight = evidence.weight[i][:, part]
    total = float(weight.sum())
    if total < ONSET_WEIGHT or evidence.log_odds[i] < ONSET_LOG_ODDS:
        return nothing
    closed = np.tile(shapes.closed, (evidence.beginnings, len(shapes.cold)))
    if float(weight[closed].sum()) < 0.5 * total and total < ONSET_WEIGHT_ONLY_COOLED:
        return nothing
    by_onset = weight.sum(axis=0) / total
    centre = float((by_onset * onsets).sum())
    step = abs(float(onsets[1] - onsets[0]))
    # the shapes know the air around the strut, and so the gas no better than the air's thermometer
    known_K = math.hypot(step / math.sqrt(12.0), soak.estimator.priors.ambient_error_K)
    deviation = math.sqrt(float((by_onset * (onsets - centre) ** 2).sum()) + known_K**2)
    each, spread = evidence.loss_per_s[i][:, part], evidence.loss_deviation_per_s[i][:, part]
    loss = float((weight * each).sum() / total)
    uncertainty = math.sqrt(float((weight * (spread**2 + (each - loss) ** 2)).sum() / total))
    return {
        "cold_onset_degC": round(centre - ZERO_CELSIUS_K, 2),
        "cold_onset_interval95_degC": [
            round(centre - ZERO_CELSIUS_K + sign * 1.96 * deviation, 2) for sign in (-1.0, 1.0)
        ],
        # the contract has no interval for it: what is hardly known is not said
        "loss_per_day_below_onset": _round(loss * SECONDS_PER_DAY)
        if uncertainty < ONSET_KNOWN * loss
        else None,
    }


def _leak_rate(soak: SoakAnalysis, i: int, loss_per_day: float | None) -> float | None:
    """Return loss·p·V: the flow at the temperature of the gas, if the volume is known."""
    volume = soak.settings.section(soak.sections[i]).volume_m3
    if loss_per_day is None or volume is None or not soak.estimator.bank.count[i]:
        return None
    absolute_Pa = soak.pressure_sum[i] / soak.estimator.bank.count[i]
    return _round(float(loss_per_day / SECONDS_PER_DAY * absolute_Pa * volume))


def _as_a_hole(soak: SoakAnalysis, i: int, loss_per_day: float) -> list[str]:
    """Return what such a leak is like for whoever looks for it, if the volume is known."""
    volume = soak.settings.section(soak.sections[i]).volume_m3
    if volume is None or not soak.estimator.bank.count[i]:
        return []
    absolute_Pa = float(soak.pressure_sum[i] / soak.estimator.bank.count[i])
    air_K = float(np.mean([p.reading.ambient_temperature_K for p in soak.estimator.trace.points]))
    hole = hole_of(
        loss_per_day / SECONDS_PER_DAY,
        absolute_Pa,
        volume,
        air_K,
        STANDARD_ATMOSPHERE_Pa,
        soak.settings.soak.gas,
    )
    return [] if hole is None else [f"The leak: {hole_words(hole)}."]


def _sink(soak: SoakAnalysis, i: int, loss_per_day: float | None) -> float | None:
    """Return what a person sees of the loss on a standing car, if the gas column is known."""
    column_m = soak.column_m[i]
    if loss_per_day is None or not np.isfinite(column_m):
        return None
    return _round(float(loss_per_day * column_m * 1000.0))


def _remarks(soak: SoakAnalysis, i: int, *, coldest: float | None, verdict: str) -> list[str]:
    out: list[str] = []
    if soak.begin_utc is None:
        out.append(
            "The recording has no clock: times count from 1970, and sun is not told from other warmth."
        )
    if np.isnan(soak.first[-2]) and soak.estimator.sections[i].reference == "gauge":
        out.append("No barometer: the weather's pressure is only allowed for, and widens the interval.")
    if i in soak.rig_shares:
        share = soak.rig_shares[i].told
        out.append(f"{share[0].upper()}{share[1:]}.")
    out += tape_remarks(soak.tape, i, partial(label_of, soak))
    out += [
        f"The alarm {alarm.kind} of {label_of(soak, alarm.raised_s)} was taken back: {alarm.taken_back}."
        for alarm in soak.book.of(soak.sections[i])
        if alarm.taken_back
    ]
    out += [_step_words(soak, step) for step in soak.steps_of(i)]
    began_K = soak.estimator.first_air_K
    if began_K < soak.estimator.priors.shop_K - soak.estimator.priors.shop_colder_K and soak.begin_is_cold:
        out.append(
            f"It begins in the cold, at {began_K - ZERO_CELSIUS_K:.0f} °C: the gas may have been as warm as a shop; "
            "that widens the interval of a short soak."
        )
    if soak.stuck_bins[i]:
        minutes = soak.stuck_bins[i] * soak.bins.width_s / 60.0
        out.append(f"The transducer stood still for {minutes:.0f} min; left out.")
    if verdict == "tight" and coldest is not None:
        out.append(
            f"Holds down to {coldest:.0f} °C gas temperature, the coldest reached; nothing is said of colder."
        )
    if soak.settings.soak.gas == "shop air":
        out.append(
            "Shop air: water that condenses in the cold takes pressure away without a leak; the interval allows for it."
        )
    return out


def _step_words(soak: SoakAnalysis, step: Step) -> str:
    """Return what a step was and what became of it."""
    gap = step.unseen_since_s
    when = (
        f"At {label_of(soak, step.time_s)}"
        if gap is None
        else f"Between {label_of(soak, gap)} and {label_of(soak, step.time_s)}, unseen,"
    )
    size = 100.0 * -np.expm1(step.size)
    if step.size < 0.0:
        return f"{when} {size:.1f} % of the gas went at once: counted as loss. If that was you, say so (soak note)."
    return f"{when} the reading rose by {-size:.1f} % at once (refill, load, moved car?): it makes no room for a loss."
