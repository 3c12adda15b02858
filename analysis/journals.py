"""Which journal a command means, and by which settings its readings are taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from logger.journal_reader import JournalReader
    from logger.settings import Settings


def where(settings_file: Path | None, journal: Path | None) -> tuple[Settings | None, Path]:
    """Return the settings that were given, and the journal that is meant."""
    from logger.settings import default_settings, load_settings  # noqa: PLC0415
    from logger.settings_files import journal_path  # noqa: PLC0415

    settings = None if settings_file is None else load_settings(settings_file)
    return settings, journal or journal_path(settings or default_settings())


def stored_or(settings: Settings | None, reader: JournalReader) -> Settings:
    """Return the settings that were given, else those under which the journal is logged."""
    from logger.conversions import stored_settings  # noqa: PLC0415

    if settings is not None:
        return settings
    stored = reader.configurations()
    return stored_settings(reader.path, stored[-1].text if stored else "")
