"""What a soak has shown, from whatever a person has of it: findings as JSON, a recording, or a soak of a journal."""

from __future__ import annotations

import json
import math
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.bounded import file_bytes, first_bytes, json_of
from logger.errors import PlainError

if TYPE_CHECKING:
    from logger.settings import Settings

VERDICTS = {"tight", "leaking", "undecided"}
MOST_BYTES: Final = 8 * 2**20
_NUMBERS: Final = {
    "loss_per_day": (-1e6, 1e6),
    "threshold_per_day": (0.0, 1e6),
    "coldest_gas_degC": (-273.15, 1000.0),
    "probability_over_threshold": (0.0, 1.0),
}
"""Of a section; each may be null but the threshold."""
_INTERVALS: Final = {"loss_per_day_interval95": (-1e6, 1e6), "cold_onset_interval95_degC": (-273.15, 1000.0)}


def findings_from(text: str, settings: Settings | None = None) -> dict[str, Any]:
    """Return the findings of `FILE` or `JOURNAL#SOAK`; a recording and a journal are analysed first."""
    name, soak = text, None
    if "#" in text and not _is_there(Path(text)):
        name, _, soak = text.rpartition("#")
    path = Path(name)
    if soak is None and (written := _written(path)) is not None:
        return written
    from analysis.judge import judge  # noqa: PLC0415  what findings from a file don't need

    return judge(path, settings, soak)


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:
        return True  # a name that can't be one: whoever reads it says why


def _written(path: Path) -> dict[str, Any] | None:
    """Return findings that stand in the file, or None if it is something else."""
    try:
        if first_bytes(path, 64).lstrip()[:1] != b"{":
            return None
        found = json_of(file_bytes(path, MOST_BYTES).decode("utf-8"))
    except OSError as error:
        raise PlainError(f"{path}: can't be read: {error.strerror or error}") from None
    except json.JSONDecodeError as error:
        if error.msg == "Extra data":
            raise PlainError(f"{path}: holds the findings of several recordings; one at a time") from None
        raise PlainError(f"{path}: line {error.lineno}: is no JSON: {error.msg}") from None
    except UnicodeDecodeError:
        raise PlainError(f"{path}: is not UTF-8 text") from None
    except ValueError as error:
        raise PlainError(f"{path}: {error}") from None
    wrong = _wrong(found)
    if wrong:
        raise PlainError(f"{path}: is no findings of 'analyse --json': {wrong}")
    return dict(found)


def _wrong(found: Any) -> str:
    """Return what keeps a document from being findings, or nothing."""
    if not isinstance(found, dict) or found.get("cornerhold") != "findings/1":
        return "it does not say that it is findings/1"
    texts = next(
        (f"{key} is no text" for key in ("support", "gas") if not isinstance(found.get(key), str)), ""
    )
    times = next((f"{key} is no time" for key in ("begin", "end") if not _is_moment(found.get(key))), "")
    if texts or times:
        return texts or times
    if not _is_number(found.get("hours"), 0.0, 1e6):
        return "hours is no possible number"
    sections = found.get("sections")
    if not isinstance(sections, list):
        return "it has no sections"
    wrongs = ((number, _section_wrong(one)) for number, one in enumerate(sections, 1))
    return next((f"section {number}: {wrong}" for number, wrong in wrongs if wrong), "")


def _section_wrong(section: Any) -> str:
    if not isinstance(section, dict):
        return "it is none"
    name, verdict, notes = (section.get(key) for key in ("name", "verdict", "notes"))
    if not isinstance(name, str) or not name:
        return "it has no name"
    if not isinstance(verdict, str) or verdict not in VERDICTS:
        return f"its verdict is none of {', '.join(sorted(VERDICTS))}"
    if not isinstance(notes, list) or not all(isinstance(note, str) for note in notes):
        return "its notes are no texts"
    return _numbers_wrong(section)


def _numbers_wrong(section: dict[str, Any]) -> str:
    for key, (low, high) in _NUMBERS.items():
        value = section.get(key, "")
        if not _is_number(value, low, high) and not (value is None and key != "threshold_per_day"):
            return f"{key} is no possible number"
    for key, (low, high) in _INTERVALS.items():
        ends = section.get(key, "")
        whole = isinstance(ends, list) and len(ends) == 2 and all(_is_number(end, low, high) for end in ends)
        if ends is not None and not (whole and ends[0] <= ends[1]):
            return f"{key} is no interval"
    if (section["loss_per_day"] is None) != (section["loss_per_day_interval95"] is None):
        return "loss_per_day and its interval belong together"
    return ""


def _is_number(value: Any, low: float, high: float) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and low <= value <= high and math.isfinite(value)


def _is_moment(value: Any) -> bool:
    try:
        return isinstance(value, str) and datetime.fromisoformat(value).tzinfo is not None
    except ValueError:
        return False
