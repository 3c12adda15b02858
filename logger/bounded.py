"""What comes from elsewhere, taken within bounds: files by kind and size, TOML and JSON by depth and digits.

A device or a pipe in place of a file would be read for ever, and a text can be nested so deeply, or hold a number of so
many digits, that the parsers of the standard library end in an error of their own.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import tomllib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from pathlib import Path

MOST_TEXT: Final = 256 * 1024
"""Bytes of a file that a person writes: settings, a job, a scenario, heights by hand."""
_MOST_DOTS: Final = 1000
"""In one line of TOML: the time and memory of a dotted key grow with the square of its parts."""
_KINDS = (
    (stat.S_ISDIR, "is a folder"),
    (stat.S_ISFIFO, "is a pipe, not a file: write what comes out of it into a file first"),
    (stat.S_ISSOCK, "is a socket, not a file"),
    (stat.S_ISREG, ""),
)


def file_bytes(path: Path, most: int = MOST_TEXT) -> bytes:
    """All bytes of a regular file; OSError, which says why, for anything else and for more than `most` bytes."""
    data = first_bytes(path, most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"is larger than {_size(most)}, more than can be meant here", str(path))
    return data


def first_bytes(path: Path, count: int) -> bytes:
    """The first bytes of a regular file, `count` at most; OSError, which says why, for anything else."""
    _require_file(path.stat().st_mode, path)
    # it may have become another thing since: without waiting, a pipe that nobody writes to can be opened and seen
    with open(path, "rb", opener=_without_waiting) as file:
        _require_file(os.fstat(file.fileno()).st_mode, path)
        return file.read(count)


def _without_waiting(name: str, flags: int) -> int:
    return os.open(name, flags | os.O_NONBLOCK)


def _require_file(mode: int, path: Path) -> None:
    what = next((words for is_kind, words in _KINDS if is_kind(mode)), "is a device, not a file")
    if what:
        raise OSError(errno.EINVAL, what, str(path))


def _size(most: int) -> str:
    return f"{most // 2**20} MiB" if most >= 2**20 else f"{most // 1024} KiB"


def toml_of(text: str) -> dict[str, Any]:
    """A TOML document; ValueError, in one line, for whatever is none."""
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > _MOST_DOTS and not line.lstrip().startswith("#"):
            raise ValueError(f"line {number} has more than {_MOST_DOTS} dots in it")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("is nested too deeply") from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError:  # of int(), which reads 4,300 digits at most
        raise ValueError("a number has too many digits") from None


def json_of(text: str | bytes) -> Any:
    """A JSON document; ValueError (JSONDecodeError where it is none) for whatever can't be taken."""
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("is nested too deeply") from None
    except (json.JSONDecodeError, UnicodeDecodeError):
        raise
    except ValueError:  # see toml_of
        raise ValueError("a number has too many digits") from None
