"""Findings and alarms as points for InfluxDB. They wait in the book of alarms until the server has them.

    findings,rig=bay-2,section=front_left,soak=job-1042 verdict="tight",loss_per_day=0.0041,… 1800036000000000000
    alarms,rig=bay-2,section=front_left,kind=leak alarm="1f3c-7",state="raised",standing=1i,… 1800036000000000070

A finding is a state: a point for each new verdict or alarm, else one in ten minutes. An alarm is a point for each of its
states. Numbers are floats under the names that findings have; only `standing` and `alarms_standing` are integers.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from logger.clock import now_us, us_from_utc
from logger.influx import InfluxPace, Mirror, Portion
from logger.influx_lines import check_line, tag, text_field
from logger.mirror_state import FINDINGS, StateFile

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from analysis.alarm_store import AlarmStore, Kept
    from logger.delivery_settings import InfluxSettings
    from logger.mirror_state import MirrorState

PORTION: Final = 500
EVERY_h: Final = 1.0 / 6.0
"""A finding that only became a little sharper is kept so often, by the soak's own time."""
NUMBERS: Final = (
    "loss_per_day",
    "threshold_per_day",
    "probability_over_threshold",
    "cold_onset_degC",
    "loss_per_day_below_onset",
    "leak_rate_Pa_m3_per_s",
    "sink_mm_per_day",
    "coldest_gas_degC",
    "hours_used",
)
_STATES: Final = ("raised", "acknowledged", "cleared")
_IDS: Final = 100_000_000


def alarm_line(rig: str, name: str, alarm: Kept) -> str:
    """A state of an alarm; `name` is its id towards the world.

    The time is that of the state, to the second; what is below tells the states of all alarms apart.
    """
    when = {"raised": alarm.raised, "acknowledged": alarm.acknowledged, "cleared": alarm.cleared}[alarm.state]
    time_ns = _ns(when or alarm.raised) + 10 * (alarm.id % _IDS) + _STATES.index(alarm.state)
    fields = [
        f"alarm={text_field(name)}",
        f"state={text_field(alarm.state)}",
        f"standing={int(alarm.cleared is None)}i",
        f"raised={text_field(alarm.raised)}",
        f"sentence={text_field(alarm.sentence)}",
        *_numbers(alarm.evidence, ("loss_per_day", "probability_over_threshold", "coldest_gas_degC")),
    ]
    if alarm.acknowledged_by:
        fields.append(f"acknowledged_by={text_field(alarm.acknowledged_by)}")
    return f"alarms,rig={tag(rig)},section={tag(alarm.section)},kind={tag(alarm.kind)} {','.join(fields)} {time_ns}"


def finding_line(rig: str, said: Mapping[str, Any], section: Mapping[str, Any]) -> str:
    """How a section stood at the end of what was read so far; `said` are the findings, `section` is one of theirs."""
    low, high = section["loss_per_day_interval95"] or (None, None)
    bounds = {"loss_per_day_low95": low, "loss_per_day_high95": high}
    standing = sum(alarm["cleared"] is None for alarm in section["alarms"])
    fields = [
        f"verdict={text_field(section['verdict'])}",
        f"alarms_standing={standing}i",
        *_numbers(section, NUMBERS),
        *_numbers(bounds, tuple(bounds)),
    ]
    soak = f",soak={tag(said['soak'])}" if said.get("soak") else ""
    return (
        f"findings,rig={tag(rig)},section={tag(section['name'])}{soak} {','.join(fields)} {_ns(said['end'])}"
    )


def _numbers(values: Mapping[str, Any], names: tuple[str, ...]) -> list[str]:
    """Those that are known; without a suffix a number is a float there, also a whole one."""
    return [f"{name}={float(values[name]):.9g}" for name in names if values.get(name) is not None]


def _ns(label: str) -> int:
    return us_from_utc(datetime.fromisoformat(label)) * 1000


class FindingsSource:
    """What waits in the book of alarms."""

    def __init__(self, store: AlarmStore, rig: str) -> None:
        """`rig` is the rig's name in the settings."""
        self._store, self._rig = store, rig
        self._essence: dict[str, object] = {}

    def tell(self, said: Mapping[str, Any]) -> None:
        """Take findings; those that are new in substance are kept, the others from time to time."""
        lines = []
        for section in said["sections"]:
            essence = (
                said.get("soak"),
                section["verdict"],
                tuple((alarm["kind"], alarm["cleared"]) for alarm in section["alarms"]),
                int(said["hours"] / EVERY_h),
            )
            if self._essence.get(section["name"]) != essence:
                self._essence[section["name"]] = essence
                lines.append(finding_line(self._rig, said, section))
        if lines:
            self._store.add_points(lines)

    async def open(self, state: MirrorState) -> MirrorState:
        """Nothing to open: the analysis has it open."""
        return state

    async def next(self, state: MirrorState) -> Portion | None:
        """What waits, oldest first."""
        rows = self._store.points(PORTION)
        if not rows:
            return None
        lines = [line for _, line in rows]
        more = len(rows) == PORTION
        return Portion(
            lines, replace(state, entry=rows[-1][0]), lambda: check_line(self._rig, now_us()), more=more
        )

    async def done(self, portion: Portion) -> None:
        """It doesn't wait any more."""
        self._store.points_written(portion.state.entry)

    def waiting(self) -> int:
        """How many points wait."""
        return self._store.points_waiting()

    def close(self) -> None:
        """The analysis closes it."""


def findings_mirror(
    settings: InfluxSettings,
    journal: Path,
    source: FindingsSource,
    pace: InfluxPace | None = None,
    *,
    quiet: bool = False,
) -> Mirror:
    """The mirror of a journal's findings and alarms."""
    return Mirror(settings, source, StateFile(journal, FINDINGS), pace or InfluxPace(), quiet=quiet)
