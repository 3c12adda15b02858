"""Recordings, out: the rows that `recording.py` reads."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING

import numpy as np

from analysis.recording import AMBIENT_FIELDS, FIELDS, Field

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray


def columns_for(channels: Iterable[str]) -> list[tuple[str, str, Field]]:
    """Header, channel and field of each column: the surroundings first, then section by section.

    Channels that a recording has no column for (the rig's supply) are left out.

    >>> [header for header, _, _ in columns_for(["a.height", "rig.supply_voltage", "a.pressure"])]
    ['a.pressure_kPa', 'a.height_mm']
    """
    given = list(dict.fromkeys(channels))
    sections = dict.fromkeys(name.rpartition(".")[0] for name in given)
    sections.pop("ambient", None)
    wanted = [("ambient", field) for field in AMBIENT_FIELDS]
    wanted += [(section, field) for section in sections for field in FIELDS]
    return [
        (f"{section}.{field.ending}", channel, field)
        for section, field in wanted
        if (channel := f"{section}.{field.channel}") in given
    ]


class RecordingWriter:
    """Writes readings in SI as rows of a recording, block by block."""

    def __init__(self, file: IO[str], channels: Iterable[str]) -> None:
        """Write the header. `channels` are all that will come; each block may have fewer."""
        self._file = file
        self._columns = columns_for(channels)
        self.rows = 0
        file.write(",".join(["time", *(header for header, _, _ in self._columns)]) + "\n")

    def write(self, utc_us: NDArray[np.int64], names: Sequence[str], values: NDArray[np.float64]) -> None:
        """Append rows: labels in µs, values (n, k) in SI by `names`; NaN becomes an empty cell."""
        if not len(utc_us):
            return
        labels = np.datetime_as_string((utc_us // 1000).astype("datetime64[ms]")).tolist()
        cells: list[Sequence[str]] = [[f"{label}Z" for label in labels]]
        for _, channel, field in self._columns:
            if channel in names:
                numbers = (values[:, names.index(channel)] - field.offset) / field.factor
                cells.append(_texts(numbers, field.decimals))
            else:
                cells.append([""] * len(labels))
        self._file.write("\n".join(map(",".join, zip(*cells, strict=True))) + "\n")
        self.rows += len(labels)


def _texts(numbers: NDArray[np.float64], decimals: int) -> list[str]:
    text = f"%.{decimals}f"
    return ["" if number != number else text % number for number in numbers.tolist()]  # noqa: PLR0124  NaN
