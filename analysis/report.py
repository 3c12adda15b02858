"""A soak's report: one HTML file that needs nothing beside it and prints on A4."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from analysis.compare import compare_section, conditions
from analysis.plots import Moments, section_svg
from analysis.report_data import calibrations, first_and_last, leak_words, not_calibrated, sink_words, weather
from analysis.templating import templates

if TYPE_CHECKING:
    from analysis.compare import Comparison
    from analysis.report_data import Material

RATIO_TOLD: Final = ("proven", "still leaking")
"""Elsewhere the ratio of two losses, of which one may be nothing, says little."""


def report_html(material: Material, made: str, *, job: str = "", car: str = "", customer: str = "") -> str:
    """Return the report; `made` is when (ISO 8601 with Z), the three texts replace those of the register."""
    from markupsafe import Markup  # noqa: PLC0415

    said, plan, changes = material.findings, material.plan, _changes(material)
    moments = Moments(material.soak.begin_utc)
    plots = [
        [
            # our own drawing, in which no typed text stands
            Markup(section_svg(course, section, moments, standing=material.soak.standing, narrow=narrow))  # noqa: S704
            for narrow in (False, True)
        ]
        for course, section in zip(material.over_time, said["sections"], strict=True)
    ]
    return (
        templates()
        .get_template("report.html.j2")
        .render(
            said=said,
            made=made,
            material=material,
            settings=material.settings,
            running=material.running,
            has_clock=material.soak.begin_utc is not None,
            heads={
                "job": job or (plan.job if plan else ""),
                "car": car or (plan.car if plan else ""),
                "customer": customer or (plan.customer if plan else ""),
                "soak": plan.name if plan else "",
            },
            plots=plots,
            sinks=[sink_words(material, i) for i in range(len(plots))],
            leaks=[leak_words(material, i) for i in range(len(plots))],
            read=[first_and_last(material, i) for i in range(len(plots))],
            quality=[_quality(material, i) for i in range(len(plots))],
            weather=weather(material),
            calibrations=calibrations(material),
            not_calibrated=not_calibrated(material),
            changes=changes,
            proofs=_proofs(changes),
            differences=[] if material.before is None else conditions(material.before, said),
        )
    )


def _quality(material: Material, i: int) -> dict[str, Any]:
    soak = material.soak
    return {
        "used": material.findings["sections"][i]["hours_used"],
        "spikes": int(soak.spikes[i]),
        "stuck_min": float(soak.stuck_bins[i] * soak.bins.width_s / 60.0),
        "steps": sum(step.section == soak.sections[i] for step in soak.estimator.guard.steps),
    }


def _changes(material: Material) -> list[dict[str, Any]]:
    """Before and after the repair, section by section."""
    if material.before is None:
        return []
    before = {section["name"]: section for section in material.before["sections"]}
    out = []
    for section in material.findings["sections"]:
        was = before.get(section["name"])
        compared = None if was is None else compare_section(was, section)
        out.append({"name": section["name"], "before": was, "after": section, "compared": compared})
    return out


def _proofs(changes: list[dict[str, Any]]) -> list[tuple[list[str], str, str]]:
    """What before and after prove: sections of which the same is to be said, its outcome, the sentence."""
    out: dict[tuple[str, str], list[str]] = {}
    for change in changes:
        compared: Comparison | None = change["compared"]
        if compared is None:
            said = ("nothing", "There was no such section before.")
        else:
            said = (compared.outcome, compared.sentence + _ratio_words(compared))
        out.setdefault(said, []).append(change["name"])
    return [(names, outcome, sentence) for (outcome, sentence), names in out.items()]


def _ratio_words(compared: Comparison) -> str:
    if compared.ratio is None or compared.ratio_interval95 is None or compared.outcome not in RATIO_TOLD:
        return ""
    low, high = (max(x, 0.0) for x in compared.ratio_interval95)
    words = [
        f"{100 * x:.0f}" if x >= 0.095 else f"{100 * x:.1f}" for x in (max(compared.ratio, 0.0), low, high)
    ]
    return f" It loses {words[0]} % of what it lost before ({words[1]} to {words[2]})."
