"""What was said of an evening, held against what happened."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from unittest.mock import patch

import numpy as np

from analysis.findings import Ahead
from analysis.judge import analyse_readings
from analysis.notes import Note
from analysis.recording import Readings, parse_recording
from analysis.recording_writer import RecordingWriter
from analysis.tape import TapeReading
from logger.errors import PlainError
from tests.evenings.night import CORNERS, SUPPLY

if TYPE_CHECKING:
    from tests.evenings.catalogue import Row
    from tests.evenings.night import Night, Recorded

THRESHOLD_PER_DAY: Final = 0.02
BEGIN_UTC: Final = np.datetime64("2027-01-15T18:00:00", "us")
REFUSED: Final = "refused"
BROKE: Final = "broke"
BURST_BEFORE_s: Final = 900.0
JUDGED_KINDS: Final = ("leak", "burst", "floor", "supply")


@dataclass(frozen=True)
class Said:
    """What was said of one section, and whether it was true."""

    row: str
    seed: int
    section: str
    lost_per_day: float
    verdict: str
    wrong: bool
    false_alarms: tuple[str, ...]
    taken_back: int
    """How many of the false alarms were cleared before the end."""
    missed: bool
    reasons: tuple[str, ...]
    unexplained: bool
    """Undecided, without any of the reasons that the evening asks for."""
    told: str
    """The loss with its interval, or the line in which the recording was refused."""


def hear(row: Row, seed: int) -> list[Said]:
    """Play an evening and judge what is said of it, as of a recording."""
    night = row.night(seed)
    recorded = night.record()
    try:
        # what would settle an undecided section takes a third of the time, and no verdict rests on it
        with patch.object(Ahead, "of", return_value=[]):
            found = through_the_door(recorded) if row.door else straight(recorded)
    except PlainError as refusal:
        return [refused(row, seed, recorded, name, str(refusal)) for name in CORNERS]
    except Exception as error:  # noqa: BLE001  whatever the program dies of is this row's result, not the table's end
        return [broke(row, seed, recorded, name, f"{type(error).__name__}: {error}") for name in CORNERS]
    return weigh(row, seed, night, recorded, found)


def straight(recorded: Recorded) -> dict[str, Any]:
    """Return the findings of the readings as they are in memory."""
    readings = Readings(BEGIN_UTC, recorded.time_s, recorded.values)
    return analyse_readings(readings, recorded.settings, "evening", _tape(recorded), _notes(recorded))


def through_the_door(recorded: Recorded) -> dict[str, Any]:
    """Return the findings of the file; PlainError where it is refused."""
    readings = parse_recording(as_csv(recorded).encode(), "evening.csv")
    return analyse_readings(readings, recorded.settings, "evening", _tape(recorded), _notes(recorded))


def as_csv(recorded: Recorded) -> str:
    """Return the recording as a file."""
    clock_s = recorded.time_s.copy()
    for from_s, seconds in recorded.jumps:
        clock_s += np.where(recorded.time_s >= from_s, seconds, 0.0)
    utc_us = BEGIN_UTC.astype(np.int64) + np.round(clock_s * 1e6).astype(np.int64)
    file = io.StringIO()
    writer = RecordingWriter(file, recorded.values)
    writer.write(utc_us, list(recorded.values), np.stack(list(recorded.values.values()), axis=1))
    return file.getvalue()


def _tape(recorded: Recorded) -> list[TapeReading]:
    return [TapeReading(at_s, name, height_m) for at_s, name, height_m in recorded.tape]


def _notes(recorded: Recorded) -> list[Note]:
    return [
        Note(kind, BEGIN_UTC + np.timedelta64(round(at_s * 1e6), "us"), names)
        for at_s, kind, names in recorded.notes
    ]


def weigh(row: Row, seed: int, night: Night, recorded: Recorded, found: dict[str, Any]) -> list[Said]:
    """Hold findings against the truth."""
    sections = {section["name"]: section for section in found["sections"]}
    return [_of(row, seed, night, recorded, sections[name]) for name in CORNERS if name in sections]


def honest(lost_per_day: float) -> frozenset[str]:
    """Return the verdicts that a true loss allows: a verdict is confidently wrong beyond a factor of two.

    >>> sorted(honest(0.05)), sorted(honest(0.0))
    (['leaking', 'undecided'], ['tight', 'undecided'])
    """
    out = {"undecided"}
    if lost_per_day <= 2.0 * THRESHOLD_PER_DAY:
        out.add("tight")
    if lost_per_day >= 0.5 * THRESHOLD_PER_DAY:
        out.add("leaking")
    return frozenset(out)


def false_kinds(recorded: Recorded, name: str) -> frozenset[str]:
    """Return the kinds of alarm that nothing in this section's evening bears out."""
    out = set()
    if recorded.worst_2h_per_day[name] < THRESHOLD_PER_DAY:
        out.add("leak")
    if recorded.worst_5min[name] < 0.01:
        out.add("burst")
    if recorded.least_share_of_fill[name] > 0.5:
        out.add("floor")
    supply_V = recorded.values.get(SUPPLY)
    if supply_V is None or not (supply_V < 4.8).any():
        out.add("supply")
    return frozenset(out)


