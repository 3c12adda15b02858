"""Counts to SI by the settings under which they were logged, or by one that is given for all."""

from __future__ import annotations

from bisect import bisect_right
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from logger.channels import Conversion
from logger.samples import sample_blocks
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from logger.channels import SiBlock
    from logger.journal_reader import JournalReader
    from logger.journal_schema import BootRecord, Configuration, Entry
    from logger.settings import Settings


class Conversions:
    """The conversions of one journal. What they remember of the samples before makes them independent of its cuts."""

    def __init__(self, path: Path, settings: Settings | None) -> None:
        """Convert everything by `settings`; None: each sample by those under which it was logged."""
        self._path = path
        self._given = None if settings is None else Conversion(settings)
        self._stored: list[Configuration] = []
        self._made: dict[int, Conversion] = {}

    def learn(self, stored: list[Configuration]) -> None:
        """Take the journal's list of settings; it only ever grows."""
        self._stored = stored

    def convert(self, entries: Sequence[Entry], boots: dict[int, BootRecord]) -> Iterator[SiBlock]:
        """The samples among `entries` in SI, in order."""
        for conversion, run in groupby(entries, key=lambda entry: self._at(entry.id)):
            for block in sample_blocks(list(run), boots):
                yield conversion.convert(block)

    def changed(self, entries: Sequence[Entry]) -> Iterator[tuple[int, Settings, Settings]]:
        """Yield where, among `entries`, the samples go on under other settings: rig time, those before, those after."""
        if self._given is not None:
            return
        for one, other in pairwise(entry for entry in entries if entry.kind == "D"):
            before, after = self._at(one.id), self._at(other.id)
            if before is not after:
                yield other.rig_us, before.settings, after.settings

    def _at(self, entry_id: int) -> Conversion:
        if self._given is not None:
            return self._given
        number = bisect_right(self._stored, entry_id, key=lambda stored: stored.first_entry) - 1
        number = max(number, 0)  # entries from before configurations were stored: by the first one
        if number not in self._made:
            text = self._stored[number].text if self._stored else ""
            self._made[number] = Conversion(stored_settings(self._path, text))
        return self._made[number]


def stored_settings(journal: Path, text: str) -> Settings:
    """Settings as a journal keeps them; an error names the journal.

    >>> stored_settings(Path("bay-2.journal"), "").soak.gas
    'nitrogen'
    """
    return settings_from_text(text, Path(f"{journal} (stored settings)"))


def open_conversions(reader: JournalReader, settings: Settings | None) -> Conversions:
    """The conversions of a journal as it is now."""
    conversions = Conversions(reader.path, settings)
    conversions.learn(reader.configurations())
    return conversions
