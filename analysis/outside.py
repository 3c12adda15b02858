"""Is the car outside already? What `ready` and `soak begin` see of the hours before, and what they say of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.earlier import Earlier, earlier_entries
from analysis.rolled_out import RollOut, fall_words, roll_out
from logger.clock import utc_text
from logger.conversions import open_conversions

if TYPE_CHECKING:
    from logger.journal_reader import JournalReader
    from logger.settings import Settings


@dataclass(frozen=True, slots=True)
class Outside:
    """A roll-out, and the label of its begin."""

    found: RollOut
    at: str
    """UTC, ISO 8601 with Z."""

    @property
    def sentence(self) -> str:
        """What was seen."""
        words = fall_words(self.found, lambda _: f"{self.at[11:16]} UTC")
        return f"{words}: the car seems to be outside already"

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "at": self.at,
            "fall_K": round(self.found.fall_K, 1),
            "over_min": round(self.found.over_s / 60.0, 1),
        }


def seen_outside(
    reader: JournalReader, settings: Settings | None, entry: int | None = None
) -> Outside | None:
    """Return the roll-out in the hours before an entry (None: the newest), if the air's thermometer saw one."""
    entry = reader.newest_id() if entry is None else entry
    last = reader.newest(up_to=entry)
    if last is None:
        return None
    earlier, boots = Earlier(open_conversions(reader, settings)), reader.boots()
    for entries in earlier_entries(reader, entry):
        earlier.take(entries, boots)
    rows = earlier.rows(last.rig_us + 1, last.boot_id)
    if rows is None or "ambient.temperature" not in rows[1]:
        return None
    found = roll_out(rows[0], rows[1]["ambient.temperature"])
    return None if found is None else Outside(found, utc_text(last.utc_us + round(1e6 * found.at_s)))
