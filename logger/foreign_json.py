"""JSON that somebody else wrote, or a disk may have damaged: an object, or a ValueError, and nothing else."""

from __future__ import annotations

import json
from typing import Any


def foreign_object(text: str | bytes, most: int) -> dict[str, Any]:
    """The object in `text`, of at most so many characters (or bytes); ValueError for whatever else it is.

    >>> foreign_object('{"entry": 7}', 100)
    {'entry': 7}
    >>> foreign_object("[" * 1000, 1000)
    Traceback (most recent call last):
    ...
    ValueError: nested too deeply
    """
    if len(text) > most:
        raise ValueError(f"longer than {most}")
    try:
        said = json.loads(text)
    except RecursionError:
        # a thousand times "[" is no ValueError to the parser
        raise ValueError("nested too deeply") from None
    if not isinstance(said, dict):
        raise ValueError("no object")  # noqa: TRY004  whoever calls wants one kind of error
    return said
