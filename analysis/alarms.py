"""Alarms as a state machine on the recording's own time: raised once, held, cleared with hysteresis."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["leak", "burst", "floor", "sensor", "blind", "supply"]


@dataclass
class Alarm:
    """One alarm of one section; times in seconds since the recording's first row."""

    section: str
    kind: Kind
    raised_s: float
    cleared_s: float | None = None
    evidence: str = ""
    taken_back: str = ""
    """Why it was cleared, if it should not have been raised."""


@dataclass
class AlarmBook:
    """All alarms of one recording."""

    alarms: list[Alarm] = field(default_factory=list)
    standing: dict[tuple[str, Kind], Alarm] = field(default_factory=dict)

    def raise_(self, section: str, kind: Kind, time_s: float, evidence: str = "") -> None:
        """Raise an alarm; one that stands already is held, not raised again."""
        if (section, kind) in self.standing:
            return
        alarm = Alarm(section, kind, time_s, evidence=evidence)
        self.standing[section, kind] = alarm
        self.alarms.append(alarm)

    def clear(self, section: str, kind: Kind, time_s: float, taken_back: str = "") -> None:
        """Clear an alarm if it stands; `taken_back` says why if it should not have been raised."""
        alarm = self.standing.pop((section, kind), None)
        if alarm is not None:
            # a bin that speaks of the minutes before the row that raised it
            alarm.cleared_s = max(time_s, alarm.raised_s)
            alarm.taken_back = taken_back

    def of(self, section: str) -> list[Alarm]:
        """Return the alarms of one section, as they were raised (the order of finding depends on the rows' cut)."""
        mine = [alarm for alarm in self.alarms if alarm.section == section]
        return sorted(mine, key=lambda alarm: (alarm.raised_s, alarm.kind))
