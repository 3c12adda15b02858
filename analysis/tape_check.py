"""What the journal and the register know of a height that was just typed, for `analysis/tape_doubt.py` to judge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.tape_doubt import Last, by_cold, doubt
from logger.conversions import open_conversions

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.moments import Placed
    from analysis.register import Beside
    from analysis.soak_model import Soak
    from analysis.tape_register import Height
    from logger.journal_reader import JournalReader
    from logger.settings import Settings

TOGETHER_us: Final = 3_600_000_000
"""Heights of other corners within an hour are of one round (own choice)."""
_LOOK: Final = 30


class Checker:
    """Looks at heights of one moment."""

    def __init__(
        self,
        reader: JournalReader,
        settings: Settings,
        now: Placed,
        soaks: Sequence[Soak],
        beside: Beside,
    ) -> None:
        """`reader` must stay open while it is asked."""
        self._reader, self._settings, self._now = reader, settings, now
        soak = next((one for one in reversed(soaks) if _within(now.after_entry, one)), None)
        counting = [h for h in beside.heights if h.withdrawn is None]
        # outside every soak the car may have been filled and moved as one likes
        self._known = (
            [] if soaks and soak is None else [h for h in counting if soak is None or h.belongs_to(soak)]
        )

    def doubt(self, section: str, height_m: float, typed: Mapping[str, float]) -> str | None:
        """Return what speaks against a height that was typed with others, in a clause; None if nothing does."""
        now_us = self._now.rig_us
        before: dict[str, Height] = {}
        others = {name: height for name, height in typed.items() if name != section}
        for h in sorted(self._known, key=lambda one: one.rig_us):
            if h.section != section and abs(h.rig_us - now_us) <= TOGETHER_us:
                others.setdefault(h.section, h.height_m)
            if h.rig_us <= now_us and (h.section == section or h.rig_us < now_us - TOGETHER_us):
                before[h.section] = h
        last = before.get(section)
        cold_m = (0.0, 0.0)
        if last is not None:
            column_m = self._settings.section(section).gas_column_m
            cold_m = by_cold(column_m, self._air_K(last.after_entry), self._air_K(self._now.after_entry))
        lasts = {name: Last(h.height_m, h.read_at) for name, h in before.items()}
        return doubt(section, height_m, others, lasts, cold_m)

    def _air_K(self, entry: int) -> float | None:
        """Return the air's temperature in the readings before an entry."""
        self._reader.cursor = max(entry - _LOOK, 0)
        entries = [one for one in self._reader.read(_LOOK) if one.id <= entry]
        air: list[float] = []
        for block in open_conversions(self._reader, None).convert(entries, self._reader.boots()):
            if "ambient.temperature" in block.names:
                column = block.good()[:, block.names.index("ambient.temperature")]
                air += column[np.isfinite(column)].tolist()
        return float(np.median(air)) if air else None


def _within(entry: int, soak: Soak) -> bool:
    return entry >= soak.after_entry and (soak.last_entry is None or entry <= soak.last_entry)
