"""Where the points of a calibration come from: typed, from a CSV file, or from a journal while the reference stood still.

Typed                 8.03 bar = 8 bar             also: 8.03 bar = 8 bar ± 4 mbar @ -11.5 degC
From a journal        2026-11-02T10:00:00Z/2026-11-02T10:02:00Z = 8 bar        the readings of two minutes, averaged
CSV, one row a point  read_bar,true_bar,uncertainty_bar,temperature_degC       the last two columns may be missing

Rows of a file that follow one another with the same reference and temperature are one point, their mean; its uncertainty
takes into account that such readings resemble one another.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.autocorrelation import mean_of
from analysis.calibration import Point
from analysis.calibration_checks import CalibrationError
from analysis.export import label_offset_us
from analysis.quantities import DISPLAYS, shown
from logger import units
from logger.channels import Conversion, Quality
from logger.clock import us_from_utc
from logger.convert import through_points
from logger.journal_reader import JournalReader, sample_blocks
from logger.settings import NO_CALIBRATION

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from logger.settings import Calibration, ChannelQuantity, ChannelSettings, Settings

_COLUMNS = ("read", "true", "uncertainty", "temperature")
_HEADER = re.compile(r"(\w+?)_(\S.*)")
_PORTION = 5000
_WARM_UP_us = 60_000_000
"""Conversion begins so long before a stretch: the supply is known by then."""
LEAST_READINGS = 3
"""Fewer good readings in a stretch of a journal than this are no point (own choice)."""


class _True(NamedTuple):
    """The right side of a point: the reference, its own standard uncertainty, the temperature."""

    true: float
    uncertainty: float | None
    temperature_K: float | None


def typed_point(text: str, quantity: ChannelQuantity) -> Point:
    """A point as it is typed: `read = true`, then perhaps `± uncertainty` and `@ temperature`.

    >>> typed_point("8.03 bar = 8 bar ± 4 mbar @ -11.5 degC", "pressure_Pa").true
    800000.0
    """
    read, right = _sides(text, "8.03 bar = 8 bar")
    return Point(_quantity(read, quantity, text), *_right(right, quantity, text))


def _sides(text: str, example: str) -> tuple[str, str]:
    left, equals, right = text.partition("=")
    if not equals or "=" in right:
        raise CalibrationError(
            f"'{text}' is no point like '{example}' (what was read = what the reference says)"
        )
    return left, right


def _right(text: str, quantity: ChannelQuantity, whole: str) -> _True:
    text, at, temperature = text.partition("@")
    true, sign, uncertainty = text.replace("+/-", "±").replace("+-", "±").partition("±")
    return _True(
        _quantity(true, quantity, whole),
        _difference(uncertainty, quantity, whole) if sign else None,
        _read(temperature, units.TEMPERATURE, whole) if at else None,
    )


def _quantity(text: str, quantity: ChannelQuantity, whole: str) -> float:
    return _read(text, DISPLAYS[quantity].kind, whole)


def _difference(text: str, quantity: ChannelQuantity, whole: str) -> float:
    return _read(text, DISPLAYS[quantity].difference_kind, whole)


def _read(text: str, kind: units.Kind, whole: str) -> float:
    try:
        return units.quantity(text.strip(), kind)
    except units.UnitError as error:
        raise CalibrationError(f"'{whole.strip()}': {error}") from None


def points_from_file(path: Path, quantity: ChannelQuantity) -> list[Point]:
    """Points from a CSV file; raises CalibrationError with file, row, column and reason."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise CalibrationError(f"{path}: is not UTF-8 text (byte {error.start})") from None
    lines = ((number, line) for number, line in enumerate(csv.reader(text.splitlines()), 1))
    rows = [(number, cells) for number, cells in lines if any(cell.strip() for cell in cells)]
    if not rows:
        raise CalibrationError(f"{path}: is empty")
    (number, header), *body = rows
    columns = _columns(path, number, header, quantity)
    points = [_row(path, number, cells, columns) for number, cells in body]
    if not points:
        raise CalibrationError(f"{path}: has no row but its header")
    return list(plateaus(points))


def _columns(
    path: Path, number: int, header: list[str], quantity: ChannelQuantity
) -> list[tuple[str, str, units.Kind]]:
    display = DISPLAYS[quantity]
    kinds = {"read": display.kind, "true": display.kind, "uncertainty": display.difference_kind}
    kinds["temperature"] = units.TEMPERATURE
    columns: list[tuple[str, str, units.Kind]] = []
    for cell in header:
        match = _HEADER.fullmatch(cell.strip())
        if match is None or match[1] not in kinds:
            example = display.unit.replace("degC", "degC")
            raise CalibrationError(
                f"{path}: row {number}: '{cell.strip()}' is no column like read_{example}, true_{example}, "
                f"uncertainty_{display.difference_unit} or temperature_degC"
            )
        if match[1] in (name for name, _, _ in columns):
            raise CalibrationError(f"{path}: row {number}: column {match[1]} is there twice")
        _cell(path, number, cell.strip(), "1", (match[1], match[2], kinds[match[1]]))
        columns.append((match[1], match[2], kinds[match[1]]))
    missing = {"read", "true"} - {name for name, _, _ in columns}
    if missing:
        raise CalibrationError(f"{path}: row {number}: column {min(missing)}_{display.unit} is missing")
    return columns


def _cell(path: Path, number: int, column: str, text: str, of: tuple[str, str, units.Kind]) -> float:
    try:
        return units.quantity(f"{text.strip()} {of[1]}", of[2])
    except units.UnitError as error:
        raise CalibrationError(f"{path}: row {number}, column {column}: {error}") from None


