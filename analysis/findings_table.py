"""Findings for people at a terminal: a table of verdicts in plain words."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.wording import and_list, loss_words
from analysis.words import sentences

if TYPE_CHECKING:
    from collections.abc import Mapping

STYLE = {"tight": "bold green", "leaking": "bold red", "undecided": "bold yellow"}


def headline(result: Mapping[str, Any]) -> Text:
    """Return the verdicts in a line: who leaks, who is tight, what is open."""
    line = Text()
    for verdict, one, several in (
        ("leaking", "leaks", "leak"),
        ("undecided", "is undecided", "are undecided"),
        ("tight", "is tight", "are tight"),
    ):
        names = [s["name"] for s in result["sections"] if s["verdict"] == verdict]
        if names:
            line.append(f"{and_list(names)} {one if len(names) == 1 else several}. ", style=STYLE[verdict])
    line.rstrip()
    return line


def table_of(result: Mapping[str, Any]) -> Table:
    """Return the verdicts of one recording as a table that fits 80 columns."""
    title = f"{result['recording']}: {result['hours']:.1f} h, {result['support']}, {result['gas']}"
    if result["coldest_ambient_degC"] is not None:
        title += f", coldest air {result['coldest_ambient_degC']:.1f} °C"
    table = Table(title=title, title_justify="left", expand=False)
    table.add_column("section")
    table.add_column("verdict")
    table.add_column("loss, 95 % interval")
    table.add_column("limit", justify="right")
    table.add_column("coldest\ngas", justify="right")
    for section in result["sections"]:
        coldest = section["coldest_gas_degC"]
        table.add_row(
            section["name"],
            Text(section["verdict"], style=STYLE[section["verdict"]]),
            loss_words(section),
            f"{100 * section['threshold_per_day']:.3g} %/day",
            "-" if coldest is None else f"{coldest:.1f} °C",
        )
    return table


def tell(result: Mapping[str, Any], console: Console | None = None) -> None:
    """Print verdicts and sentences."""
    console = console or Console()
    console.print(headline(result))
    console.print(table_of(result))
    for line in sentences(result):
        folded = textwrap.fill(line, console.width, initial_indent="  ", subsequent_indent="  ")
        console.print(Text(folded))
