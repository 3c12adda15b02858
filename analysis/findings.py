"""What a soak has shown, as the findings of one recording (JSON) with sentences for people."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.evidence import misfit
from analysis.hole import hole_of, hole_words
from analysis.mixture import quantile
from analysis.reasons import Reason
from analysis.settle import outlook_of, settling
from analysis.soak import LEAK_PRIOR, LEAST_BINS, SoakAnalysis
from analysis.tape_words import contradiction, tape_remarks, too_few
from analysis.threshold import DEFAULT_LOSS_PER_s
from analysis.verdict import GAIN, GAIN_SURE, LEAST_SHARE, Conditions, SHORTEST_h, Verdict, decide
from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from analysis.evidence import Evidence
    from analysis.inputs import Step
    from analysis.outlook import Outlook

Array = NDArray[np.float64]

# An onset is named only if the shapes "below a temperature" hold this much of the weight, and a leak is as good as sure;
# while it has only become colder since, a leak that began at a time looks much the same: then more is asked.
ONSET_WEIGHT: Final = 0.8
ONSET_WEIGHT_ONLY_COOLED: Final = 0.97
ONSET_LOG_ODDS: Final = 5.0
READINGS_TELL: Final = 40  # with fewer, how well the model fits is not known
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


def hours_of(soak: SoakAnalysis) -> float:
    """Return how long a soak has lasted."""
    return 0.0 if math.isnan(soak.first_s) else (soak.last_s - soak.first_s) / 3600.0


def label_of(soak: SoakAnalysis, time_s: float) -> str:
    """Return a time as UTC with Z; a recording without labels counts from the epoch (said in a note)."""
    begin = soak.begin_utc if soak.begin_utc is not None else np.datetime64(0, "us")
    moment = begin.astype("datetime64[us]") + np.timedelta64(
        round((0.0 if math.isnan(time_s) else time_s) * 1e6), "us"
    )
    text = str(moment.astype("datetime64[ms]"))
    return (text.removesuffix(".000")) + "Z"


class Ahead:
    """A look ahead, taken at the first section that asks for it."""

    def __init__(self, soak: SoakAnalysis) -> None:
        """Of this soak."""
        self.soak = soak
        self.taken = False
        self.outlook: Outlook | None = None

    def of(self, i: int) -> list[str]:
        """Return what would settle section `i`."""
        evidence = self.soak.known()
        if not self.taken and evidence is not None:
            limits = [DEFAULT_LOSS_PER_s if x.loss_per_s is None else x.loss_per_s for x in self.soak.limits]
            self.outlook = outlook_of(self.soak, evidence, np.array(limits))
        self.taken = True
        return [] if self.outlook is None else settling(self.outlook, i, self.soak.begin_utc)


@dataclass(frozen=True)
class Judged:
    """A section's verdict and what it rests on; losses in 1/s, None = can't be known."""

    conditions: Conditions
    verdict: Verdict
    reasons: list[Reason]
    limit_per_s: float
    loss_per_s: float | None
    interval_per_s: tuple[float, float] | None = None
    pieces: int = 0


def judge(soak: SoakAnalysis, i: int) -> Judged:
    """Judge section `i` by what is known now; by the worst of the pieces, if somebody did something to it."""
    pieces = soak.pieces.of(i)
    if not pieces:
        return _judge(soak, i)
    return _worst(soak, [(hours_of(piece), _judge(piece, i, piece=True)) for piece in pieces])


def _worst(soak: SoakAnalysis, judged: list[tuple[float, Judged]]) -> Judged:
    """Return the judgement of the worst piece, with the loss that all have on the mean."""
    long = [(hours, one) for hours, one in judged if hours >= SHORTEST_h and one.loss_per_s is not None]
    counted = long or [one for one in judged if one[1].loss_per_s is not None] or judged
    rank = {"leaking": 2, "undecided": 1, "tight": 0}
    worst = max(
        (one for _, one in counted),
        key=lambda one: (rank[one.verdict], one.conditions.probability_over or 0.0),
    )
    whole = hours_of(soak)
    planned = soak.settings.soak.planned_hours
    reasons, verdict = list(worst.reasons), worst.verdict
    judged_h = sum(hours for hours, _ in counted)
    if verdict == "tight" and (not long or judged_h < LEAST_SHARE * max(whole, planned or 0.0)):
        reasons.append(
            Reason("too_short", f"only {judged_h:.1f} h of {whole:.1f} h lie between what was done to it")
        )
        verdict = "undecided"
    known = [(hours, one) for hours, one in counted if one.loss_per_s is not None and one.interval_per_s]
    if not known:
        return replace(worst, verdict=verdict, reasons=reasons, pieces=len(judged))
    total = sum(hours for hours, _ in known)
    loss = sum(hours * (one.loss_per_s or 0.0) for hours, one in known) / total
    ends = [one.interval_per_s or (0.0, 0.0) for _, one in known]
    half = math.sqrt(
        sum((hours * (high - low) / 2.0) ** 2 for (hours, _), (low, high) in zip(known, ends, strict=True))
    )
    interval = (loss - half / total, loss + half / total)
    return replace(
        worst, verdict=verdict, reasons=reasons, loss_per_s=loss, interval_per_s=interval, pieces=len(judged)
    )


def _judge(soak: SoakAnalysis, i: int, *, piece: bool = False) -> Judged:
    evidence, hours = soak.known(), hours_of(soak)
    limit = soak.limits[i].loss_per_s
    limit = DEFAULT_LOSS_PER_s if limit is None else limit
    over = net = loss = coldest = interval = None
    leaks_over, gains, strays = 0.0, 0.0, 1.0
    air_doubt, differs, others, most_gain = None, False, [], 0.0
    if evidence is not None and soak.usable(i):
        limits = np.full(len(soak.sections), limit)
        over = float(evidence.probability_over(limits)[i])
        net = float(evidence.probability_over(limits + soak.risen_per_s())[i])
        gaining = 1.0 - evidence.probability_over(-GAIN * limits)
        gains = float(gaining[i])
        leaks_over = float(evidence.probability_leaks_over(limits, LEAK_PRIOR)[i])
        if soak.estimator.bank.count[i] >= READINGS_TELL:
            strays = float(misfit(soak.estimator.bank, evidence)[i])
        loss = float((evidence.weight[i] * evidence.mean_loss_per_s[i]).sum())
        arrays = (evidence.weight, evidence.mean_loss_per_s, evidence.mean_deviation_per_s)
        weight, mean, deviation = (array[i].ravel() for array in arrays)
        interval = (quantile(weight, mean, deviation, 0.025), quantile(weight, mean, deviation, 0.975))
        coldest = _coldest_degC(soak, evidence, i)
        if (agreed := soak.agreement()) is not None:
            air_doubt, differs = agreed.doubt, bool(agreed.differs[i] or soak.fell_far()[i])
        others = [
            name
            for k, name in enumerate(soak.sections)
            if k != i and soak.usable(k) and gaining[k] > GAIN_SURE
        ]
        means = (evidence.weight * evidence.mean_loss_per_s).sum(axis=(1, 2))
        most_gain = max((-float(means[soak.sections.index(name)]) for name in others), default=0.0)
    fast = (a.kind == "burst" or (a.kind == "leak" and a.evidence) for a in soak.book.of(soak.sections[i]))
    planned_cold = soak.settings.soak.planned_cold_K
    conditions = Conditions(
        probability_over=over,
        probability_leaks_over=leaks_over,
        hours=hours,
        hours_used=soak.used_s[i] / 3600.0,
        planned_hours=0.0 if piece else soak.settings.soak.planned_hours,
        coldest_degC=coldest,
        planned_cold_degC=None if planned_cold is None else planned_cold - ZERO_CELSIUS_K,
        lost_fast=any(fast),
        probability_gains=gains,
        misfit=strays,
        contradiction=contradiction(soak.tape, i, partial(label_of, soak)),
        by_hand=bool(soak.tape.heights_of(i)),
        probability_over_net=net,
        doubts=tuple(_doubts(soak, i)),
        borne_out=not soak.tape.heights_of(i) or soak.borne_out(i),
        air_doubt=air_doubt,
        differs=differs and air_doubt is not None,
        against_tight=tuple(_against(soak, i, others)),
        neighbours_gain_per_s=most_gain,
        surely_over_per_s=None if interval is None else interval[0] - limit,
    )
    verdict, reasons = decide(conditions)
    if over is None:
        reasons = [*reasons, _why_unusable(soak, i)]
    return Judged(conditions, verdict, reasons, limit, loss, interval)


def _doubts(soak: SoakAnalysis, i: int) -> list[Reason]:
    """Return what forbids any verdict: what was read can't be, nothing was tested, or tape and pressures disagree."""
    found = soak.doubts(i)
    if soak.tape.heights_of(i) and soak.tape_against_loads()[0]:
        found.append(
            Reason(
                "contradiction",
                "the pressures of the four corners contradict the heights by hand: one was misread, or written at the "
                "wrong corner; correct it (cornerhold tape correct), or measure again",
            )
        )
    return found


