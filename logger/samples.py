"""A journal's samples as arrays of raw counts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from logger.journal_schema import BootRecord, Entry


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Samples of one boot: raw counts (n, k), NaN where there is no number, and why there is none."""

    rig_us: NDArray[np.int64]
    utc_us: NDArray[np.int64]
    channels: tuple[str, ...]
    raw: NDArray[np.float64]
    over: NDArray[np.bool_]
    under: NDArray[np.bool_]

    def __len__(self) -> int:
        """How many samples."""
        return len(self.rig_us)


_NO_NUMBER = {"": np.nan, "+": np.inf, "-": -np.inf}


def samples(entries: Sequence[Entry], channels: Sequence[str]) -> SampleBlock:
    """The D entries among `entries`, all of one boot with these channels, as arrays."""
    data = [entry for entry in entries if entry.kind == "D"]
    width = len(channels)
    fields = ",".join([entry.body for entry in data]).split(",") if data else []
    if len(fields) != len(data) * width or any(entry.body.count(",") != width - 1 for entry in data):
        raise ValueError("samples of another number of channels")
    try:
        flat = np.fromiter(map(float, fields), np.float64, len(fields))
    except ValueError:
        numbers = [_NO_NUMBER[field] if field in _NO_NUMBER else float(field) for field in fields]
        flat = np.array(numbers, np.float64)
    raw = flat.reshape(len(data), width)
    over, under = np.isposinf(raw), np.isneginf(raw)
    raw[over | under] = np.nan
    return SampleBlock(
        rig_us=np.array([entry.rig_us for entry in data], np.int64),
        utc_us=np.array([entry.utc_us for entry in data], np.int64),
        channels=tuple(channels),
        raw=raw,
        over=over,
        under=under,
    )


def sample_blocks(entries: Sequence[Entry], boots: dict[int, BootRecord]) -> Iterator[SampleBlock]:
    """The samples among `entries` in order, one block per run of the same boot."""
    data = (entry for entry in entries if entry.kind == "D" and entry.boot_id is not None)
    for boot_id, run in groupby(data, key=lambda entry: entry.boot_id):
        if boot_id is not None:
            yield samples(list(run), boots[boot_id].channels)