def _row(path: Path, number: int, cells: list[str], columns: list[tuple[str, str, units.Kind]]) -> Point:
    if len(cells) != len(columns):
        raise CalibrationError(f"{path}: row {number}: {len(cells)} cells, the header has {len(columns)}")
    values = {
        of[0]: _cell(path, number, f"{of[0]}_{of[1]}", text, of)
        for text, of in zip(cells, columns, strict=True)
        if text.strip()
    }
    for needed in ("read", "true"):
        if needed not in values:
            raise CalibrationError(f"{path}: row {number}: no {needed} value")
    return Point(values["read"], values["true"], values.get("uncertainty"), values.get("temperature"))


def plateaus(points: Iterable[Point]) -> Iterator[Point]:
    """Points in a row with the same reference become one: the mean, with the uncertainty of that mean."""
    for _, run in itertools.groupby(points, key=lambda p: (p.true, p.uncertainty, p.temperature_K)):
        members = list(run)
        if len(members) == 1:
            yield members[0]
            continue
        mean = mean_of([point.read for point in members])
        yield replace(members[0], read=mean.value, scatter=mean.uncertainty, readings=len(members))


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time in a journal during which the reference stood still."""

    begin_us: int
    end_us: int
    right: _True
    text: str


def typed_stretch(text: str, quantity: ChannelQuantity) -> Stretch:
    """A stretch as it is typed: `begin/end = true`, then as for a point."""
    example = "2026-11-02T10:00:00Z/2026-11-02T10:02:00Z = 8 bar"
    times, right = _sides(text, example)
    begin, slash, end = times.partition("/")
    if not slash:
        raise CalibrationError(f"'{text}' is no stretch like '{example}'")
    begin_us, end_us = _moment_us(begin.strip(), text), _moment_us(end.strip(), text)
    if not begin_us < end_us:
        raise CalibrationError(f"'{text}': ends before it begins")
    return Stretch(begin_us, end_us, _right(right, quantity, text), text)


def _moment_us(text: str, whole: str) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CalibrationError(f"'{whole}': '{text}' is no time like 2026-11-02T10:00:00Z") from None
    if moment.tzinfo is None:
        raise CalibrationError(f"'{whole}': '{text}' has no zone; write …Z or …+01:00")
    return us_from_utc(moment)


def points_from_journal(
    path: Path, stretches: Sequence[Stretch], settings: Settings, name: str, channel: ChannelSettings
) -> list[Point]:
    """The mean reading of a channel in each stretch, without its calibration; raises CalibrationError."""
    bare = replace(
        settings, channels={**settings.channels, name: replace(channel, calibration=NO_CALIBRATION)}
    )
    with JournalReader(path) as reader:
        if not any(name in boot.channels for boot in reader.boots().values()):
            raise CalibrationError(f"{path}: its rig has no channel {name}")
        return [_stretch_point(reader, stretch, bare, name, channel.quantity) for stretch in stretches]


def _stretch_point(
    reader: JournalReader, stretch: Stretch, settings: Settings, name: str, quantity: ChannelQuantity
) -> Point:
    boots, newest = reader.boots(), reader.newest()
    good: list[NDArray[np.float64]] = []
    bad: set[str] = set()
    if newest is not None:
        # the same labels as an export has, from which people take their times
        label_us = label_offset_us(reader, newest, stretch.end_us)
        begin_us, end_us = stretch.begin_us - label_us, stretch.end_us - label_us
        reader.seek(begin_us - _WARM_UP_us)
    conversion = Conversion(settings)
    while newest is not None and (entries := reader.read(_PORTION)):
        for block in sample_blocks(entries, boots):
            si = conversion.convert(block)
            if name not in si.names:
                continue
            column = si.names.index(name)
            inside = (si.rig_us >= begin_us) & (si.rig_us <= end_us)
            fine = inside & (si.quality[:, column] == Quality.GOOD)
            good.append(si.values[fine, column])
            bad |= {Quality(q).name.lower().replace("_", " ") for q in si.quality[inside & ~fine, column]}
        if entries[-1].rig_us > end_us:
            break
    readings = np.concatenate(good) if good else np.zeros(0)
    if len(readings) < LEAST_READINGS:
        why = f" ({', '.join(sorted(bad))})" if bad else ""
        raise CalibrationError(f"'{stretch.text}': {len(readings)} good readings of {name} in that time{why}")
    _check_still(readings, stretch, quantity)
    mean = mean_of(readings)
    return Point(mean.value, *stretch.right, mean.uncertainty, len(readings))


def _check_still(readings: NDArray[np.float64], stretch: Stretch, quantity: ChannelQuantity) -> None:
    """Refuse a stretch in which the reading was still on its way: its halves differ by more than it scatters."""
    half = len(readings) // 2
    first, second = readings[:half], readings[half:]
    scatter = math.hypot(
        float(np.std(np.diff(readings))) / math.sqrt(2.0), 1e-6 * abs(float(readings.mean()))
    )
    moved = float(second.mean() - first.mean())
    if half >= LEAST_READINGS and abs(moved) > 5.0 * scatter:
        raise CalibrationError(
            f"'{stretch.text}': the reading moved from {shown(float(first.mean()), quantity)} to "
            f"{shown(float(second.mean()), quantity)} in that time; wait until it stands"
        )


def without(calibration: Calibration, points: Sequence[Point]) -> list[Point]:
    """Points whose readings were corrected by a calibration, as they would have been read without it."""
    if calibration.points:
        swapped = [(true, read) for read, true in calibration.points]
        bare = through_points(np.array([point.read for point in points]), swapped).tolist()
    else:
        bare = [(point.read - calibration.zero) / calibration.span for point in points]
    return [replace(point, read=read) for point, read in zip(points, bare, strict=True)]
