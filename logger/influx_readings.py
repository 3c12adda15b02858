"""A journal's samples as portions for InfluxDB: a follower of the journal with a cursor of its own.

What a sample becomes doesn't depend on where the mirror was stopped: the cursor is kept with the labels' state, and
after a restart the samples before it are converted once more, for what a conversion remembers of them.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from logger.clock import now_us
from logger.conversions import Conversions, stored_settings
from logger.cursor_file import journal_reader
from logger.influx import InfluxPace, Mirror, Portion
from logger.influx_lines import Labels, check_line, reading_lines
from logger.mirror_state import READINGS, MirrorState, StateFile

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from typing import TypeVar

    from logger.delivery_settings import InfluxSettings
    from logger.journal_reader import JournalReader
    from logger.journal_schema import Entry

    _T = TypeVar("_T")

_log = logging.getLogger(__name__)

PORTION: Final = 500
"""Samples in one request: some thousand points."""
_WARM_s: Final = 1200.0
_MOST_WARM_s: Final = 6 * 3600.0
"""A channel that counts as stuck only after longer than this may be called good for a while after a restart."""
_WARM_SAMPLES: Final = 25


class ReadingsSource:
    """The samples of one journal."""

    def __init__(self, journal: Path, rig: str) -> None:
        """Nothing is opened yet."""
        self._journal, self._rig = journal, rig
        self._reader: JournalReader | None = None
        self._conversions: Conversions | None = None

    async def open(self, state: MirrorState) -> MirrorState:
        """Wait for the daemon to make the journal; go on behind the kept entry."""
        reader = self._reader = await journal_reader(self._journal)
        # by the settings under which each sample was logged
        self._conversions = Conversions(self._journal, None)
        if not _fits(reader, state):
            _log.warning("%s: the InfluxDB mirror's place is in another journal, begun again", self._journal)
            state = MirrorState(
                state.what, state.to, refused=state.refused, refused_words=state.refused_words
            )
        await self._slow(lambda: self._warm(reader, state.entry))
        return state

    async def next(self, state: MirrorState) -> Portion | None:
        """The samples after the state's entry."""
        return await self._slow(lambda: self._portion(state))

    async def done(self, portion: Portion) -> None:
        """Nothing: the cursor is the state's."""

    def waiting(self) -> int:
        """Nothing: the journal tells how much there is after the state's entry."""
        return 0

    def close(self) -> None:
        """Let the journal go."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    async def _slow(self, work: Callable[[], _T]) -> _T:
        """In a thread; told to end, it waits for that (it is short), so that nobody closes what is being read."""
        busy = asyncio.ensure_future(asyncio.to_thread(work))
        try:
            return await asyncio.shield(busy)
        except asyncio.CancelledError:
            await asyncio.wait((busy,))
            raise

    def _portion(self, state: MirrorState) -> Portion | None:
        reader, conversions = self._reader, self._conversions
        if reader is None or conversions is None:
            raise RuntimeError("a source that is not open has nothing")
        reader.cursor = state.entry
        entries = reader.read(PORTION)
        if not entries:
            return None
        samples = _samples(entries)
        labels = Labels(state.clock, state.label_us)
        lines: list[str] = []
        conversions.learn(reader.configurations())
        for block in conversions.convert(entries, reader.boots()):
            mine, samples = samples[: len(block)], samples[len(block) :]
            new, labels = reading_lines(self._rig, block, mine, labels)
            lines += new
        # ids are without gaps until old entries are let go
        missed = entries[-1].id - (state.entry or entries[0].id - 1) - len(entries)
        after = replace(
            state,
            entry=entries[-1].id,
            entry_utc_us=entries[-1].utc_us,
            clock=labels.clock,
            label_us=labels.label_us,
            missed=state.missed + missed,
        )
        return Portion(lines, after, lambda: check_line(self._rig, now_us()), more=len(entries) == PORTION)

    def _warm(self, reader: JournalReader, last: int) -> None:
        """Convert the samples before the cursor, for what the conversions remember of them."""
        newest = reader.newest("D", last) if last else None
        conversions = self._conversions
        if newest is None or conversions is None:
            return
        stored = reader.configurations()
        conversions.learn(stored)
        boots = reader.boots()
        period_s = max((boot.period_ms for boot in boots.values()), default=0) / 1000.0
        stuck_s = [
            channel.stuck_after_s or 0.0
            for channel in stored_settings(self._journal, stored[-1].text if stored else "").channels.values()
        ]
        warm_s = min(max(_WARM_s, _WARM_SAMPLES * period_s, *stuck_s), _MOST_WARM_s)
        reader.seek(newest.rig_us - round(warm_s * 1e6))
        while reader.cursor < last:
            entries = [entry for entry in reader.read(PORTION) if entry.id <= last]
            for _ in conversions.convert(entries, boots):
                pass
            if not entries:
                break


def _samples(entries: list[Entry]) -> list[Entry]:
    return [entry for entry in entries if entry.kind == "D" and entry.boot_id is not None]


def _fits(reader: JournalReader, state: MirrorState) -> bool:
    """Whether the kept place is one of this journal: the entry has the label it had, unless it was let go."""
    if state.entry == 0:
        return True
    if state.entry > reader.newest_id():
        return False
    reader.cursor = state.entry - 1
    found = reader.read(1)
    return not found or found[0].id != state.entry or found[0].utc_us == state.entry_utc_us


def journal_mirror(
    settings: InfluxSettings, journal: Path, rig: str, pace: InfluxPace | None = None
) -> Mirror:
    """The mirror of a journal's readings; `rig` is the rig's name in the settings."""
    return Mirror(settings, ReadingsSource(journal, rig), StateFile(journal, READINGS), pace or InfluxPace())
