"""The base of all errors whose text is written for the person at the terminal."""

from __future__ import annotations


class PlainError(Exception):
    """Something that a person can put right; `str()` is one line that says what and where.

    The command line shows it without a traceback and exits with 1.
    """
