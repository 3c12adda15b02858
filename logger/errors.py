"""The base of all errors whose text is written for the person at the terminal."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_LONGEST: Final = 600
_BEGINNING: Final = 400


class PlainError(Exception):
    """Something that a person can put right; `str()` is one line that says what and where.

    The command line shows it without a traceback and exits with 1.
    """

    def __str__(self) -> str:
        """In one line, whatever was quoted in it."""
        return one_line(super().__str__())


def one_line(text: str) -> str:
    r"""A text as one line of letters that can be shown, its middle left out if nobody would read it.

    >>> one_line("no section 'a\nb\x1b[2J'")
    "no section 'a b?[2J'"
    """
    if not text.isprintable():
        text = "".join(
            letter if letter.isprintable() else " " if letter.isspace() else "?" for letter in text
        )
    if len(text) <= _LONGEST:
        return text
    return f"{text[:_BEGINNING]} … {text[_BEGINNING - _LONGEST :]}"


@contextlib.contextmanager
def naming(path: Path) -> Iterator[None]:
    """Give an OSError the name of the file that it is about.

    A write to a full disk has none of its own, and one with a part of the file in it tells a person nothing.
    """
    try:
        yield
    except OSError as error:
        if error.filename is None or str(error.filename).endswith(".part"):
            error.filename = str(path)
        raise


def cause_words(error: BaseException) -> str:
    """What went wrong, on one line, with its file if it has one.

    >>> cause_words(OSError(28, "No space left on device", "bay-2.journal"))
    'bay-2.journal: No space left on device'
    >>> cause_words(KeyError("x"))
    "a fault of the program: KeyError: 'x'"
    """
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror or error}"
    text = " ".join(str(error).split())
    return (
        text if isinstance(error, PlainError) else f"a fault of the program: {type(error).__name__}: {text}"
    )
