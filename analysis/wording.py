"""Moments, names and losses as people write them."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def loss_words(section: Mapping[str, Any]) -> str:
    """Return the loss with its interval, or that there is none.

    >>> loss_words({"loss_per_day": 0.0041, "loss_per_day_interval95": [-0.002, 0.011]})
    '0.4 %/day (-0.2 to 1.1)'
    """
    loss = section["loss_per_day"]
    if loss is None:
        return "not known"
    low, high = section["loss_per_day_interval95"]
    digits = 1 if high - low > 0.004 else 2
    # adding zero takes the sign off a rounded zero
    loss, low, high = (round(100 * x, digits) + 0.0 for x in (loss, low, high))
    return f"{loss:.{digits}f} %/day ({low:.{digits}f} to {high:.{digits}f})"


def short_time(text: str) -> str:
    """Return a moment of the findings as people write it.

    >>> short_time("2027-01-16T09:05:00Z")
    'Sat 16 Jan 09:05'
    """
    moment = datetime.fromisoformat(text)
    # not by strftime, whose names follow the machine's language
    return f"{_DAYS[moment.weekday()]} {moment.day} {_MONTHS[moment.month - 1]} {moment:%H:%M}"


def full_time(text: str) -> str:
    """Return a moment of the findings with its year, for paper that is kept.

    >>> full_time("2027-01-16T09:05:00Z")
    'Sat 16 Jan 2027 09:05'
    """
    day, _, hour = short_time(text).rpartition(" ")
    return f"{day} {text[:4]} {hour}"


_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def and_list(names: Sequence[str]) -> str:
    """Return names as one says them.

    >>> and_list(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))
