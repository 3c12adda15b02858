"""What a journal holds of the hours before a soak: the air that the gas came from, and its pressure on the way."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from logger.channels import SiBlock
    from logger.conversions import Conversions
    from logger.journal_reader import JournalReader
    from logger.journal_schema import BootRecord, Entry

Array = NDArray[np.float64]

LOOK_BACK_s: Final = 6.0 * 3600.0
"""Nearly three times the longest lag that is weighed: what the air did before that the gas has forgotten (own choice)."""
REBOOT_GAP_s: Final = 3600.0
"""Rig time across a reboot rests on the computer's clock; across a longer silence it isn't trusted (own choice)."""
US: Final = 1e6


def earlier_entries(reader: JournalReader, entry: int) -> Iterator[list[Entry]]:
    """Read the entries of the hours up to this one, in portions; the reader's cursor moves on."""
    last = reader.newest(up_to=entry)
    if last is None:
        return
    reader.seek(last.rig_us - round(LOOK_BACK_s * US))
    while reader.cursor < entry and (entries := reader.read()):
        yield [one for one in entries if one.id <= entry]


class Earlier:
    """Collects the entries before a soak, converted as the soak's own are."""

    def __init__(self, conversions: Conversions) -> None:
        """`conversions`: of their own, so that what was stuck before the begin changes no reading after it."""
        self.conversions = conversions
        self._parts: list[tuple[int | None, SiBlock]] = []

    def take(self, entries: Sequence[Entry], boots: dict[int, BootRecord]) -> None:
        """Take entries in the journal's order, however many at a time."""
        data = (entry for entry in entries if entry.kind == "D")
        for boot, run in groupby(data, key=lambda entry: entry.boot_id):
            self._parts += [(boot, block) for block in self.conversions.convert(list(run), boots)]

    def rows(self, first_us: int, boot: int | None) -> tuple[Array, dict[str, Array]] | None:
        """Return times (n,) since `first_us` and values (n,) by channel, as `SoakAnalysis.feed` takes them.

        `first_us`, `boot`: rig time and boot of the soak's first row. None: there are no rows that count.
        """
        from_us = first_us - LOOK_BACK_s * US
        counted: list[tuple[Array, SiBlock, NDArray[np.bool_]]] = []
        for its_boot, block in reversed(self._parts):
            inside = (block.rig_us >= from_us) & (block.rig_us < first_us)
            if not inside.any():
                continue
            time_s = (block.rig_us[inside] - first_us) / US
            until_s = counted[0][0][0] if counted else 0.0
            if its_boot != boot and until_s - time_s[-1] > REBOOT_GAP_s:
                break
            counted.insert(0, (time_s, block, inside))
            boot = its_boot
        if not counted:
            return None
        names = dict.fromkeys(name for _, block, _ in counted for name in block.names)
        time_s = np.concatenate([one for one, _, _ in counted])
        values = {name: np.full(len(time_s), np.nan) for name in names}
        begin = 0
        for times, block, inside in counted:
            good = block.good()[inside]
            for k, name in enumerate(block.names):
                values[name][begin : begin + len(times)] = good[:, k]
            begin += len(times)
        return time_s, values
