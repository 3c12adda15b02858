"""From what is known of a soak to a verdict for each section, and every reason that stands against it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.evidence import misfit
from analysis.leak_alarm import LEAK_PRIOR
from analysis.mixture import quantile
from analysis.reasons import Reason
from analysis.soak import LEAST_BINS
from analysis.tape_words import contradiction, too_few
from analysis.threshold import DEFAULT_LOSS_PER_s
from analysis.verdict import GAIN, GAIN_SURE, LEAST_SHARE, Conditions, SHORTEST_h, Verdict, decide
from analysis.warp import borne_out, tape_against_loads
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from analysis.evidence import Evidence
    from analysis.soak import SoakAnalysis

RISEN: Final = 0.01
TOO_WIDE: Final = 8.0  # in limits: what is foretold from so little moves by days (own choice)
READINGS_TELL: Final = 40  # with fewer, how well the model fits is not known


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


def long_enough_s(soak: SoakAnalysis, judged: Judged) -> float:
    """When the soak will have lasted long enough for "tight", seconds since the begin."""
    planned_h = judged.conditions.planned_hours
    begin_s = 0.0 if math.isnan(soak.first_s) else soak.first_s
    return begin_s + 3600.0 * (SHORTEST_h if planned_h is None else planned_h)


def not_before_s(soak: SoakAnalysis, judged: Judged) -> float:
    """Return the moment before which the verdict that is on its way can't be given: tight wants its length."""
    towards_tight = judged.loss_per_s is not None and judged.loss_per_s < judged.limit_per_s
    return long_enough_s(soak, judged) if towards_tight else 0.0


def too_wide(judged: Judged) -> bool:
    """Whether the interval is too wide to say when it will be decided."""
    interval = judged.interval_per_s
    return interval is not None and interval[1] - interval[0] > TOO_WIDE * judged.limit_per_s


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
        coldest = coldest_degC(soak, evidence, i)
        if (agreed := soak.agreement()) is not None:
            air_doubt, differs = agreed.doubt, bool(agreed.differs[i] or soak.leaks.fell_far(soak)[i])
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
        lost_fast=any(fast) or bool(soak.leaks.fell[i]),
        probability_gains=gains,
        misfit=strays,
        contradiction=contradiction(soak.tape, i, partial(label_of, soak)),
        by_hand=bool(soak.tape.heights_of(i)),
        probability_over_net=net,
        doubts=tuple(_doubts(soak, i)),
        borne_out=not soak.tape.heights_of(i) or borne_out(soak, i),
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
    if soak.tape.heights_of(i) and tape_against_loads(soak)[0]:
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
    pending = soak.estimator.guard.pending(i)
    if pending is not None and pending.innovation < 0.0:
        out.append(
            Reason(
                "fall_unexplained",
                f"it fell by {100.0 * -pending.innovation:.1f} % in the last minutes: look at it before anyone goes near",
            )
        )
    unseen = [s for s in soak.steps_of(i) if s.size < 0.0 and s.unseen_since_s is not None]
    if unseen:
        out.append(
            Reason(
                "gap_unexplained",
                f"{100.0 * -np.expm1(sum(s.size for s in unseen)):.1f} % of the gas went while nothing was read",
            )
        )
    risen = sum(step.size for step in soak.steps_of(i) if step.size > 0.0)
    if risen > RISEN:
        out.append(
            Reason(
                "gains_gas",
                f"it rose by {100.0 * np.expm1(risen):.1f} % at once, which a closed section can't: a refill, a load, "
                "another plug? Say what was done (cornerhold soak note), or soak again",
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


def coldest_degC(soak: SoakAnalysis, evidence: Evidence, i: int) -> float | None:
    """Return the coldest gas temperature, by the models' weights."""
    coldest = soak.coldest_at_height.get(i, soak.estimator.coldest_K[i])
    weight = np.where(np.isfinite(coldest), evidence.by_model(evidence.weight)[i], 0.0)
    if not weight.sum() > 0.0:
        return None
    return float((weight * np.nan_to_num(coldest, posinf=0.0)).sum() / weight.sum()) - ZERO_CELSIUS_K


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
