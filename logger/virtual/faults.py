"""Faults of the rig on demand: what goes wrong, when (in rig time) and for how long.

open, short, stuck       a channel's wiring or sensor
vanish                   the port goes away (a pulled plug) and comes back as a new one; sampling goes on
silence                  the rig says nothing and hears nothing, but goes on sampling
corrupt                  a share of the rig's lines arrives with a changed byte
brownout                 the supply falls to 4.1 V for a while; the rig reports it and goes on
reboot                   the rig starts again: another boot number, the buffer is lost
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from logger.virtual import counts as raw

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.settings import PressureSensorSettings
    from logger.virtual.draws import FloatArray

FaultKind = Literal["open", "short", "stuck", "vanish", "silence", "corrupt", "brownout", "reboot"]
SENSOR_FAULTS: tuple[FaultKind, ...] = ("open", "short", "stuck")
LINE_FAULTS: tuple[FaultKind, ...] = ("vanish", "silence", "corrupt")
RIG_FAULTS: tuple[FaultKind, ...] = ("brownout", "reboot")

BROWNOUT_V = 4.1


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault."""

    kind: FaultKind
    at_s: float
    lasts_s: float = 0.0
    channel: str | None = None
    share: float = 0.02  # of lines, for `corrupt`

    def holds(self, rig_s: float) -> bool:
        """Whether it is there at a moment of rig time."""
        return self.at_s <= rig_s < self.at_s + self.lasts_s


def spoil(
    counts: FloatArray,
    time_s: FloatArray,
    channels: Sequence[str],
    faults: Sequence[Fault],
    sensor: PressureSensorSettings,
) -> None:
    """Put all sensor faults into a table of counts (n, k), in place."""
    for fault in faults:
        at = (time_s >= fault.at_s) & (time_s < fault.at_s + fault.lasts_s)
        if fault.kind == "brownout":
            raw.sag(counts, at, channels, BROWNOUT_V)
        if fault.kind not in SENSOR_FAULTS:
            continue
        if fault.channel is None or fault.channel not in channels:
            raise ValueError(f"the rig has no channel {fault.channel!r}; it has {', '.join(channels)}")
        column = list(channels).index(fault.channel)
        if fault.kind == "open":
            raw.open_wire(counts, at, fault.channel, column)
        elif fault.kind == "short":
            raw.short_wire(counts, at, channels, column, sensor)
        else:
            raw.stick(counts, at, column)
