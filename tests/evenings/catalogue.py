"""The catalogue: an evening is one function, and a row for each support, length and sampling that it is asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib import import_module
from typing import TYPE_CHECKING, Final

from analysis.reasons import CODES
from tests.evenings.night import Night

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.virtual.plan import Support

FAMILIES: Final = (
    "controls",
    "leaks",
    "steps",
    "empty",
    "air",
    "heat",
    "transducers",
    "heights",
    "people",
    "units",
    "clocks",
)
BLOCKED: Final = ("blocked",)
STANDING: Final = ("standing",)
BOTH: Final = ("blocked", "standing")


@dataclass(frozen=True)
class Row:
    """One evening in one form."""

    name: str
    family: str
    what: str
    make: Callable[[Night], None]
    support: Support
    hours: float
    period_s: float
    reasons: tuple[str, ...]
    """Of which an undecided section should give one."""
    air_is_wrong: bool
    door: bool
    """It goes through the reader of CSV, which may refuse it."""
    open: str | None
    """Why physics can't tell, and what would."""

    def night(self, seed: int) -> Night:
        """The evening as its function tells it."""
        night = Night(seed, self.support, self.hours, self.period_s, self.make.__name__)
        self.make(night)
        return night


ROWS: dict[str, Row] = {}


def evening(
    what: str,
    *,
    supports: tuple[Support, ...] = BLOCKED,
    hours: tuple[float, ...] = (14.0,),
    periods_s: tuple[float, ...] = (60.0,),
    reasons: tuple[str, ...] = (),
    air_is_wrong: bool = False,
    door: bool = False,
    open_: str | None = None,
) -> Callable[[Callable[[Night], None]], Callable[[Night], None]]:
    """Enter a function into the catalogue; `what` says in words what happens."""
    unknown = set(reasons) - set(CODES)
    if unknown:
        raise ValueError(f"{what}: no such reasons: {unknown}")

    def enter(make: Callable[[Night], None]) -> Callable[[Night], None]:
        family = make.__module__.rpartition(".")[2]
        for support in supports:
            for length in hours:
                for period_s in periods_s:
                    name = f"{make.__name__}-{support}-{length:g}"
                    name += "" if period_s == 60.0 else f"-{period_s:g}s"
                    if name in ROWS:
                        raise ValueError(f"{name}: twice in the catalogue")
                    ROWS[name] = Row(
                        name,
                        family,
                        what,
                        make,
                        support,
                        length,
                        period_s,
                        reasons,
                        air_is_wrong,
                        door,
                        open_,
                    )
        return make

    return enter


def rows() -> list[Row]:
    """Return all rows, family by family."""
    for family in FAMILIES:
        import_module(f"tests.evenings.{family}")
    return sorted(ROWS.values(), key=lambda row: FAMILIES.index(row.family))


def short_rows() -> list[Row]:
    """Return each evening once: its shortest form, a sample a minute at most, blocked and standing in turns."""
    out: dict[str, list[Row]] = {}
    for row in rows():
        out.setdefault(row.make.__name__, []).append(replace(row, period_s=max(row.period_s, 60.0)))
    return [_in_turn(number, forms) for number, forms in enumerate(out.values())]


def _in_turn(number: int, forms: list[Row]) -> Row:
    shortest = [row for row in forms if row.hours == min(row.hours for row in forms)]
    return shortest[number % len(shortest)]
