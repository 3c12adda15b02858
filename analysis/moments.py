"""A moment that somebody names, placed on a journal's axes: the entry before it, rig time, label."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from logger.errors import PlainError

if TYPE_CHECKING:
    from logger.journal_reader import JournalReader
    from logger.settings import Settings


@dataclass(frozen=True, slots=True)
class Placed:
    """The newest entry before a moment, the moment on the rig's time axis, its label, and how old the reading was."""

    after_entry: int
    rig_us: int
    label: str
    late_s: float


def placed(reader: JournalReader, settings: Settings, at: str | None, needs: str) -> Placed:
    """Place a moment (None: now) by the newest sample before it; `needs` ends the refusal where there is none."""
    from analysis.soak_command import moment  # noqa: PLC0415
    from logger.clock import us_from_utc, utc_now, utc_text  # noqa: PLC0415

    entry, label = moment(reader, at)
    sample = reader.newest(up_to=entry)
    if sample is None:
        raise PlainError(f"{reader.path}: the rig had read nothing by then: {needs}")
    # the labels of a play in time lapse say nothing of the clock
    real = settings.rig.clock == "host"
    wanted = us_from_utc(utc_now() if at is None and real else datetime.fromisoformat(label))
    late_us = max(wanted - sample.utc_us, 0) if real or at is not None else 0
    return Placed(entry, sample.rig_us + late_us, utc_text(sample.utc_us + late_us), late_us / 1e6)
