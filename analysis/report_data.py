"""What a report tells, gathered from a recording or a soak of a journal: findings, course, conditions, quality."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.alarm_store import read_alarms
from analysis.findings import Ahead, findings
from analysis.gas_left import GasLeft, gas_left
from analysis.hole import hole_of
from analysis.inputs import reference_Pa
from analysis.live import JournalFollower, chosen
from analysis.register import read_soaks
from analysis.soak import SoakAnalysis
from analysis.soak_model import WHOLE_JOURNAL
from analysis.wording import full_time
from logger.errors import PlainError
from logger.journal_reader import JournalReader
from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from analysis.notes import Note
    from analysis.recording import Readings
    from analysis.register import Beside
    from analysis.soak_model import Soak
    from analysis.tape import TapeReading
    from logger.settings import Settings

EVENTS_TOLD = 40


@dataclass(frozen=True)
class Material:
    """Everything a report is made of."""

    findings: dict[str, Any]
    soak: SoakAnalysis
    over_time: tuple[GasLeft, ...]
    plan: Soak | None = None
    """The soak's entry in the register, if it has one."""
    running: bool = False
    """It had not been ended when the report was made."""
    before: dict[str, Any] | None = None
    """Findings of the soak of the same job that was begun before this one."""
    events: tuple[tuple[str, str], ...] = ()
    """What the rig reported: when, what."""
    missing: int = 0
    restarts: int = 0
    notes: tuple[str, ...] = ()
    rig_says: str = ""
    """Firmware and sample period of the rig, in words."""
    acknowledged: Mapping[tuple[str, str, str], str] = field(default_factory=dict)
    """By section, kind and begin of an alarm: who took notice of it, and when, in words."""
    ahead: Ahead | None = None
    """What was foretold on the way."""
    version: str = field(default_factory=lambda: version("cornerhold"))

    @property
    def settings(self) -> Settings:
        """By which it was judged."""
        return self.soak.settings


def of_readings(
    readings: Readings,
    settings: Settings,
    name: str,
    tape: Sequence[TapeReading] = (),
    notes: Sequence[Note] = (),
) -> Material:
    """Gather it from a recording, and the heights by hand and the notes that belong to it."""
    soak = SoakAnalysis(settings, readings.sections, begin_utc=readings.begin_utc, tape=tape, notes=notes)
    soak.feed(readings.time_s, readings.values)
    soak.finish()
    return Material(findings(soak, name, readings.notes), soak, gas_left(soak), notes=readings.notes)


def of_journal(path: Path, settings: Settings | None, name: str | None) -> Material:
    """Gather it from a soak of a journal: the one of this name, else the last, else all of it."""
    plan, beside = chosen(path, name)
    with JournalReader(path, whole=True) as reader:
        material = material_of(_followed(reader, settings, plan, beside), final=True)
        if material is None:
            what = "" if plan is None else f" in the soak '{plan.name}'"
            raise PlainError(f"{path}: holds no samples of a section's pressure{what}")
        earlier = _before(plan, read_soaks(path))
        before = None
        if earlier is not None:
            before = _followed(reader, settings, earlier, beside).findings(final=True)
    return replace(material, before=before, acknowledged=_acknowledged(path, plan))


def _acknowledged(path: Path, plan: Soak | None) -> dict[tuple[str, str, str], str]:
    number = WHOLE_JOURNAL if plan is None else plan.id
    taken = [alarm for _, alarm in read_alarms(path) if alarm.soak == number]
    out: dict[tuple[str, str, str], str] = {}
    for alarm in taken:
        if alarm.acknowledged is not None:
            who = f" by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
            words = f"acknowledged{who} {full_time(alarm.acknowledged)} UTC"
            out[alarm.section, alarm.kind, alarm.raised] = words
    return out


def _followed(
    reader: JournalReader, settings: Settings | None, plan: Soak | None, beside: Beside
) -> JournalFollower:
    follower = JournalFollower(reader, settings, plan, beside)
    while follower.step():
        pass
    return follower


def _before(plan: Soak | None, soaks: list[Soak]) -> Soak | None:
    """The soak of the same job before this one."""
    if plan is None or not plan.job.strip():
        return None
    same = [one for one in soaks if one.id < plan.id and one.job.strip() == plan.job.strip()]
    return same[-1] if same else None


def material_of(follower: JournalFollower, *, final: bool) -> Material | None:
    """Gather it from what a follower has taken so far; None before the first sample. `final` closes the soak."""
    journal = follower.journal
    if journal.soak is None:
        return None
    if final:
        journal.soak.finish()
    soak = journal.soak if final else journal.soak.snapshot()
    ahead = Ahead(soak)
    said = findings(soak, follower.reader.path.name, journal.notes(), ahead)
    if follower.soak is not None:
        said["soak"] = follower.soak.name
    return Material(
        said,
        soak,
        gas_left(soak),
        plan=follower.soak,
        running=follower.soak is not None and follower.soak.ended is None,
        events=tuple((journal.label(us), what) for us, what in journal.events[:EVENTS_TOLD]),
        missing=journal.missing,
        restarts=journal.restarts,
        notes=journal.notes(),
        rig_says=_rig_says(follower),
        ahead=ahead,
    )


