"""Readings as SenML (RFC 8428) in its JSON form: pure, samples in SI in, one pack out.

A pack starts with the base name and base time; every value has its own name, unit (RFC 8428 section 12.1) and time
relative to the base. A reading that is not good has no value: its record `<channel>.quality` says why.
"""

from __future__ import annotations

import json
import re
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.channels import Quality
from logger.settings import QUANTITY_OF_ENDING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from logger.channels import SiBlock

UNITS: Final[Mapping[str, str]] = MappingProxyType(
    {"pressure_Pa": "Pa", "temperature_K": "K", "length_m": "m", "voltage_V": "V"}
)
_DIGITS: Final = 9
"""Significant digits: far beyond any converter, so that nothing is lost and no digit is noise of the arithmetic."""
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9:./_-]")


def base_name(topic: str) -> str:
    """Return a rig's base name: its topic, which no other rig at the broker has, in the letters that SenML allows.

    >>> base_name("cornerhold/bay-2")
    'cornerhold/bay-2/'
    """
    return _NOT_IN_NAMES.sub("_", f"{topic}/")


def unit_of(channel: str) -> str | None:
    """Return the SenML unit of a channel, None if it isn't known.

    >>> unit_of("front_left.pressure"), unit_of("ambient.temperature")
    ('Pa', 'K')
    """
    ending = channel.rpartition(".")[2]
    quantity = QUANTITY_OF_ENDING.get(ending)
    return None if quantity is None else UNITS[quantity]


def pack(name: str, block: SiBlock, entries: Sequence[int]) -> str:
    """Return the samples of a block (at least one) as one pack.

    `entries` (n,) are the samples' numbers in the journal: they go up by time, so that a receiver can leave out what
    it has already (each is delivered at least once).
    """
    begin_us = int(block.utc_us[0])
    records: list[dict[str, Any]] = []
    for row, (utc_us, entry) in enumerate(zip(block.utc_us, entries, strict=True)):
        time: dict[str, Any] = {} if int(utc_us) == begin_us else {"t": (int(utc_us) - begin_us) / 1e6}
        records.append({"n": "entry", "u": "count", "v": int(entry)} | time)
        for column, channel in enumerate(block.names):
            value, quality = float(block.values[row, column]), int(block.quality[row, column])
            if quality == Quality.GOOD and np.isfinite(value):
                unit = unit_of(channel)
                record: dict[str, Any] = {"n": channel, "v": float(f"{value:.{_DIGITS}g}")}
                if unit is not None:
                    record["u"] = unit
                records.append(record | time)
            else:
                word = Quality(quality).name.lower() if quality != Quality.GOOD else "missing"
                records.append({"n": f"{channel}.quality", "vs": word} | time)
    records[0] = {"bn": name, "bt": begin_us / 1e6} | records[0]
    return json.dumps(records, allow_nan=False, separators=(",", ":"))
