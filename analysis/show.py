"""How a soak stands, as a picture for the terminal that fits 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from analysis.running import section_words, where_it_is
from analysis.words import STYLE

if TYPE_CHECKING:
    from analysis.state import State

BAR = 10
"""Characters of the bar, which runs from 90 to 100 % of the gas."""
SENTENCES = 12


def picture(state: State) -> Group:
    """Return the picture."""
    from analysis.report import typed  # noqa: PLC0415
    from analysis.words import sentences  # noqa: PLC0415

    head = Text(typed(state.rig), style="bold")
    if state.soak is not None:
        head.append(f"  soak {typed(state.soak)}", style="")
    if state.car:
        head.append(f"  {typed(state.car)}", style="")
    head.truncate(78, overflow="ellipsis")
    style = "bold red" if not state.measuring else "green" if state.running else "yellow"
    parts: list[Text | Table | Padding] = [head, Text(state.heartbeat, style=style)]
    said = state.findings
    if said is None:
        parts.append(Text("no samples of a section's pressure yet"))
        return Group(*parts)
    parts.append(Text(where_it_is(said, state.planned_hours)))
    table = Table.grid(padding=(0, 2))
    for section in said["sections"]:
        so_far, loss, _ = section_words(section)
        name = Text(typed(section["name"]))
        name.truncate(16, overflow="ellipsis")
        left = state.gas_left.get(section["name"])
        table.add_row(name, Text(so_far, style=STYLE[section["verdict"]]), Text(loss), _gas(left))
    parts.append(Padding(table, (1, 0)))
    for _, alarm in state.alarms:
        taken = f" (acknowledged{' by ' + typed(alarm.acknowledged_by) if alarm.acknowledged_by else ''})"
        words = f"ALARM {alarm.kind}: {typed(alarm.sentence)}{taken if alarm.acknowledged else ''}"
        parts.append(Text(words, style="bold" if alarm.acknowledged else "bold red"))
    if not state.alarms_kept:
        parts.append(Text("No analysis keeps alarms for this journal.", style="yellow"))
    parts += [Padding(Text(typed(line), style="dim"), (0, 0, 0, 2)) for line in sentences(said)[:SENTENCES]]
    return Group(*parts)


def _gas(left: float | None) -> Text:
    """Gas left as a number and as a bar over the last tenth."""
    if left is None:
        return Text("-")
    full = round(min(max((left - 0.9) * 10.0, 0.0), 1.0) * BAR)
    return Text(f"{100 * left:6.2f} % ", style="").append("█" * full + "·" * (BAR - full), style="cyan")