def _rig_says(follower: JournalFollower) -> str:
    boots, seen = follower.reader.boots(), follower.journal.boots_seen
    mine = [boots[number] for number in sorted(seen) if number in boots]
    if not mine:
        return ""
    firmware = " and ".join(dict.fromkeys(boot.firmware for boot in mine))
    return f"firmware {firmware}, a reading every {mine[-1].period_ms / 1000.0:g} s"


def leak_words(material: Material, i: int) -> str | None:
    """What a section's loss is as a flow, if its volume is known; for a tight one, what it is at most."""
    section, soak = material.findings["sections"][i], material.soak
    volume_m3 = material.settings.section(soak.sections[i]).volume_m3
    interval = section["loss_per_day_interval95"]
    if volume_m3 is None or interval is None or not soak.estimator.bank.count[i]:
        return None
    low, high = interval
    surely = low > 0.0
    loss = section["loss_per_day"] if surely else high
    gas_K = material.over_time[i].gas_K
    known = gas_K[np.isfinite(gas_K)]
    absolute_Pa = float(soak.pressure_sum[i] / soak.estimator.bank.count[i])
    hole = hole_of(
        loss / SECONDS_PER_DAY,
        absolute_Pa,
        volume_m3,
        float(known.mean()) if len(known) else ZERO_CELSIUS_K,
        STANDARD_ATMOSPHERE_Pa,
        material.settings.soak.gas,
    )
    if hole is None:
        return None
    rate = loss / SECONDS_PER_DAY * absolute_Pa * volume_m3
    words = f"{rate:.2g} Pa·m³/s, {hole.flow_sccm:.2g} sccm"
    return words if surely else f"at most {words} (upper end of the interval)"


def sink_words(material: Material, i: int) -> str | None:
    """How much a section sinks on its wheels in a day, if its gas column is known; for a tight one, at most."""
    interval = material.findings["sections"][i]["loss_per_day_interval95"]
    per_loss_mm = 1000.0 * float(material.soak.column_m[i])
    if interval is None or not np.isfinite(per_loss_mm):
        return None
    if interval[0] <= 0.0:
        return f"at most {per_loss_mm * max(interval[1], 0.0):.1f} mm a day on its wheels (upper end of the interval)"
    return f"{per_loss_mm * material.findings['sections'][i]['loss_per_day']:.1f} mm a day on its wheels"


def weather(material: Material) -> dict[str, float | None]:
    """Air and barometer during the soak: coldest, warmest, mean in °C; lowest and highest in hPa; None = not known."""
    out: dict[str, float | None] = dict.fromkeys(("coldest", "warmest", "mean", "lowest_hPa", "highest_hPa"))
    if not material.over_time:
        return out
    air = material.over_time[0].air_K - ZERO_CELSIUS_K
    barometer = material.over_time[0].barometer_Pa / 100.0
    if np.isfinite(air).any():
        out |= {
            "coldest": float(np.nanmin(air)),
            "warmest": float(np.nanmax(air)),
            "mean": float(np.nanmean(air)),
        }
    if np.isfinite(barometer).any():
        out |= {"lowest_hPa": float(np.nanmin(barometer)), "highest_hPa": float(np.nanmax(barometer))}
    coldest = material.findings["coldest_ambient_degC"]
    if coldest is not None:
        out["coldest"] = coldest
    return out


def first_and_last(material: Material, i: int) -> dict[str, float | None]:
    """What a section read at the begin and at the end: pressure in bar as read and absolute, height in mm."""
    course = material.over_time[i]
    lacks = float(reference_Pa(material.soak.estimator.sections, STANDARD_ATMOSPHERE_Pa)[i])
    out: dict[str, float | None] = {}
    for what, values in (("bar", course.pressure_Pa / 1e5), ("mm", course.height_m * 1e3)):
        good = values[np.isfinite(values)]
        out[f"first_{what}"] = float(good[0]) if len(good) else None
        out[f"last_{what}"] = float(good[-1]) if len(good) else None
    out["to_absolute_bar"] = lacks / 1e5
    return out


def calibrations(material: Material) -> list[dict[str, str]]:
    """Which channels were calibrated, when, against what."""
    out = []
    for name, channel in material.settings.channels.items():
        calibration = channel.calibration
        if calibration.made_on is not None or calibration.reference:
            made = "date not noted" if calibration.made_on is None else calibration.made_on.isoformat()
            out.append({"channel": name, "made_on": made, "reference": calibration.reference or "not noted"})
    return out


def not_calibrated(material: Material) -> list[str]:
    """The sections whose pressure channel has no calibration noted."""
    calibrated = {one["channel"] for one in calibrations(material)}
    return [name for name in material.soak.sections if f"{name}.pressure" not in calibrated]
