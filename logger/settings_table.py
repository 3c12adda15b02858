"""A TOML table read strictly: every value typed and bounded, every complaint with file and key.

`Table` notes which keys were asked for, so that whatever is left over is an unknown key.
"""

from __future__ import annotations

import difflib
import math
import re
import reprlib
import sys
from datetime import UTC, date, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from logger import units
from logger.settings import Dimension, SettingsError, Threshold

if TYPE_CHECKING:
    from collections.abc import Mapping

_THRESHOLD_DIMENSIONS: Mapping[units.Kind, Dimension] = MappingProxyType(
    {
        units.LOSS: "loss_per_s",
        units.SINKING: "sink_m_per_s",
        units.PRESSURE_LOSS: "pressure_Pa_per_s",
        units.LEAK: "leak_Pa_m3_per_s",
    }
)
_MISSING: Any = object()
_HIDDEN = "what stands there"
_FIRST_YEAR, _LAST_YEAR = 1970, 2199
_LONGEST_WORD: Final = 60


class Table:
    """One TOML table: reads typed values, names file and key in every complaint, knows what was not read."""

    def __init__(self, data: Mapping[str, Any], file: str, key: str = "", *, secret: bool = False) -> None:
        """Wrap `data`, found in `file` under `key`; of a `secret` table no complaint shows a value."""
        self._data, self._file, self._key, self._secret = data, file, key, secret
        self._asked: list[str] = []

    def error(self, key: str, reason: str) -> SettingsError:
        """The error for one key of this table."""
        return SettingsError(self._file, self._path(key), reason)

    def _path(self, key: str) -> str:
        part = key if not key or re.fullmatch(r"[\w-]+", key) else f'"{key}"'
        return ".".join(p for p in (self._key, part) if p)

    def _get(self, key: str) -> Any:
        self._asked.append(key)
        return self._data.get(key, _MISSING)

    def has(self, key: str) -> bool:
        """Whether the key is there."""
        return key in self._data

    def names(self) -> tuple[str, ...]:
        """The keys of this table."""
        return tuple(self._data)

    def table(self, key: str, *, secret: bool = False) -> Table:
        """A table within this one (empty if it is not there)."""
        value = self._get(key)
        if value is _MISSING:
            value = {}
        secret = secret or self._secret
        if not isinstance(value, dict):
            shown = _HIDDEN if secret else _shown(value)
            raise self.error(key, f"must be a table, not {shown}")
        return Table(value, self._file, self._path(key), secret=secret)

    def _shown(self, value: object) -> str:
        return _HIDDEN if self._secret else _shown(value)

    def tables(self, key: str) -> tuple[Table, ...]:
        """The tables of a `[[list]]`; none if it is not there."""
        value = self._get(key)
        if value is _MISSING:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error(
                key, f"must be tables, each under [[{self._path(key)}]], not {self._shown(value)}"
            )
        return tuple(Table(item, self._file, f"{self._path(key)}[{i}]") for i, item in enumerate(value, 1))

    def flag(self, key: str, *, default: bool) -> bool:
        """True or false."""
        value = self._get(key)
        if value is _MISSING:
            return default
        if not isinstance(value, bool):
            raise self.error(key, f"must be true or false, not {self._shown(value)}")
        return value

    def text(self, key: str, default: str) -> str:
        """A text that is not empty."""
        value = self._get(key)
        if value is _MISSING:
            return default
        if not isinstance(value, str) or not value.strip() or not value.isprintable():
            raise self.error(key, f"must be a text in quotes, not {self._shown(value)}")
        return value.strip()

    def choice(self, key: str, options: tuple[str, ...], default: str) -> str:
        """One of a few words."""
        value = self.text(key, default)
        if value not in options:
            raise self.error(key, f"'{value}' is none of {_listed(options)}{hint(value, options)}")
        return value

    def optional_quantity(
        self, key: str, kind: units.Kind, low: float = -math.inf, high: float = math.inf
    ) -> float | None:
        """A quantity in SI between two bounds, or None if the key is not there."""
        value = self._get(key)
        return None if value is _MISSING else self._read_quantity(key, value, kind, low, high)

    def quantity(
        self, key: str, kind: units.Kind, default: float, low: float = -math.inf, high: float = math.inf
    ) -> float:
        """A quantity in SI between two bounds, or the default."""
        value = self.optional_quantity(key, kind, low, high)
        return default if value is None else value

    def quantity_pair(
        self, key: str, kind: units.Kind, default: tuple[float, float] | None
    ) -> tuple[float, float] | None:
        """Two different quantities in SI, written `["0 bar", "16 bar"]`."""
        value = self._get(key)
        if value is _MISSING:
            return default
        if not isinstance(value, list) or len(value) != 2:
            raise self.error(key, f'must be two quantities in a list, like ["{kind.example}", …]')
        first, second = (self._read_quantity(key, item, kind) for item in value)
        if first == second:
            raise self.error(key, "both ends are the same")
        return first, second

    def quantity_points(self, key: str, kind: units.Kind) -> tuple[tuple[float, float], ...]:
        """Pairs of quantities, both columns strictly ascending; empty if the key is not there."""
        value = self._get(key)
        if value is _MISSING:
            return ()
        if not isinstance(value, list) or len(value) < 2:
            raise self.error(key, "must be a list of at least two pairs, each [read, true]")
        points: list[tuple[float, float]] = []
        for item in value:
            if not isinstance(item, list) or len(item) != 2:
                raise self.error(key, f"{self._shown(item)} is no pair [read, true]")
            read, true = (self._read_quantity(key, part, kind) for part in item)
            if points and not (read > points[-1][0] and true > points[-1][1]):
                raise self.error(key, "points must ascend, in what was read and in what was true")
            points.append((read, true))
        return tuple(points)

    def quantities(self, key: str, kind: units.Kind) -> tuple[float, ...]:
        """A list of quantities in SI; empty if the key is not there."""
        value = self._get(key)
        if value is _MISSING:
            return ()
        if not isinstance(value, list):
            raise self.error(
                key, f'must be a list of quantities like ["{kind.example}"], not {self._shown(value)}'
            )
        return tuple(self._read_quantity(key, item, kind) for item in value)

    def _read_quantity(
        self, key: str, value: object, kind: units.Kind, low: float = -math.inf, high: float = math.inf
    ) -> float:
        if not isinstance(value, str):
            raise self.error(
                key, f"must be {kind.name} in quotes like '{kind.example}', not {self._shown(value)}"
            )
        try:
            si = units.quantity(value, kind)
        except units.UnitError as error:
            words = f"must be {kind.name} like '{kind.example}'" if self._secret else str(error)
            raise self.error(key, words) from None
        if not low <= si <= high:
            raise self.error(key, f"{self._shown(value)} is impossible; {_between(low, high, kind.si)}")
        return si

    def number(self, key: str, default: float, low: float, high: float) -> float:
        """A plain number between two bounds."""
        value = self._get(key)
        if value is _MISSING:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(key, f"must be a number, not {self._shown(value)}")
        if not low <= value <= high:
            raise self.error(key, f"{_shown(value)} is impossible; {_between(low, high, '')}")
        return float(value)

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        """A whole number between two bounds."""
        value = self._get(key)
        if value is _MISSING:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.error(key, f"must be a whole number from {low} to {high}, not {self._shown(value)}")
        return value

    def optional_whole(self, key: str, low: int, high: int) -> int | None:
        """A whole number between two bounds, or None if the key is not there."""
        value = self.whole(key, low, low, high)
        return value if self.has(key) else None

    def numbers(self, key: str, count: int) -> tuple[float, ...] | None:
        """So many finite numbers in a list, or None."""
        value = self._get(key)
        if value is _MISSING:
            return None
        if (
            not isinstance(value, list)
            or len(value) != count
            or not all(
                isinstance(v, int | float) and not isinstance(v, bool) and abs(v) <= sys.float_info.max
                for v in value
            )
        ):
            raise self.error(key, f"must be a list of {count} finite numbers, not {self._shown(value)}")
        return tuple(float(v) for v in value)

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; empty if the key is not there."""
        value = self._get(key)
        if value is _MISSING:
            return ()
        if not isinstance(value, list) or not all(
            isinstance(v, str) and v.strip() and v.isprintable() for v in value
        ):
            raise self.error(
                key, f'must be a list of texts like ["front left strut"], not {self._shown(value)}'
            )
        return tuple(v.strip() for v in value)

    def moment(self, key: str) -> datetime | None:
        """A moment in time with zone, as TOML date-time or ISO 8601 text; UTC."""
        value = self._get(key)
        if value is _MISSING:
            return None
        if isinstance(value, str):
            try:
                value = datetime.fromisoformat(value)
            except ValueError:
                raise self.error(key, f"'{value}' is no time like '2027-01-15T18:00:00Z'") from None
        if not isinstance(value, datetime) or value.tzinfo is None:
            raise self.error(key, "needs date, time and zone, like '2027-01-15T18:00:00Z'")
        # by the year as it is written: at the ends of the calendar there is no UTC to every time
        if not _FIRST_YEAR <= value.year <= _LAST_YEAR:
            raise self.error(
                key, f"the year {value.year} is impossible; from {_FIRST_YEAR} to {_LAST_YEAR} is possible"
            )
        return value.astimezone(UTC)

    def day(self, key: str) -> date | None:
        """A date, as TOML date or ISO 8601 text."""
        value = self._get(key)
        if value is _MISSING:
            return None
        if isinstance(value, str):
            try:
                value = date.fromisoformat(value)
            except ValueError:
                raise self.error(key, f"'{value}' is no date like 2026-11-02") from None
        if isinstance(value, datetime) or not isinstance(value, date):
            raise self.error(key, f"must be a date like 2026-11-02, not {self._shown(value)}")
        return value

    def threshold(self, key: str) -> Threshold | None:
        """A limit on the loss, in any of the dimensions that mean one."""
        value = self._get(key)
        if value is _MISSING:
            return None
        if not isinstance(value, str):
            raise self.error(key, f"must be text with a unit, like '2 %/day', not {self._shown(value)}")
        try:
            kind, si = units.quantity_of_any(value, tuple(_THRESHOLD_DIMENSIONS))
        except units.UnitError as error:
            raise self.error(key, str(error)) from None
        if not si > 0:
            raise self.error(key, f"'{value}' is impossible; a threshold is above zero")
        return Threshold(_THRESHOLD_DIMENSIONS[kind], si, value.strip())

    def finish(self) -> None:
        """Refuse what nobody asked for."""
        for key in self._data:
            if key not in self._asked:
                known = tuple(dict.fromkeys(self._asked))
                near = hint(key, known)
                raise self.error(key, f"unknown key{near or f' (known here: {_listed(known)})'}")


def hint(word: str, known: tuple[str, ...]) -> str:
    """`; did you mean 'x'?`, or nothing."""
    close = difflib.get_close_matches(word[:_LONGEST_WORD].lower(), known, n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(f"'{word}'" for word in words)


class _Short(reprlib.Repr):
    """What stands in a complaint, however deeply it is nested and however long its numbers are."""

    def repr_int(self, x: int, level: int) -> str:
        """Python refuses to write very long ones."""
        return super().repr_int(x, level) if x.bit_length() < 256 else "a number of very many digits"


_short: Final = _Short()
_short.maxstring = _short.maxother = _short.maxlong = 60


def _shown(value: object) -> str:
    text = _short.repr(value)
    return text if len(text) <= 40 else text[:37] + "…"


def _between(low: float, high: float, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if math.isinf(high):
        return f"at least {low:g}{unit} is possible"
    if math.isinf(low):
        return f"at most {high:g}{unit} is possible"
    return f"from {low:g} to {high:g}{unit} is possible"
