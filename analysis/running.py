"""How a running soak looks: a line per section that fits 80 columns, for a terminal or for a log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from analysis.words import STYLE, loss_words, short_time

if TYPE_CHECKING:
    from collections.abc import Mapping

BAR = 50


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


def picture(said: Mapping[str, Any] | None, planned_h: float | None = None) -> Group:
    """Return the picture of a soak so far; None: no reading yet."""
    if said is None:
        return Group(Text("  waiting for the first readings"))
    table = Table.grid(padding=(0, 2))
    for section in said["sections"]:
        so_far, loss, matter = section_words(section)
        table.add_row(
            section["name"],
            Text(so_far, style=STYLE[section["verdict"]]),
            loss,
            Text(matter, style="bold red"),
        )
    whole = Table.grid(padding=(0, 0, 0, 2))
    whole.add_row(Text(where_it_is(said, planned_h)))
    if planned_h is not None:
        # in a grid, because a bar alone doesn't end its line
        whole.add_row(ProgressBar(total=planned_h, completed=said["hours"], width=BAR))
    whole.add_row(table)
    return Group(whole)
