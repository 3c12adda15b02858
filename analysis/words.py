"""Findings in plain words, as lines of text: of a soak that is over, and of one that goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.wording import and_list, loss_words, short_time

if TYPE_CHECKING:
    from collections.abc import Mapping


def sentences(result: Mapping[str, Any]) -> list[str]:
    """Return what else a person should know, a sentence a line."""
    lines: list[str] = []
    for section in result["sections"]:
        onset = section["cold_onset_degC"]
        if onset is not None:
            low, high = section["cold_onset_interval95_degC"]
            below = section["loss_per_day_below_onset"]
            rate = "how fast is hardly known" if below is None else f"there {100 * below:.1f} %/day"
            lines.append(
                f"{section['name']}: leaks below about {onset:.0f} °C ({low:.0f} to {high:.0f}), {rate}."
            )
    # what is said of several sections in the same words is said once
    said: dict[str, list[str]] = {}
    for section in result["sections"]:
        for remark in (*map(_alarm, section["alarms"]), *section["notes"]):
            said.setdefault(remark, []).append(section["name"])
    lines += [f"{and_list(names)}: {remark}" for remark, names in said.items()]
    return lines


def _alarm(alarm: Mapping[str, Any]) -> str:
    """Return an alarm with its times."""
    raised, cleared = alarm["raised"], alarm["cleared"]
    if cleared is None:
        return f"alarm {alarm['kind']} since {short_time(raised)} UTC."
    begin, end = short_time(raised), short_time(cleared)
    # the day is said once
    end = end.rpartition(" ")[2] if end.rpartition(" ")[0] == begin.rpartition(" ")[0] else end
    return f"alarm {alarm['kind']} from {begin} to {end} UTC."


def standing_alarms(section: Mapping[str, Any]) -> list[str]:
    """Return the kinds of alarm that stand."""
    return [alarm["kind"] for alarm in section["alarms"] if alarm["cleared"] is None]


def where_it_is(said: Mapping[str, Any], planned_h: float | None) -> str:
    """Return how far the soak is, in a line.

    >>> where_it_is({"end": "2027-01-16T09:15:00Z", "hours": 15.25, "coldest_ambient_degC": -5.9}, 62.0)
    'Sat 16 Jan 09:15 UTC   15.2 of 62 h   coldest air -5.9 °C'
    """
    far = f"{said['hours']:.1f} h" if planned_h is None else f"{said['hours']:.1f} of {planned_h:.0f} h"
    cold = said["coldest_ambient_degC"]
    air = "" if cold is None else f"   coldest air {cold:.1f} °C"
    return f"{short_time(said['end'])} UTC   {far}{air}"


def section_words(section: Mapping[str, Any]) -> tuple[str, str, str]:
    """Return a section's verdict so far, its loss, and what is the matter."""
    verdict = section["verdict"]
    # nothing is decided for good before the end
    so_far = verdict if verdict == "undecided" else f"{verdict} so far"
    alarms = standing_alarms(section)
    return so_far, loss_words(section), f"alarm: {', '.join(alarms)}" if alarms else ""


def plain_lines(said: Mapping[str, Any], planned_h: float | None) -> list[str]:
    """Return the same picture as lines of text."""
    width = max(len(section["name"]) for section in said["sections"])
    lines = [where_it_is(said, planned_h)]
    for section in said["sections"]:
        so_far, loss, matter = section_words(section)
        lines.append(f"  {section['name']:<{width}}  {so_far:<14}  {loss:<28}  {matter}".rstrip())
    return lines
