"""The base of all errors whose text is written for the person at the terminal."""

from __future__ import annotations

from typing import Final

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
