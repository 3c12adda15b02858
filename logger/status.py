"""Are readings coming in? Answered from the journal alone, whoever writes it."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

from logger.clock import utc_from_us, utc_now
from logger.journal_reader import JournalReader
from logger.notice import duration_text

if TYPE_CHECKING:
    from pathlib import Path

    from logger.journal_schema import Entry

PATIENCE_S: Final = 10.0
"""A reading may be so old, or three sample periods, whichever is more. So long we watch for a new one."""
_LOOK_AGAIN_S: Final = 0.25


@dataclass(frozen=True, slots=True)
class Status:
    """What the journal says about the logging of its rig."""

    readings_come_in: bool
    rig: str | None
    newest: str | None
    """Label of the newest sample, ISO 8601."""
    age_s: float | None
    boot: int | None
    seq: int | None
    sentence: str

    def as_dict(self) -> dict[str, object]:
        """For JSON."""
        return asdict(self)


def read_status(path: Path, patience_s: float = PATIENCE_S) -> Status:
    """Look at the newest sample; if its label is no proof, watch for another one to come."""
    with JournalReader(path) as reader:
        newest = reader.newest("D")
        boots = reader.boots()
        period_s = max((boot.period_ms for boot in boots.values()), default=0) / 1000
        limit_s = max(patience_s, 3 * period_s)
        # A label may lie: the host's clock was set, or labels run on rig time (time lapse). A sample that
        # arrives while we watch proves the same.
        fresh = newest is not None and -1.0 <= _age_s(newest) <= limit_s
        if not fresh:
            newest, fresh = _watch(reader, newest, patience_s)
            boots = reader.boots()
    if newest is None:
        return Status(False, None, None, None, None, None, f"no readings: {path} holds no sample yet")
    record = boots.get(newest.boot_id or 0)
    label = utc_from_us(newest.utc_us).isoformat(timespec="seconds").replace("+00:00", "Z")
    age_s = _age_s(newest)
    who = "the rig" if record is None else record.rig
    sentence = (
        f"readings come in from {who}: sample {newest.seq} of {label}"
        if fresh
        else f"NO readings from {who}: the newest is sample {newest.seq} of {label}, "
        f"{duration_text(abs(age_s))} {'ago' if age_s >= 0 else 'ahead of the clock'}"
    )
    boot = None if record is None else record.boot
    return Status(fresh, None if record is None else record.rig, label, age_s, boot, newest.seq, sentence)


def _age_s(entry: Entry) -> float:
    return (utc_now() - utc_from_us(entry.utc_us)).total_seconds()


def _watch(reader: JournalReader, newest: Entry | None, patience_s: float) -> tuple[Entry | None, bool]:
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        time.sleep(_LOOK_AGAIN_S)
        now = reader.newest("D")
        if now is not None and (newest is None or now.id > newest.id):
            return now, True
    return newest, False
