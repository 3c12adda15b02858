"""What a follower of the journal needs: where it stands, in a small file that is there whole or not at all, and the wait
for the journal at its begin."""

from __future__ import annotations

import asyncio
import json
import logging
import os
from typing import TYPE_CHECKING, Any, Final
from zlib import crc32

from logger.bounded import json_of
from logger.journal_reader import JournalReader
from logger.journal_schema import JournalError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


_log = logging.getLogger(__name__)

_BEGINNING_s: Final = 60.0
_POLL_s: Final = 0.1


class CursorFile:
    """The number of the last entry that a follower has dealt with, kept across restarts."""

    def __init__(self, path: Path) -> None:
        """Nothing is read or written yet."""
        self.path = path

    def load(self, newest: int) -> int:
        """Return the kept number; 0 at first, and if it is damaged or beyond the journal's `newest` (another journal's).

        From 0 on everything is dealt with once more, which a follower must bear anyway.
        """
        try:
            entry = unsealed(self.path.read_text(encoding="utf-8"))["entry"]
        except FileNotFoundError:
            return 0
        except (OSError, ValueError, TypeError, KeyError):
            entry = None
        if not isinstance(entry, int) or not 0 <= entry <= newest:
            _log.warning("%s: holds no place in this journal, begun again", self.path)
            return 0
        return entry

    def save(self, entry: int) -> None:
        """Keep a number; what stood there before stays until the new one is on the disk."""
        replace_file(self.path, sealed({"entry": entry}))


def replace_file(path: Path, text: str) -> None:
    """Put a text in place of a small file's; what stood there before stays until the new one is on the disk."""
    part = path.with_name(path.name + ".part")
    with part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def sealed(said: Mapping[str, Any]) -> str:
    """A small JSON object with a check value: a digit that was hit would leave out entries without a word.

    >>> unsealed(sealed({"entry": 7}))
    {'entry': 7}
    """
    return json.dumps({**said, "check": _check(said)}, ensure_ascii=False)


def unsealed(text: str) -> dict[str, Any]:
    """The object again; ValueError if it isn't what was written."""
    said = json_of(text)
    if not isinstance(said, dict) or said.pop("check", None) != _check(said):
        raise ValueError("not what was written")
    return said


def _check(said: Mapping[str, Any]) -> str:
    return f"{crc32(json.dumps(said, sort_keys=True).encode()):08x}"


async def journal_reader(journal: Path) -> JournalReader:
    """Wait until the daemon has made the journal, and open it; raise JournalError if it can't be read after a minute."""
    loop = asyncio.get_running_loop()
    end_s = loop.time() + _BEGINNING_s
    while True:
        try:
            return JournalReader(journal)
        except JournalError:
            if loop.time() > end_s:
                raise
        await asyncio.sleep(_POLL_s)
