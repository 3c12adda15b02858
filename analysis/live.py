"""Follow a journal: entries to SI to rows to the soak's analysis. Live and replay are this one path.

The time axis is the rig's own (`rig_us`), so a host clock that is set changes no loss; the label of the first sample
gives the findings their dates.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.findings import findings
from analysis.soak import SoakAnalysis
from logger.channels import Conversion
from logger.errors import PlainError
from logger.journal_reader import JournalReader, sample_blocks
from logger.settings import Settings, settings_from_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from logger.channels import SiBlock
    from logger.journal_schema import BootRecord, Entry

PORTION = 2000


class JournalSoak:
    """The analysis of all that a journal holds, fed entry by entry."""

    def __init__(self, settings: Settings) -> None:
        """Nothing is known of the sections before the first sample."""
        self.settings = settings
        self.conversion = Conversion(settings)
        self.soak: SoakAnalysis | None = None
        self.first_us = 0
        self.missing = 0
        self.boots_seen: set[int] = set()

    def take(self, entries: Sequence[Entry], boots: Mapping[int, BootRecord]) -> None:
        """Take entries in the journal's order, however many at a time."""
        for entry in entries:
            if entry.kind == "G":
                self.missing += _lost(entry.body)
            elif entry.kind == "D" and entry.boot_id is not None:
                self.boots_seen.add(entry.boot_id)
        for block in sample_blocks(entries, dict(boots)):
            self._feed(self.conversion.convert(block))

    def _feed(self, block: SiBlock) -> None:
        if self.soak is None:
            sections = tuple(
                section
                for section, _, what in (name.rpartition(".") for name in block.names)
                if what == "pressure" and section != "ambient"
            )
            if not sections:
                return
            self.first_us = int(block.rig_us[0])
            self.soak = SoakAnalysis(
                self.settings, sections, begin_utc=np.datetime64(int(block.utc_us[0]), "us")
            )
        time_s = (block.rig_us - self.first_us) / 1e6
        good = block.good()
        self.soak.feed(time_s, {name: good[:, k] for k, name in enumerate(block.names)})

    def notes(self) -> tuple[str, ...]:
        """Return what the journal itself says about the readings."""
        out = []
        if self.missing:
            out.append(f"{self.missing} samples of the rig are known to be lost.")
        if len(self.boots_seen) > 1:
            out.append(f"The rig restarted {len(self.boots_seen) - 1} time(s) during the recording.")
        return tuple(out)

    def findings(self, name: str, *, final: bool) -> dict[str, Any] | None:
        """Return the findings so far, or None before the first sample; `final` closes the soak."""
        if self.soak is None:
            return None
        if final:
            self.soak.finish()
        return findings(self.soak if final else self.soak.snapshot(), name, self.notes())


def _lost(body: str) -> int:
    """Return how many samples a gap stands for; a gap of unknown length counts none."""
    said = json.loads(body)
    first, last = said.get("first_seq"), said.get("last_seq")
    return last - first + 1 if isinstance(first, int) and isinstance(last, int) else 0


def settings_for(reader: JournalReader, settings: Settings | None) -> Settings:
    """Return the settings given, or the last under which the journal was logged."""
    if settings is not None:
        return settings
    known = reader.configurations()
    if not known:
        raise PlainError(f"{reader.path}: holds no settings; name a settings file")
    return settings_from_text(known[-1].text)


def analyse_journal(path: Path, settings: Settings | None, portion: int = PORTION) -> dict[str, Any]:
    """Return the findings of a whole journal: what the live analysis says at its end."""
    with JournalReader(path) as reader:
        follower = JournalSoak(settings_for(reader, settings))
        while entries := reader.read(portion):
            follower.take(entries, reader.boots())
    said = follower.findings(str(path), final=True)
    if said is None:
        raise PlainError(f"{path}: holds no samples of a section's pressure")
    return said
