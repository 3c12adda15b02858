"""What a follower of the journal needs: where it stands, in a small file that is there whole or not at all, and the wait
for the journal at its begin."""

from __future__ import annotations

import asyncio
import json
import logging
from typing import TYPE_CHECKING, Any, Final
from zlib import crc32

from logger.errors import cause_words
from logger.files import replace_file
from logger.foreign_json import foreign_object
from logger.journal_reader import JournalReader
from logger.journal_schema import JournalError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path


_log = logging.getLogger(__name__)

_BEGINNING_s: Final = 60.0
_POLL_s: Final = 0.1
_MOST: Final = 1 << 20


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


class Saving:
    """Saves that may fail for a while, on a full disk: told once with the file and the cause, and when it is over."""

    def __init__(self, meanwhile: str) -> None:
        """Say in a failure what it means `meanwhile`."""
        self._meanwhile = meanwhile
        self._told = ""

    def attempt(self, save: Callable[[], None]) -> bool:
        """Save; whether it could be done."""
        try:
            save()
        except OSError as error:
            words = cause_words(error)
            level = logging.DEBUG if words == self._told else logging.WARNING
            self._told = words
            _log.log(level, "%s; %s", words, self._meanwhile)
            return False
        if self._told:
            _log.info("what could not be kept is kept again")
            self._told = ""
        return True


def sealed(said: Mapping[str, Any]) -> str:
    """A small JSON object with a check value: a digit that was hit would leave out entries without a word.

    >>> unsealed(sealed({"entry": 7}))
    {'entry': 7}
    """
    return json.dumps({**said, "check": _check(said)}, ensure_ascii=False)


def unsealed(text: str) -> dict[str, Any]:
    """The object again; ValueError if it isn't what was written."""
    said = foreign_object(text, _MOST)
    if said.pop("check", None) != _check(said):
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
