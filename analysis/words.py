"""Findings for people: a table of verdicts in plain words."""

from __future__ import annotations

import textwrap
from datetime import datetime
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

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
    # adding zero takes the sign off a rounded zero
    loss, low, high = (round(100 * x, digits) + 0.0 for x in (loss, low, high))
    return f"{loss:.{digits}f} %/day ({low:.{digits}f} to {high:.{digits}f})"


def short_time(text: str) -> str:
    """Return a moment of the findings as people write it.

    >>> short_time("2027-01-16T09:05:00Z")
    'Sat 16 Jan 09:05'
    """
    moment = datetime.fromisoformat(text)
    # not by strftime, whose names follow the machine's language
    return f"{_DAYS[moment.weekday()]} {moment.day} {_MONTHS[moment.month - 1]} {moment:%H:%M}"


def full_time(text: str) -> str:
    """Return a moment of the findings with its year, for paper that is kept.

    >>> full_time("2027-01-16T09:05:00Z")
    'Sat 16 Jan 2027 09:05'
    """
    day, _, hour = short_time(text).rpartition(" ")
    return f"{day} {text[:4]} {hour}"


_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def and_list(names: Sequence[str]) -> str:
    """Return names as one says them.

    >>> and_list(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


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


def tell(result: Mapping[str, Any], console: Console | None = None) -> None:
    """Print verdicts and sentences."""
    console = console or Console()
    console.print(headline(result))
    console.print(table_of(result))
    for line in sentences(result):
        folded = textwrap.fill(line, console.width, initial_indent="  ", subsequent_indent="  ")
        console.print(Text(folded))
