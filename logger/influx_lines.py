"""Readings as InfluxDB's line protocol: pure, samples in SI in, one line per section and sample out.

    readings,rig=bay-2,section=front_left,clock=0 pressure_Pa=812400,pressure_quality="good" 1800036000000001000

A field never changes its type: quantities are floats, counts are integers, qualities are texts. A reading that is not
good has no value: its quality says why. The point with the section `rig` has the sample's numbers, so that what is there
can be counted. The same sample always gives the same lines, so that one that is written twice is there once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from logger.channels import Quality
from logger.settings import QUANTITY_OF_ENDING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from logger.channels import SiBlock
    from logger.journal_schema import Entry

MEASUREMENT: Final = "readings"
CHECK: Final = "cornerhold_check"
"""The measurement of points that only try whether the server takes any."""
RIG_SECTION: Final = "rig"
"""The section under which a sample's own numbers stand, beside the rig's supply voltage."""
NUDGE_us: Final = 1_000_000
"""A label that goes back by less is moved on by a hair; one that goes back by more says that the clock was set back."""
_DIGITS: Final = 9
_WORDS: Final = {quality.value: f'"{quality.name.lower()}"' for quality in Quality}
_IN_TAGS: Final = str.maketrans({"\\": "/", ",": "\\,", "=": "\\=", " ": "\\ "})
"""A backslash before one of these means nothing definite to a server, so a tag has none."""


@dataclass(frozen=True, slots=True)
class Labels:
    """Times of points, made of the labels of samples: no two of a series are the same, and none ever moves.

    The computer's clock may be set back, and labels are then given twice. Since the time is part of a point's identity
    there, the second would wipe out the first. So what comes after such a step is told apart by the tag `clock`, which
    counts the steps; and where a label goes back by less than a second, it is put a microsecond after the one before.
    What comes out depends on the samples before, not on how they were cut into portions.
    """

    clock: int = 0
    label_us: int | None = None
    """The newest time since the last step back."""

    def after(self, utc_us: int) -> Labels:
        """Those after one more sample: its time is `label_us`, its tag `clock`.

        >>> labels = Labels().after(5_000_000)
        >>> labels.after(4_900_000), labels.after(1_000_000)
        (Labels(clock=0, label_us=5000001), Labels(clock=1, label_us=1000000))
        """
        last_us = self.label_us
        if last_us is None or utc_us > last_us:
            return Labels(self.clock, utc_us)
        if last_us - utc_us < NUDGE_us:
            return Labels(self.clock, last_us + 1)
        return Labels(self.clock + 1, utc_us)


def reading_lines(
    rig: str, block: SiBlock, entries: Sequence[Entry], labels: Labels
) -> tuple[list[str], Labels]:
    """The samples of a block as lines, section by section; `entries` (n,) are theirs in the journal.

    Also the labels after the last of them, for the next block.
    """
    times: list[Labels] = []
    for utc_us in block.utc_us:
        labels = labels.after(int(utc_us))
        times.append(labels)
    lines: list[str] = []
    columns = _columns(block.names)
    for section, channels in columns.items():
        head = f"{MEASUREMENT},rig={tag(rig)},section={tag(section)},clock="
        for row, (time, entry) in enumerate(zip(times, entries, strict=True)):
            fields = [_field(block, row, column, name, unit) for column, name, unit in channels]
            if section == RIG_SECTION:
                fields.append(f"entry={entry.id}i,seq={entry.seq or 0}i")
            lines.append(f"{head}{time.clock} {','.join(fields)} {time.label_us}000")
    return lines, labels


def check_line(rig: str, utc_us: int) -> str:
    """A point that no server has anything against: one number, of now.

    >>> print(check_line("bay-2", 1_800_000_000_000_000))
    cornerhold_check,rig=bay-2 microseconds=1800000000000000i 1800000000000000000
    """
    return f"{CHECK},rig={tag(rig)} microseconds={utc_us}i {utc_us}000"


def _columns(names: Sequence[str]) -> Mapping[str, list[tuple[int, str, str]]]:
    """By section: column, name and field of its channels. `rig` is always there."""
    out: dict[str, list[tuple[int, str, str]]] = {}
    for column, name in enumerate(names):
        section, _, ending = name.rpartition(".")
        out.setdefault(section, []).append((column, ending, field_name(ending)))
    out.setdefault(RIG_SECTION, [])
    return out


def field_name(ending: str) -> str:
    """The field of a channel by the last part of its name: with the unit.

    >>> field_name("pressure"), field_name("gas_temperature"), field_name("supply_voltage")
    ('pressure_Pa', 'gas_temperature_K', 'supply_voltage_V')
    """
    return f"{ending}_{QUANTITY_OF_ENDING[ending].rpartition('_')[2]}"


def _field(block: SiBlock, row: int, column: int, name: str, field: str) -> str:
    value, quality = float(block.values[row, column]), int(block.quality[row, column])
    if quality == Quality.GOOD and np.isfinite(value):
        # without a suffix it is a float, whatever it looks like
        return f'{field}={value:.{_DIGITS}g},{name}_quality="good"'
    return f"{name}_quality={_WORDS[quality if quality != Quality.GOOD else int(Quality.MISSING)]}"


def tag(text: str) -> str:
    """A tag's value, escaped and on one line.

    >>> print(tag("bay 2"))
    bay\\ 2
    """
    return " ".join(text.split()).translate(_IN_TAGS) or "-"


def text_field(text: str) -> str:
    """A field's text, quoted and on one line.

    >>> print(text_field('the "left" one'))
    "the \\"left\\" one"
    """
    escaped = " ".join(text.split()).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
