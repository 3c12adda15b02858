"""A journal for the tests of the page: a rig that measures now, a soak, and one alarm that stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.alarm_store import AlarmStore, Seen
from analysis.register import Register
from analysis.soak_model import Soak
from logger.clock import Stamp, us_from_utc, utc_now
from logger.journal import Entry, Journal

if TYPE_CHECKING:
    from pathlib import Path

RIG = "bay"
CHANNELS = ("front_left.pressure", "front_right.pressure", "ambient.temperature")
MINUTE_us = 60_000_000


def append(journal: Journal, first: int, count: int) -> None:
    """Readings a minute apart, the newest of now."""
    boot = journal.note_boot(
        boot=1, rig="bay-2", firmware="v", period_ms=60_000, channels=CHANNELS, resumed=first > 0
    )
    begin_us = us_from_utc(utc_now()) - (first + count - 1) * MINUTE_us
    if first == 0:
        journal.anchor_boot(boot.id, Stamp(0, begin_us))
    journal.append(
        [
            Entry(
                0,
                "D",
                boot.id,
                n,
                n * MINUTE_us,
                begin_us + n * MINUTE_us,
                f"{13000 - n},{13000 + n % 3},{80 + n % 2}",
            )
            for n in range(first, first + count)
        ]
    )


def journal_of_a_soak(folder: Path, *, car: str = "", minutes: int = 900) -> Path:
    """Fifteen hours in which the front left loses gas, and no alarm yet; return where it is."""
    path = folder / f"{RIG}.journal"
    with Journal.open(path, '[rig]\nname = "bay-2"\n') as journal:
        append(journal, 0, minutes)
    with Register.open(path) as register:
        register.begin(Soak(0, "monday", job="1042", car=car, begun="2027-01-15T18:00:00Z"))
    return path


def journal_with_a_leak_alarm(folder: Path, *, car: str = "") -> Path:
    """Four hours and a half of the same with an alarm that stands."""
    path = journal_of_a_soak(folder, car=car, minutes=270)
    with AlarmStore.open(path, rig="bay-2") as store:
        seen = [Seen("front_left", "leak", 0, None, "2027-01-15T20:00:00Z", None)]
        store.reconcile(1, seen, lambda _: ("front_left leaks.", {}), complete=True)
    return path
