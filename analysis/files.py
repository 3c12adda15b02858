"""Writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[IO[str]]:
    """A text file that appears under its name only when the block has ended well; else nothing is left.

    What stood there before stays until then. The content is on the disk before the name is.
    """
    number, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(number, "w", encoding="utf-8", newline="\n") as file:
            os.fchmod(file.fileno(), 0o666 & ~_umask())
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _umask() -> int:
    """The rights that a new file doesn't get (a temporary file is made for its owner alone)."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
