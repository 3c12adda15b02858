"""What soaks say of components, as data and in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.suspects import ACCUSED, CLEARED, PROBABLE, RIGHT
from analysis.wording import and_list

if TYPE_CHECKING:
    from analysis.job import Job
    from analysis.suspects import Observation, Posterior


def said(job: Job, posterior: Posterior) -> dict[str, Any]:
    """Return it as JSON takes it."""
    return {
        "cornerhold": "suspects/1",
        "components": [_component(job, posterior, name) for name in posterior.leaks],
        "contradictions": contradictions(job, posterior),
        "next": sorted(posterior.following),
        "next_probability_leaking": round(posterior.following_leaks, 4) if posterior.following else None,
        "notes": list(job.notes),
    }


def _component(job: Job, posterior: Posterior, name: str) -> dict[str, Any]:
    own = [one for one in job.observations if name in one.encloses]
    temperatures = posterior.temperatures_degC
    coldest = min((one.temperature_degC for one in own), default=None)
    leaks = posterior.leaks[name]
    if coldest is None:
        return {"name": name, "probability_leaks": round(job.priors[name], 4), "at_degC": None,
                "cleared_to_degC": None, "leaks_only_below_degC": None, "state": "unknown"}  # fmt: skip
    at = temperatures.index(coldest)
    p = float(leaks[at])
    cleared = _cleared(own, posterior, name)
    only_below = cleared if p >= PROBABLE else None
    state = "cleared" if p <= CLEARED and cleared == coldest else "open"
    if p >= PROBABLE:
        state = "leaks" if p >= ACCUSED else "probably leaks"
    return {
        "name": name,
        "probability_leaks": round(p, 4),
        "at_degC": coldest,
        "cleared_to_degC": cleared,
        "leaks_only_below_degC": only_below,
        "state": state,
    }


def _cleared(own: list[Observation], posterior: Posterior, name: str) -> float | None:
    """Return the coldest temperature at which a soak found it tight and which all together bear out."""
    found = [
        one.temperature_degC
        for one in own
        if one.verdict == "tight"
        and posterior.leaks[name][posterior.temperatures_degC.index(one.temperature_degC)] <= CLEARED
    ]
    return min(found, default=None)


def contradictions(job: Job, posterior: Posterior) -> list[str]:
    """Return the verdicts that the others don't bear out."""
    out = []
    for one, leaking in zip(job.observations, posterior.right, strict=True):
        right = {"leaking": leaking, "tight": 1.0 - leaking}.get(one.verdict, 1.0)
        if right < RIGHT:
            out.append(
                f"{one.soak}: '{one.section}' was found {one.verdict} at {one.temperature_degC:.0f} °C, and the other "
                f"soaks leave that a probability of {_percent(right)}. Was a valve not shut, or is the list of what it "
                "encloses wrong? Repeat that soak before you trust the rest."
            )
    return out


def sentences(result: dict[str, Any]) -> list[str]:
    """Return what a person should know, a sentence a line: the likeliest first."""
    out = [_sentence(one) for one in sorted(result["components"], key=lambda c: -c["probability_leaks"])]
    out += result["contradictions"]
    if result["next"]:
        what = and_list(result["next"])
        out.append(
            f"Next, isolate {what}{' together' if len(result['next']) > 1 else ''}: it would leak with "
            f"{_percent(result['next_probability_leaking'])}, and no other isolation would tell more."
        )
    else:
        out.append("No further isolation would tell much.")
    return [*out, *result["notes"]]


def _sentence(one: dict[str, Any]) -> str:
    name, p = one["name"], _percent(one["probability_leaks"])
    if one["state"] == "unknown":
        return f"{name}: not looked at ({p} is what is believed of any component)."
    at = f"{one['at_degC']:.0f} °C"
    if one["leaks_only_below_degC"] is not None:
        return f"{name}: {one['state']} in the cold ({p} at {at}), and not yet at {one['leaks_only_below_degC']:.0f} °C."
    if one["state"] in {"leaks", "probably leaks"}:
        return f"{name}: {one['state']} ({p})."
    if one["state"] == "cleared":
        return f"{name}: cleared down to {at} ({p}); nothing is said of colder."
    if one["cleared_to_degC"] is not None:
        return f"{name}: suspect at {at} ({p}); cleared down to {one['cleared_to_degC']:.0f} °C."
    return f"{name}: suspect ({p})."


def _percent(p: float) -> str:
    """Return a probability, never quite none or all.

    >>> _percent(0.4567), _percent(0.9999), _percent(0.0)
    ('46 %', 'over 99 %', 'under 1 %')
    """
    if p > 0.99:
        return "over 99 %"
    return "under 1 %" if p < 0.01 else f"{100.0 * p:.0f} %"