def _against(soak: SoakAnalysis, i: int, gaining: list[str]) -> list[Reason]:
    """Return what stands against "tight" in what happened and at the neighbours."""
    out: list[Reason] = []
    pending = soak.estimator.pending(i)
    if pending is not None and pending.innovation < 0.0:
        out.append(
            Reason(
                "fall_unexplained",
                f"it fell by {100.0 * -pending.innovation:.1f} % in the last minutes: look at it before anyone goes near",
            )
        )
    if gaining:
        out.append(
            Reason(
                "neighbour_doubtful",
                f"{' and '.join(gaining)} seem{'s' if len(gaining) == 1 else ''} to gain gas, which can't be: "
                "what is wrong there may be wrong with the temperature of all",
            )
        )
    if soak.doubted.others_frozen(i):
        out.append(
            Reason(
                "neighbour_doubtful",
                "the heights of most other corners stand still: is the car on its stops, or iced?",
            )
        )
    standing = [kind for kind in ("burst", "floor") if (soak.sections[i], kind) in soak.book.standing]
    if standing:
        out.append(Reason("alarm_standing", f"the alarm {' and '.join(standing)} stands"))
    dead_s = soak.dead_since_s(i)
    if dead_s is not None:
        out.append(
            Reason(
                "channel_dead",
                f"no reading since {label_of(soak, dead_s)}: mend the plug and soak again",
            )
        )
    return out


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
    remarks += [reason.sentence[0].upper() + reason.sentence[1:] + "." for reason in judged.reasons]
    if judged.pieces > 1:
        remarks.append(f"Judged in {judged.pieces} pieces, between what was noted; the worst one counts.")
    if any(reason.code == "near_threshold" for reason in judged.reasons):
        # a look ahead supposes a height in every bin
        remarks += [MEASURE_AGAIN] if judged.conditions.by_hand else ahead.of(i)
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


