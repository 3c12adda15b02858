"""Findings for people: a table of verdicts in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Mapping

STYLE = {"tight": "bold green", "leaking": "bold red", "undecided": "bold yellow"}


def loss_words(section: Mapping[str, Any]) -> str:
    """Return the loss with its interval, or that there is none.

    >>> loss_words({"loss_per_day": 0.0041, "loss_per_day_interval95": [-0.002, 0.011]})
    '0.4 %/day (-0.2 to 1.1)'
    """
    loss = section["loss_per_day"]
    if loss is None:
        return "not known"
    low, high = section["loss_per_day_interval95"]
    digits = 1 if high - low > 0.004 else 2
    return f"{100 * loss:.{digits}f} %/day ({100 * low:.{digits}f} to {100 * high:.{digits}f})"


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
    table.add_column("coldest gas", justify="right")
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


def sentences(result: Mapping[str, Any]) -> list[str]:
    """Return what else a person should know, a sentence a line."""
    lines: list[str] = []
    for section in result["sections"]:
        onset = section["cold_onset_degC"]
        if onset is not None:
            low, high = section["cold_onset_interval95_degC"]
            lines.append(
                f"{section['name']}: leaks below about {onset:.0f} °C ({low:.0f} to {high:.0f}), "
                f"there {100 * section['loss_per_day_below_onset']:.1f} %/day."
            )
        lines += [f"{section['name']}: alarm {a['kind']}, raised {a['raised']}." for a in section["alarms"]]
        lines += [f"{section['name']}: {note}" for note in section["notes"]]
    return lines


def tell(result: Mapping[str, Any], console: Console | None = None) -> None:
    """Print verdicts and sentences."""
    console = console or Console()
    console.print(table_of(result))
    for line in sentences(result):
        console.print(Text("  " + line))
