"""What is to be expected, for people: a table, and how long to stand in sentences."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Mapping


def table_of(result: Mapping[str, Any]) -> Table:
    """Return a row per section."""
    blocked = result["support"] == "blocked"
    key, unit = ("tight", "kPa") if blocked else ("tight_sink", "mm")
    title = (
        f"tight, {result['support']}, {result['gas']}: {result['from_degC']:g} °C to {result['to_degC']:g} °C "
        f"in {result['hours']:g} h"
    )
    table = Table(title=title, title_justify="left", expand=False)
    for heading in (
        "section",
        "now",
        "will read" if blocked else "will sink",
        "range, 95 %",
        "at the limit",
    ):
        table.add_column(heading, justify="left" if heading == "section" else "right")
    for s in result["sections"]:
        low, high = s[f"{key}_range_{unit}"]
        table.add_row(
            s["name"],
            f"{s['fill_kPa']:.1f} kPa",
            f"{s[f'{key}_{unit}']:.1f} {unit}",
            f"{low:.1f} to {high:.1f}",
            f"{s['at_threshold']:.1f} {unit}",
        )
    return table


def clock(begin_hour: float, hours: float) -> str:
    """Return when that is, by the clock of the place.

    >>> clock(18.0, 12.5), clock(18.0, 38.0)
    ('06:30', '08:00, two days on')
    """
    at = begin_hour + hours
    days, minutes = int(at // 24), round(at % 24 * 60)
    text = f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"
    said = {0: "", 1: ""}.get(days)
    if said is None:
        said = f", {('two', 'three', 'four', 'five')[min(days, 5) - 2]} days on"
    return text + said


def standing_time(one: Mapping[str, Any]) -> str:
    """Return how long, in words.

    >>> standing_time({"with": "", "begin_hour": 18.0, "even_hours": 12.0, "sure_hours": None})
    'as likely as not after 12 h (06:00), hardly within four days for sure'
    """
    if one["even_hours"] is None:
        return "hardly within four days"
    even = f"as likely as not after {one['even_hours']:g} h ({clock(one['begin_hour'], one['even_hours'])})"
    if one["sure_hours"] is None:
        return f"{even}, hardly within four days for sure"
    return (
        f"{even}, nine of ten after {one['sure_hours']:g} h ({clock(one['begin_hour'], one['sure_hours'])})"
    )


def sentences(result: Mapping[str, Any]) -> list[str]:
    """Return what the table doesn't say."""
    lines = [f"{s['name']}: {note}" for s in result["sections"] for note in s["notes"]]
    eye = max(s["seen_by_eye_per_day"] for s in result["sections"])
    half = max(s["interval_half_width_per_day"] for s in result["sections"])
    what = "a gauge" if result["support"] == "blocked" else "a tape"
    lines.append(
        f"By {what} alone a loss under {100 * eye:.1f} %/day is lost in that range. The analysis will know it to "
        f"about ± {100 * half:.1f} %/day after {result['hours']:g} h."
    )
    taped = [
        s
        for s in result["sections"]
        if s["by_tape_half_width_per_day"] is not None and not s["height_sensor"]
    ]
    if taped:
        names = ", ".join(s["name"] for s in taped)
        by_tape = max(s["by_tape_half_width_per_day"] for s in taped)
        lines.append(
            f"If no height sensor is fitted ({names}: the settings name none): no verdict without heights by hand, "
            f"now and at the end (tape add). Two of ± 1 mm tell the loss to about ± {100 * by_tape:.1f} %/day after "
            f"{result['hours']:g} h; all that follows is with sensors."
        )
    if not result["barometer_forecast"] and any(s["reference"] == "gauge" for s in result["sections"]):
        lines.append("No barometer forecast: the range allows 8 hPa of weather (standard deviation).")
    if result["gas"] == "shop air":
        lines.append("Shop air: between nothing and all of the water that can condense is allowed for.")
    first, *others = result["stand"]
    lines.append(f"To tell tight from the limit: {standing_time(first)}.")
    for one in others:
        if one["with"]:
            lines.append(f"With {one['with']}: {standing_time(one)}.")
        else:
            lines.append(f"Begun at {clock(one['begin_hour'], 0.0)} instead: {standing_time(one)}.")
    return lines


def tell(result: Mapping[str, Any]) -> None:
    """Print it."""
    console = Console()
    console.print(table_of(result))
    for line in sentences(result):
        folded = textwrap.fill(line, console.width, initial_indent="  ", subsequent_indent="  ")
        console.print(Text(folded))
