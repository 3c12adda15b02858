"""A soak's report: one HTML file that needs nothing beside it and prints on A4."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Final

from analysis.plots import Moments, section_svg
from analysis.report_data import calibrations, first_and_last, leak_words, weather
from analysis.words import loss_words, short_time

if TYPE_CHECKING:
    from jinja2 import Environment

    from analysis.report_data import Material

LONGEST: Final = 400
"""A text that somebody typed is cut after so many characters; nobody reads on."""
VERDICT_SIGNS: Final = {"tight": "✓", "leaking": "✕", "undecided": "?"}
"""So that no verdict is told by its colour alone."""


@cache
def templates() -> Environment:
    """The pages' templates; everything that is put in is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415  loaded when a page is made

    environment = Environment(
        loader=PackageLoader("analysis"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "typed": typed,
        "moment": short_time,
        "loss": loss_words,
        "percent": lambda x: f"{100.0 * x:.3g}",
        "sign": lambda verdict: VERDICT_SIGNS[verdict],
    }
    return environment


def typed(text: object) -> str:
    """A text that a person typed, as it is shown: one line, no control characters, cut if it is very long.

    >>> typed("front\\x07 left\\n")
    'front left'
    """
    words = " ".join("".join(c if c.isprintable() or c.isspace() else "" for c in str(text)).split())
    if len(words) <= LONGEST:
        return words
    return f"{words[:LONGEST]}… ({len(words)} characters)"


def report_html(material: Material, made: str, *, job: str = "", car: str = "", customer: str = "") -> str:
    """Return the report; `made` is when (ISO 8601 with Z), the three texts replace those of the register."""
    from markupsafe import Markup  # noqa: PLC0415

    said, plan = material.findings, material.plan
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
            leaks=[leak_words(material, i) for i in range(len(plots))],
            read=[first_and_last(material, i) for i in range(len(plots))],
            quality=[_quality(material, i) for i in range(len(plots))],
            weather=weather(material),
            calibrations=calibrations(material),
            changes=_changes(material),
        )
    )


def _quality(material: Material, i: int) -> dict[str, Any]:
    soak = material.soak
    return {
        "used": material.findings["sections"][i]["hours_used"],
        "spikes": int(soak.spikes[i]),
        "stuck_min": float(soak.stuck_bins[i] * soak.bins.width_s / 60.0),
        "steps": sum(step.section == soak.sections[i] for step in soak.estimator.steps),
    }


def _changes(material: Material) -> list[dict[str, Any]]:
    """Before and after the repair, section by section."""
    if material.before is None:
        return []
    before = {section["name"]: section for section in material.before["sections"]}
    return [
        {"name": section["name"], "before": before.get(section["name"]), "after": section}
        for section in material.findings["sections"]
    ]