def _of(row: Row, seed: int, night: Night, recorded: Recorded, section: dict[str, Any]) -> Said:
    name, verdict = section["name"], section["verdict"]
    lost = recorded.lost_per_day[name]
    allowed = night.allowed.get(name, honest(lost))
    wrong_kinds = false_kinds(recorded, name) - night.borne.get(name, frozenset())
    false = [
        alarm
        for alarm in section["alarms"]
        if alarm["kind"] in wrong_kinds or _late_burst(night, recorded, name, alarm)
    ]
    reasons = tuple(dict.fromkeys(_code(reason) for reason in section.get("reasons", ())))
    asked = bool(row.reasons) and name in night.asks
    return Said(
        row=row.name,
        seed=seed,
        section=name,
        lost_per_day=lost,
        verdict=verdict,
        wrong=verdict not in allowed,
        false_alarms=tuple(alarm["kind"] for alarm in false),
        taken_back=sum(alarm["cleared"] is not None for alarm in false),
        missed=lost > 2.0 * THRESHOLD_PER_DAY and verdict != "leaking",
        reasons=reasons,
        unexplained=asked and verdict == "undecided" and not set(reasons) & set(row.reasons),
        told=_told(section),
    )


def _late_burst(night: Night, recorded: Recorded, name: str, alarm: dict[str, Any]) -> bool:
    """Whether a burst is told when the gas has long gone: an empty bellows is noise, not one burst after another."""
    if alarm["kind"] != "burst" or recorded.jumps or "burst" in night.borne.get(name, ()):
        return False
    moment = np.datetime64(alarm["raised"].removesuffix("Z"), "us")
    raised_s = float((moment - BEGIN_UTC) / np.timedelta64(1, "s"))
    return recorded.lost_within(name, raised_s - BURST_BEFORE_s, raised_s + 60.0) < 0.01


def _code(reason: Any) -> str:
    return str(reason["code"] if isinstance(reason, dict) else reason)


def _told(section: dict[str, Any]) -> str:
    if section["loss_per_day"] is None:
        return " ".join(section["notes"][:1])
    low, high = section["loss_per_day_interval95"]
    return f"{100 * section['loss_per_day']:.2f} [{100 * low:.2f}, {100 * high:.2f}] %/day"


def refused(row: Row, seed: int, recorded: Recorded, name: str, line: str) -> Said:
    """A refusal is an honest answer if it is one line that says where."""
    lost = recorded.lost_per_day[name]
    clear = "\n" not in line and "evening.csv" in line
    leaks = lost > 2.0 * THRESHOLD_PER_DAY
    return Said(row.name, seed, name, lost, REFUSED, not clear, (), 0, leaks, (), False, line)


def broke(row: Row, seed: int, recorded: Recorded, name: str, line: str) -> Said:
    """A traceback is never an answer."""
    lost = recorded.lost_per_day[name]
    return Said(
        row.name, seed, name, lost, BROKE, True, (), 0, lost > 2.0 * THRESHOLD_PER_DAY, (), False, line
    )
