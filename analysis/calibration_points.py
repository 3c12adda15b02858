"""The points of a calibration as they are typed or written in a CSV file (from a journal: calibration_journal.py).

Typed                 8.03 bar = 8 bar             also: 8.03 bar = 8 bar ± 4 mbar @ -11.5 degC
CSV, one row a point  read_bar,true_bar,uncertainty_bar,temperature_degC       the last two columns may be missing

Rows of a file that follow one another with the same reference and temperature are one point, their mean; its uncertainty
takes into account that such readings resemble one another.
"""

from __future__ import annotations

import csv
import io
import itertools
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from analysis.autocorrelation import mean_of
from analysis.calibration_model import CalibrationError, Point
from analysis.quantities import DISPLAYS
from logger import units
from logger.bounded import file_bytes
from logger.convert import through_points

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from logger.settings import Calibration, ChannelQuantity

_COLUMNS = ("read", "true", "uncertainty", "temperature")
MOST_BYTES: Final = 8 * 2**20
MOST_ROWS: Final = 20_000
MOST_POINTS: Final = 1000
MOST_READ: Final = 1e10
"""In any SI unit; before means are taken of readings."""


class Reference(NamedTuple):
    """The right side of a point: the reference, its own standard uncertainty, the temperature."""

    true: float
    uncertainty: float | None
    temperature_K: float | None


def typed_point(text: str, quantity: ChannelQuantity) -> Point:
    """A point as it is typed: `read = true`, then perhaps `± uncertainty` and `@ temperature`.

    >>> typed_point("8.03 bar = 8 bar ± 4 mbar @ -11.5 degC", "pressure_Pa").true
    800000.0
    """
    read, right = sides(text, "8.03 bar = 8 bar")
    return Point(_quantity(read, quantity, text), *right_side(right, quantity, text))


def sides(text: str, example: str) -> tuple[str, str]:
    """The two sides of a point as it is typed."""
    left, equals, right = text.partition("=")
    if not equals or "=" in right:
        raise CalibrationError(
            f"'{text}' is no point like '{example}' (what was read = what the reference says)"
        )
    return left, right


def right_side(text: str, quantity: ChannelQuantity, whole: str) -> Reference:
    """The right side of a point: `true`, then perhaps `± uncertainty` and `@ temperature`."""
    text, at, temperature = text.partition("@")
    true, sign, uncertainty = text.replace("+/-", "±").replace("+-", "±").partition("±")
    return Reference(
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
        text = file_bytes(path, MOST_BYTES).decode("utf-8-sig")
        lines = enumerate(csv.reader(io.StringIO(text, newline=None)), 1)
        rows = [(number, cells) for number, cells in lines if any(cell.strip() for cell in cells)]
    except OSError as error:
        raise CalibrationError(f"{path}: can't be read: {error.strerror or error}") from None
    except UnicodeDecodeError as error:
        raise CalibrationError(f"{path}: is not UTF-8 text (byte {error.start})") from None
    except csv.Error as error:
        raise CalibrationError(f"{path}: is no CSV table ({error})") from None
    if len(rows) > MOST_ROWS:
        raise CalibrationError(
            f"{path}: has {len(rows)} rows, at most {MOST_ROWS} are read: give means of some seconds"
        )
    if not rows:
        raise CalibrationError(f"{path}: is empty")
    (number, header), *body = rows
    columns = _columns(path, number, header, quantity)
    points = [_row(path, number, cells, columns) for number, cells in body]
    far = next(
        (number for (number, _), point in zip(body, points, strict=True) if abs(point.read) > MOST_READ), None
    )
    if far is not None:
        raise CalibrationError(f"{path}: row {far}: a reading like that is beyond what can be")
    if not points:
        raise CalibrationError(f"{path}: has no row but its header")
    found = list(plateaus(points))
    if len(found) > MOST_POINTS:
        # with each row at another reference or temperature; the fit's memory grows with the square of them
        raise CalibrationError(
            f"{path}: makes {len(found)} points, at most {MOST_POINTS} are fitted: give means"
        )
    return found


def _columns(
    path: Path, number: int, header: list[str], quantity: ChannelQuantity
) -> list[tuple[str, str, units.Kind]]:
    display = DISPLAYS[quantity]
    kinds = {"read": display.kind, "true": display.kind, "uncertainty": display.difference_kind}
    kinds["temperature"] = units.TEMPERATURE
    columns: list[tuple[str, str, units.Kind]] = []
    for cell in header:
        what, _, unit = cell.strip().partition("_")
        if what not in kinds or not unit:
            example = display.unit.replace("degC", "degC")
            raise CalibrationError(
                f"{path}: row {number}: '{cell.strip()}' is no column like read_{example}, true_{example}, "
                f"uncertainty_{display.difference_unit} or temperature_degC"
            )
        if what in (name for name, _, _ in columns):
            raise CalibrationError(f"{path}: row {number}: column {what} is there twice")
        _cell(path, number, cell.strip(), "1", (what, unit, kinds[what]))
        columns.append((what, unit, kinds[what]))
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
        yield replace(
            members[0],
            read=mean.value,
            scatter=mean.uncertainty,
            readings=len(members),
            noise=mean.deviation,
        )


def without(calibration: Calibration, points: Sequence[Point]) -> list[Point]:
    """Points whose readings were corrected by a calibration, as they would have been read without it."""
    if calibration.points:
        swapped = [(true, read) for read, true in calibration.points]
        bare = through_points(np.array([point.read for point in points]), swapped).tolist()
    else:
        bare = [(point.read - calibration.zero) / calibration.span for point in points]
    return [replace(point, read=read) for point, read in zip(points, bare, strict=True)]
