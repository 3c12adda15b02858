"""All faults, each with how often it is done in the short form (CI) and in the long one (the table)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.faults import copies, damage, endurance, events, kills, line, strangers, surroundings

if TYPE_CHECKING:
    from tests.faults.bench import Fault


@dataclass(frozen=True)
class Kind:
    """One row to be."""

    name: str
    fault: Fault
    short: int
    long: int


KINDS = (
    Kind("daemon", kills.daemon_killed, 6, 500),
    Kind("analysis", kills.analysis_killed, 2, 200),
    Kind("port", line.unplugged, 3, 100),
    Kind("reboots", line.rebooted, 3, 50),
    Kind("wrap", line.wrapped, 2, 20),
    Kind("events", events.reported, 2, 50),
    Kind("lines", line.mutated, 20_000, 1_000_000),
    Kind("broker", surroundings.broker_away, 1, 3),
    Kind("short", strangers.short_outages, 1, 20),
    Kind("messages", strangers.messages, 200, 100_000),
    Kind("database", surroundings.database_away, 1, 3),
    Kind("disk", surroundings.disk_full, 2, 20),
    Kind("clock", surroundings.clock_set, 5, 50),
    Kind("files", damage.damaged, 72, 5000),
    Kind("copies", copies.copied, 3, 50),
    Kind("days", endurance.month, 1, 30),
)
