"""Which settings hold for a command, and which journal goes with them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from logger.settings_schema import default_settings, load_settings

if TYPE_CHECKING:
    from logger.settings import Settings


def read_settings(file: Path | None, port: str | None) -> Settings:
    """The settings of a file (or the defaults), with the port from the command line put over theirs."""
    settings = default_settings() if file is None else load_settings(file)
    return settings if port is None else replace(settings, rig=replace(settings.rig, port=port))


def journal_path(settings: Settings) -> Path:
    """The journal that goes with settings when none is named."""
    return settings.journal.path or Path(f"{_file_name(settings.rig.name)}.journal")


def _file_name(rig: str) -> str:
    """A rig's name as a file name."""
    return (
        "".join(letter if letter.isalnum() or letter in "-_." else "_" for letter in rig).lstrip(".") or "rig"
    )
