"""Which rigs one process shall watch: settings and journals as they were named, in pairs. It reads no journal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import PlainError
from logger.settings import load_settings
from logger.settings_files import journal_path

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from logger.settings import Settings


@dataclass(frozen=True)
class RigFiles:
    """A rig as the command line names it."""

    settings_file: Path | None
    journal: Path | None
    """None: the one that the settings name."""

    @property
    def label(self) -> str:
        """What it may be called before its settings were read."""
        file = self.settings_file or self.journal
        return "rig" if file is None else file.name.removesuffix(".toml").removesuffix(".journal")

    def read(self) -> tuple[Settings | None, Path]:
        """Return settings (None: those in the journal) and journal; raises PlainError."""
        settings = None if self.settings_file is None else load_settings(self.settings_file)
        if self.journal is not None:
            return settings, self.journal
        if settings is None:
            raise PlainError(f"{self.label}: neither settings nor journal")
        return settings, journal_path(settings)


def rig_files(settings: Sequence[Path], journals: Sequence[Path]) -> tuple[RigFiles, ...]:
    """Pair what was named: settings alone, journals alone, or as many of both. A folder stands for its settings files."""
    files = [file for named in settings for file in settings_in(named)]
    if files and journals and len(files) != len(journals):
        raise PlainError(
            f"{len(files)} settings files and {len(journals)} journals: "
            "name a journal for each, in the same order, or none"
        )
    if not files:
        return tuple(RigFiles(None, journal) for journal in journals)
    if not journals:
        return tuple(RigFiles(file, None) for file in files)
    return tuple(RigFiles(file, journal) for file, journal in zip(files, journals, strict=True))


def settings_in(named: Path) -> list[Path]:
    """Return the settings files that are meant by a name: the file, or all of a folder; PlainError if there are none."""
    if not named.is_dir():
        return [named]
    found = sorted(named.glob("*.toml"))
    if not found:
        raise PlainError(f"{named}: there are no settings files (*.toml) in this folder")
    return found
