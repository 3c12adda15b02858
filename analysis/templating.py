"""The templates of all that is HTML, and what makes a typed text fit to be shown."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

from analysis.wording import full_time, loss_words, short_time

if TYPE_CHECKING:
    from jinja2 import Environment

LONGEST: Final = 400
"""A text that somebody typed is cut after so many characters; nobody reads on."""
VERDICT_SIGNS: Final = {"tight": "✓", "leaking": "✕", "undecided": "?"}
"""So that no verdict is told by its colour alone."""


@cache
def templates() -> Environment:
    """The pages' templates; everything that is put in is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415  loaded when a page is made

    environment = Environment(
        loader=PackageLoader("analysis"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "typed": typed,
        "moment": short_time,
        "dated": full_time,
        "loss": loss_words,
        "percent": lambda x: f"{100.0 * x:.3g}",
        "sign": lambda verdict: VERDICT_SIGNS[verdict],
    }
    return environment


def typed(text: object) -> str:
    """A text that a person typed, as it is shown: one line, no control characters, cut if it is very long.

    >>> typed("front\\x07 left\\n")
    'front left'
    """
    words = " ".join("".join(c if c.isprintable() or c.isspace() else "" for c in str(text)).split())
    if len(words) <= LONGEST:
        return words
    return f"{words[:LONGEST]}… ({len(words)} characters)"
