"""The same evenings over the journal: what the watch says while they happen, in time lapse.

The readings become counts of the rig's converters, a journal is written hour by hour as the logger would, and the watch
follows it. Held against the truth, and against what is said of the recording.
"""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final
from unittest.mock import patch

import numpy as np

from analysis.alarm_store import AlarmStore, Changes
from analysis.findings import Ahead
from analysis.register import Register, RegisterReader
from analysis.soak_model import Soak, plan_text
from analysis.watcher import Watcher
from logger.clock import Stamp
from logger.journal import Entry, Journal, sample_body
from logger.journal_reader import JournalReader
from logger.virtual.counts import to_counts, values_of
from logger.virtual.wire import fitting_channels
from tests.evenings.catalogue import Row, rows
from tests.evenings.judge import BEGIN_UTC, JUDGED_KINDS, Said, false_kinds, straight, weigh

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tests.evenings.night import Array, Recorded, Values

LIVE: Final = (
    "all_tight-blocked-14",
    "one_leaks_20-standing-14",
    "drop_8-blocked-14",
    "gone_in_the_gap-blocked-14",
    "burst_early-blocked-14",
    "flat_and_open-blocked-14",
    "air_85-blocked-14",
    "air_4_K_up-standing-14",
    "begins_outdoors_10_min-blocked-14",
    "dead_from_hour_3-blocked-14",
    "height_frozen-standing-14",
)
PERIODS_s: Final = (1.0, 10.0, 60.0)
RIG: Final = "evening"
BEGIN_us: Final = int(BEGIN_UTC.astype(np.int64))
PORTION_s: Final = 3600.0


@dataclass(frozen=True)
class Heard:
    """What was said while it happened."""

    said: tuple[Said, ...]
    """The last findings, held against the truth."""
    recording: dict[str, str]
    """The verdicts on the same evening as a recording, by section."""
    recording_alarms: frozenset[tuple[str, str]]
    """Section and kind of the alarms of the recording."""
    raised: tuple[tuple[str, str], ...]
    """Section and kind of what was told to people, as it was told."""
    taken_back: tuple[tuple[str, str], ...]
    false_alarms: tuple[tuple[str, str], ...]
    """Of what was told: what nothing bears out."""

    @property
    def wrong(self) -> list[str]:
        """Sections with a confident wrong verdict."""
        return [f"{one.section}: {one.verdict}" for one in self.said if one.wrong]

    @property
    def other_verdicts(self) -> list[str]:
        """Where the live verdict is not the recording's."""
        return [
            f"{one.section}: {one.verdict}, recording {self.recording[one.section]}"
            for one in self.said
            if one.verdict != self.recording[one.section]
        ]

    @property
    def other_alarms(self) -> list[str]:
        """Alarms that only one of the two raised."""
        return sorted(f"{name} {kind}" for name, kind in set(self.raised) ^ self.recording_alarms)


def live_row(name: str, period_s: float) -> Row:
    """Return one of the rows that are played live, at another sampling."""
    [row] = [row for row in rows() if row.name == name]
    return replace(row, period_s=period_s)


