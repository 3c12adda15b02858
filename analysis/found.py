"""What a soak has shown, from whatever a person has of it: findings as JSON, a recording, or a soak of a journal."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.errors import PlainError

if TYPE_CHECKING:
    from logger.settings import Settings

VERDICTS = {"tight", "leaking", "undecided"}
NEEDED = ("name", "verdict", "loss_per_day", "loss_per_day_interval95", "threshold_per_day", "coldest_gas_degC",
          "cold_onset_interval95_degC", "probability_over_threshold", "notes")  # fmt: skip


def findings_from(text: str, settings: Settings | None = None) -> dict[str, Any]:
    """Return the findings of `FILE` or `JOURNAL#SOAK`; a recording and a journal are analysed first."""
    name, soak = text, None
    if not Path(text).exists() and "#" in text:
        name, _, soak = text.rpartition("#")
    path = Path(name)
    if soak is None and (written := _written(path)) is not None:
        return written
    from analysis.analyse_command import judge  # noqa: PLC0415  what findings from a file don't need

    return judge(path, settings, soak)


def _written(path: Path) -> dict[str, Any] | None:
    """Return findings that stand in the file, or None if it is something else."""
    try:
        with path.open("rb") as file:
            if file.read(64).lstrip()[:1] != b"{":
                return None
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PlainError(f"{path}: can't be read: {error.strerror or error}") from None
    except json.JSONDecodeError as error:
        if error.msg == "Extra data":
            raise PlainError(f"{path}: holds the findings of several recordings; one at a time") from None
        raise PlainError(f"{path}: line {error.lineno}: is no JSON: {error.msg}") from None
    except UnicodeDecodeError:
        raise PlainError(f"{path}: is not UTF-8 text") from None
    if not _whole(found):
        raise PlainError(f"{path}: is no findings of 'analyse --json'")
    return dict(found)


def _whole(found: Any) -> bool:
    if not isinstance(found, dict) or found.get("cornerhold") != "findings/1":
        return False
    if any(key not in found for key in ("support", "gas", "begin", "end", "hours")):
        return False
    sections = found.get("sections")
    return isinstance(sections, list) and all(
        isinstance(s, dict) and all(key in s for key in NEEDED) and s["verdict"] in VERDICTS for s in sections
    )
