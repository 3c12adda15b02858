"""How a soak stands, as a picture for the terminal that fits 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.cells import cell_len, set_cell_size
from rich.console import Group
from rich.padding import Padding
from rich.text import Text

from analysis.findings_table import STYLE
from analysis.wording import loss_words, short_time
from analysis.words import section_words, where_it_is

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.state import State

NAME = 16
VERDICT = 14
BAR = 10
"""Characters of the bar, which runs from 90 to 100 % of the gas."""
SENTENCES = 12


def picture(state: State) -> Group:
    """Return the picture."""
    from analysis.templating import typed  # noqa: PLC0415
    from analysis.words import sentences  # noqa: PLC0415

    head = Text(typed(state.rig), style="bold")
    if state.soak is not None:
        head.append(f"  soak {typed(state.soak)}", style="")
    if state.car:
        head.append(f"  {typed(state.car)}", style="")
    head.truncate(78, overflow="ellipsis")
    style = "bold red" if not state.measuring else "green" if state.running else "yellow"
    parts: list[Text | Padding] = [head, Text(state.heartbeat, style=style)]
    mirrors = [Text(typed(words), style="dim" if well else "bold yellow") for well, words in state.mirrors]
    said = state.findings
    if said is None:
        return Group(*parts, Text("no samples of a section's pressure yet"), *mirrors)
    parts.append(Text(where_it_is(said, state.planned_hours)))
    if state.planned_end is not None:
        parts.append(Text(f"planned end {short_time(state.planned_end)} UTC"))
    parts.append(Padding(_sections(state, said), (1, 0)))
    for _, alarm in state.alarms:
        taken = f" (acknowledged{' by ' + typed(alarm.acknowledged_by) if alarm.acknowledged_by else ''})"
        words = f"ALARM {alarm.kind}: {typed(alarm.sentence)}{taken if alarm.acknowledged else ''}"
        parts.append(Text(words, style="bold" if alarm.acknowledged else "bold red"))
    if not state.alarms_kept:
        parts.append(Text("No analysis keeps alarms for this journal.", style="yellow"))
    parts += mirrors
    parts += [Padding(Text(typed(line), style="dim"), (0, 0, 0, 2)) for line in sentences(said)[:SENTENCES]]
    return Group(*parts)


def _sections(state: State, said: Mapping[str, Any]) -> Group:
    """Two lines for each section: verdict, loss and gas left; when it is decided, and how cold it got."""
    from analysis.templating import typed  # noqa: PLC0415

    rows = [
        # a soak that is over has its last word
        (typed(x["name"])[:NAME], section_words(x)[0] if state.running else x["verdict"], loss_words(x), x)
        for x in said["sections"]
    ]
    name_width = max(cell_len(name) for name, *_ in rows)
    loss_width = max(len(loss) for _, _, loss, _ in rows)
    parts: list[Text] = []
    for name, so_far, loss, section in rows:
        line = Text(set_cell_size(name, name_width) + "  ")
        line.append(f"{so_far:<{VERDICT}}", style=STYLE[section["verdict"]])
        line.append(f" {loss:<{loss_width}} ").append_text(_gas(state.gas_left.get(section["name"])))
        decision, coldest = state.decisions.get(section["name"]), section["coldest_gas_degC"]
        words = [] if decision is None else [("" if decision.since else "decision: ") + decision.words]
        words += [] if coldest is None else [f"coldest gas {coldest:.1f} °C"]
        parts += [line, Text(f"  {'; '.join(words)}", style="dim")]
    return Group(*parts)


def _gas(left: float | None) -> Text:
    """Gas left as a number and as a bar over the last tenth."""
    if left is None:
        return Text("-")
    full = round(min(max((left - 0.9) * 10.0, 0.0), 1.0) * BAR)
    return Text(f"{100 * left:6.2f} % ", style="").append("█" * full + "·" * (BAR - full), style="cyan")