def markdown(heard: dict[tuple[str, float, int], Heard]) -> str:
    """Return the table of what was heard, by row, sampling and seed."""
    lines = [
        "| evening | every | soaks | wrong | false alarms told (taken back) | other verdicts | other alarms |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    for name, period_s in dict.fromkeys((name, period_s) for name, period_s, _ in heard):
        mine = [one for (n, p, _), one in heard.items() if (n, p) == (name, period_s)]
        false = sum(len(one.false_alarms) for one in mine)
        back = sum(len(set(one.false_alarms) & set(one.taken_back)) for one in mine)
        cells = (
            name,
            f"{period_s:g} s",
            len(mine),
            sum(len(one.wrong) for one in mine),
            f"{false} ({back})" if false else 0,
            sum(len(one.other_verdicts) for one in mine),
            sum(len(one.other_alarms) for one in mine),
        )
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return "\n".join(lines)


def listen(row: Row, seed: int) -> Heard:
    """Play an evening over a journal."""
    with tempfile.TemporaryDirectory(prefix="evening-") as folder, patch.object(Ahead, "of", return_value=[]):
        return _listen(row, seed, Path(folder) / "evening.journal")


def _listen(row: Row, seed: int, path: Path) -> Heard:
    night = row.night(seed)
    if night.begin_h and not (night.leaks or night.events):
        night.with_shop()
    recorded = night.record()
    text = '[rig]\nclock = "rig"\n' + night.settings_text()
    raised: list[tuple[str, str]] = []
    cleared: list[tuple[str, str]] = []

    def told(changes: Changes) -> None:
        raised.extend((alarm.section, alarm.kind) for alarm in changes.raised)
        cleared.extend((alarm.section, alarm.kind) for alarm in changes.cleared)

    with ExitStack() as stack:
        journal = stack.enter_context(Journal.open(path, text))
        writer = _Writer(journal, recorded, night.period_s)
        writer.write(recorded.before_s, recorded.before)
        with Register.open(path) as register:
            plan = plan_text(recorded.settings.soak, {})
            register.begin(Soak(0, "evening", after_entry=writer.entries, plan=plan))
        reader = stack.enter_context(JournalReader(path))
        soaks = stack.enter_context(RegisterReader(path))
        store = stack.enter_context(AlarmStore.open(path, rig=RIG, publishing=False))
        watcher = Watcher(reader, None, soaks, store, rig=RIG, on_changes=told)
        for part in _hours(recorded.time_s):
            writer.write(recorded.time_s[part], {k: v[part] for k, v in recorded.values.items()})
            while watcher.step(float(recorded.time_s[part][-1])):
                continue
        found = watcher.findings(final=True)
    if found is None:
        raise RuntimeError(f"{row.name}: the watch has heard nothing")
    recording = straight(recorded)
    false = {
        name: false_kinds(recorded, name) - night.borne.get(name, frozenset())
        for name in recorded.lost_per_day
    }
    return Heard(
        said=tuple(weigh(row, seed, night, recorded, found)),
        recording={section["name"]: section["verdict"] for section in recording["sections"]},
        recording_alarms=frozenset(
            (section["name"], alarm["kind"])
            for section in recording["sections"]
            for alarm in section["alarms"]
            if alarm["kind"] in JUDGED_KINDS
        ),
        raised=tuple(one for one in raised if one[1] in JUDGED_KINDS),
        taken_back=tuple(one for one in cleared if one[1] in JUDGED_KINDS),
        false_alarms=tuple((name, kind) for name, kind in raised if kind in false.get(name, ())),
    )


def _hours(time_s: Array) -> Iterator[slice]:
    """Cut rows by the hour."""
    edges = np.flatnonzero(np.diff(time_s // PORTION_s) > 0.0) + 1
    bounds = [0, *edges.tolist(), len(time_s)]
    for begin, end in pairwise(bounds):
        if end > begin:
            yield slice(begin, end)


class _Writer:
    """Writes rows as a logger would, of one boot."""

    def __init__(self, journal: Journal, recorded: Recorded, period_s: float) -> None:
        self.journal = journal
        self.sensor = recorded.settings.pressure_sensor
        self.channels: Sequence[str] = fitting_channels(RIG, tuple(recorded.values))
        self.begin_s = float(min([*recorded.before_s[:1], 0.0]))
        self.period_s = period_s
        record = journal.note_boot(
            boot=1,
            rig=RIG,
            firmware="v1",
            period_ms=round(period_s * 1000.0),
            channels=self.channels,
            resumed=False,
        )
        self.boot_id = record.id
        journal.anchor_boot(record.id, Stamp(0, BEGIN_us))
        self.entries = 0

    def write(self, time_s: Array, values: Values) -> None:
        """Append rows; a row's number is its time."""
        if not len(time_s):
            return
        counts = to_counts(values, self.channels, self.sensor)
        since_us = np.round((time_s - self.begin_s) * 1e6).astype(np.int64).tolist()
        self.journal.append(
            [
                Entry(
                    0,
                    "D",
                    self.boot_id,
                    round(us / (self.period_s * 1e6)),
                    us,
                    BEGIN_us + us,
                    sample_body(values_of(row)),
                )
                for us, row in zip(since_us, counts, strict=True)
            ]
        )
        self.entries += len(time_s)
