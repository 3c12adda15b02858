"""What the environment says of secrets: the value itself, or, better for passwords, a file that holds it.

A variable's value can be read by whoever may look at the process; containers and systemd hand secrets on as files.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Mapping

_MOST: Final = 65_536


def said(variable: str, environment: Mapping[str, str] = os.environ) -> str | None:
    """The value of a variable, else what the file holds that `<variable>_FILE` names; None: neither, or nothing in it.

    >>> said("PASSWORD", {"PASSWORD": "night watch"})
    'night watch'
    """
    if environment.get(variable):
        return environment[variable]
    name = environment.get(f"{variable}_FILE")
    if not name:
        return None
    try:
        with Path(name).open(encoding="utf-8") as file:
            return file.read(_MOST).strip() or None
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "is no text"
        raise PlainError(f"{variable}_FILE: {name}: {reason}") from None
