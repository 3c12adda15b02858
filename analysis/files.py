"""Writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from typing import IO, TYPE_CHECKING

from logger.errors import naming

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[IO[str]]:
    """A text file that appears under its name only when the block has ended well; else nothing is left.

    What stood there before stays until then. The content is on the disk before the name is.
    """
    # Named before it is made: a signal may end the program between any two lines.
    part = path.with_name(f".{path.name}.{secrets.token_hex(6)}.part")
    try:
        with naming(path):
            with part.open("x", encoding="utf-8", newline="\n") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
