"""What is told as it happens: a sentence, how loudly, and how long something took."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Tone(StrEnum):
    """How loudly a change is to be told."""

    WARNING = "warning"  # first failure of an outage
    INFO = "info"
    DEBUG = "debug"  # a repeat of what was told already


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence for the log."""

    tone: Tone
    text: str


LEVELS: Final = {Tone.WARNING: logging.WARNING, Tone.INFO: logging.INFO, Tone.DEBUG: logging.DEBUG}
"""The log's level for each tone."""


def duration_text(seconds: float) -> str:
    """A duration as a person says it: ``0.4 s``, ``35 s``, ``12 min``, ``3 h 05 min``."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 119.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"
