"""How a running soak looks: a line per section that fits 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from analysis.findings_table import STYLE
from analysis.words import section_words, where_it_is

if TYPE_CHECKING:
    from collections.abc import Mapping

BAR = 50


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
