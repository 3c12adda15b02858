"""A moment that somebody names, placed on a journal's axes: the entry before it, rig time, label."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from logger.clock import us_from_utc, utc_now, utc_text
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
    entry, label = moment(reader, at)
    sample = reader.newest(up_to=entry)
    if sample is None:
        raise PlainError(f"{reader.path}: the rig had read nothing by then: {needs}")
    # the labels of a play in time lapse say nothing of the clock
    real = settings.rig.clock == "host"
    wanted = us_from_utc(utc_now() if at is None and real else datetime.fromisoformat(label))
    late_us = max(wanted - sample.utc_us, 0) if real or at is not None else 0
    return Placed(entry, sample.rig_us + late_us, utc_text(sample.utc_us + late_us), late_us / 1e6)


def moment(reader: JournalReader, at: str | None, option: str = "--at") -> tuple[int, str]:
    """Return the last entry before a moment (now), and the moment's label; `option` said it."""
    if at is None:
        newest = reader.newest_id()
        sample = reader.newest()
        return newest, utc_text(None if sample is None else sample.utc_us)
    try:
        moment = datetime.fromisoformat(at)
    except ValueError:
        raise PlainError(f"{option}: '{at}' is no time like 2027-01-15T18:00:00Z") from None
    if moment.tzinfo is None:
        raise PlainError(f"{option}: needs a zone, like 2027-01-15T18:00:00Z")
    sample = reader.newest()
    latest_us = max(us_from_utc(utc_now()), 0 if sample is None else sample.utc_us)
    if us_from_utc(moment) > latest_us:
        raise PlainError(f"{option}: a moment that is yet to come: the newest reading is older")
    reader.seek_label(us_from_utc(moment))
    return reader.cursor, utc_text(us_from_utc(moment.astimezone(UTC)))
