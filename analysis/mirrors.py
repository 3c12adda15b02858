"""How it stands with the mirrors of a journal, for who looks: the broker's readings, and what InfluxDB has."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logger.cursor_file import CursorFile
from logger.mirror_state import READINGS, BEHIND_s, mirror_words, read_mirrors
from logger.notice import duration_text

if TYPE_CHECKING:
    from logger.journal_reader import JournalReader
    from logger.settings import Settings


def mirrors_of(reader: JournalReader, settings: Settings | None) -> tuple[tuple[bool, str], ...]:
    """Return for each mirror whether all is well, and a sentence.

    With settings, those that they name; without, those that have left their state beside the journal (the journal's own
    settings don't say, for those tables hold secrets).
    """
    said = []
    if settings is not None and settings.mqtt is not None:
        said.append(_broker(reader))
    expected = settings is not None and settings.influx is not None
    if settings is None or expected:
        newest = reader.newest("D")
        states = read_mirrors(reader.path)
        if expected and not any(state.what == READINGS for state in states):
            said.append((False, "InfluxDB gets no readings: was the logger started before [influx] was set?"))
        said += [mirror_words(state, None if newest is None else newest.utc_us) for state in states]
    return tuple(said)


def _broker(reader: JournalReader) -> tuple[bool, str]:
    from logger.readings_mirror import cursor_path  # noqa: PLC0415  the client's library is large

    path = cursor_path(reader.path)
    newest = reader.newest("D")
    if newest is None:
        return True, "The broker gets the readings as soon as there are some"
    if not path.exists():
        return False, "The broker has no readings yet: is the logger running, and can it reach the broker?"
    confirmed = reader.newest("D", CursorFile(path).load(reader.newest_id()))
    behind_s = 0.0 if confirmed is None else (newest.utc_us - confirmed.utc_us) / 1e6
    if confirmed is None or behind_s > BEHIND_s:
        lacks = "all readings" if confirmed is None else f"the readings of the last {duration_text(behind_s)}"
        return False, f"The broker lacks {lacks}; they wait in the journal"
    return True, "The broker has the readings"