def _round(value: float | None) -> float | None:
    """Six digits: far below any uncertainty here, and the same text from live and replay."""
    return None if value is None else float(f"{value:.6g}")


def _coldest_degC(soak: SoakAnalysis, evidence: Evidence, i: int) -> float | None:
    """Return the coldest gas temperature, by the models' weights."""
    coldest = soak.coldest_at_height.get(i, soak.estimator.coldest_K[i])
    weight = np.where(np.isfinite(coldest), evidence.by_model(evidence.weight)[i], 0.0)
    if not weight.sum() > 0.0:
        return None
    return float((weight * np.nan_to_num(coldest, posinf=0.0)).sum() / weight.sum()) - ZERO_CELSIUS_K


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


def _why_unusable(soak: SoakAnalysis, i: int) -> Reason:
    name, count = soak.sections[i], len(soak.sections)
    if not np.isfinite(soak.first[i]):
        return Reason("channel_dead", "no reading of its pressure at all: mend the plug and soak again")
    if not np.isfinite(soak.first[-3]) and not np.isfinite(soak.first[2 * count + i]):
        return Reason(
            "no_temperature", "without an ambient or gas temperature cooling can't be told from leaking"
        )
    if soak.standing and not np.isfinite(soak.column_m[i]):
        return Reason(
            "no_gas_column", f"a standing section needs its gas column: set sections.{name}.gas_column"
        )
    missing = _missing_heights(soak, i) if soak.standing else None
    if missing is not None:
        return Reason("no_heights", missing)
    dead_s = soak.dead_since_s(i)
    if dead_s is not None:
        return Reason(
            "channel_dead", f"no reading since {label_of(soak, dead_s)}: mend the plug and soak again"
        )
    return Reason("too_few_readings", "there are too few usable readings")


def _missing_heights(soak: SoakAnalysis, i: int) -> str | None:
    """Return what a standing section lacks in heights; None: nothing."""
    taped = any(r.section == soak.sections[i] for r in soak.tape.used)
    if not np.isfinite(soak.first[len(soak.sections) + i]) and not taped:
        return (
            "a standing car shows its loss in the height, not in the pressure, and there are no heights: "
            "measure them, with sensors or with a tape before and after (cornerhold tape)"
        )
    if 0 < soak.estimator.bank.count[i] < LEAST_BINS and not soak.tape.heights_of(i):
        return "there are too few usable heights for a sensor; heights by hand belong to cornerhold tape"
    few = too_few(soak.tape, i)
    return few[0].lower() + few[1:].removesuffix(".") if few else None
