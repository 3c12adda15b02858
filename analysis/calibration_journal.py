"""Points of a calibration from a journal, by its counts: while the reference stood still, or over a run of temperature.

Stretch   2026-11-02T10:00:00Z/2026-11-02T10:02:00Z = 8 bar     the readings of two minutes, averaged, are one point
Run       2026-11-02T18:00:00Z/2026-11-03T06:00:00Z = 0 bar     a night, the transducer open to the air: many points,
                                                                each with the temperature of the air
          … = air                                               an absolute one: the reference is the barometer
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.autocorrelation import Mean, mean_of
from analysis.calibration import LEAST_SPAN_K
from analysis.calibration_model import CalibrationError, Point
from analysis.calibration_points import Reference, right_side, sides
from analysis.export import label_offset_us
from analysis.quantities import shown
from logger.channels import Conversion, Quality
from logger.clock import us_from_utc
from logger.journal_reader import JournalReader, reaches_us
from logger.samples import sample_blocks
from logger.settings import NO_CALIBRATION
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from logger.settings import ChannelQuantity, ChannelSettings, Settings

    Floats = NDArray[np.float64]

AIR_TEMPERATURE, AIR_PRESSURE = "ambient.temperature", "ambient.pressure"
LEAST_READINGS = 3
"""Fewer good readings than this are no point (own choice)."""
SHORTEST_SLICE_us = 600_000_000
MOST_SLICES = 24
"""A run is cut into slices of ten minutes, or so many if that would be more (own choice)."""
_PORTION = 5000
_WARM_UP_us = 60_000_000
"""Conversion begins so long before a stretch: the supply is known by then."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time in a journal; `right` is None where the reference is the barometer."""

    begin_us: int
    end_us: int
    right: Reference | None
    text: str


def typed_stretch(text: str, quantity: ChannelQuantity, run: bool = False) -> Stretch:
    """A stretch as it is typed: `begin/end = true`, then as for a point; a run may say `= air`."""
    example = "2026-11-02T10:00:00Z/2026-11-02T10:02:00Z = 8 bar"
    times, right = sides(text, example)
    begin, slash, end = times.partition("/")
    if not slash:
        raise CalibrationError(f"'{text}' is no stretch like '{example}'")
    begin_us, end_us = _moment_us(begin.strip(), text), _moment_us(end.strip(), text)
    if not begin_us < end_us:
        raise CalibrationError(f"'{text}': ends before it begins")
    if run and right.strip() == "air":
        if quantity != "pressure_Pa":
            raise CalibrationError(f"'{text}': only a pressure can be that of the air")
        return Stretch(begin_us, end_us, None, text)
    reference = right_side(right, quantity, text)
    if run and reference.temperature_K is not None:
        raise CalibrationError(f"'{text}': a run takes its temperatures from {AIR_TEMPERATURE}")
    return Stretch(begin_us, end_us, reference, text)


def _moment_us(text: str, whole: str) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CalibrationError(f"'{whole}': '{text}' is no time like 2026-11-02T10:00:00Z") from None
    if moment.tzinfo is None:
        raise CalibrationError(f"'{whole}': '{text}' has no zone; write …Z or …+01:00")
    return us_from_utc(moment)


def points_from_journal(
    path: Path,
    stretches: Sequence[Stretch],
    runs: Sequence[Stretch],
    settings: Settings,
    name: str,
    channel: ChannelSettings,
) -> list[Point]:
    """The channel's points in each stretch and run, without its calibration; raises CalibrationError."""
    bare = replace(
        settings, channels={**settings.channels, name: replace(channel, calibration=NO_CALIBRATION)}
    )
    with JournalReader(path) as reader:
        if not any(name in boot.channels for boot in reader.boots().values()):
            raise CalibrationError(f"{path}: its rig has no channel {name}")
        points = [_stretch_point(reader, stretch, bare, name, channel.quantity) for stretch in stretches]
        for run in runs:
            points += _run_points(reader, run, bare, name)
    return points


class _Readings(NamedTuple):
    """Good readings of a stretch by channel, on one time axis; NaN where there is none."""

    rig_us: NDArray[np.int64]
    values: dict[str, Floats]
    faults: frozenset[str]
    """What was wrong with the others of the first channel."""


def _read(reader: JournalReader, stretch: Stretch, settings: Settings, names: Sequence[str]) -> _Readings:
    boots, newest = reader.boots(), reader.newest()
    times: list[NDArray[np.int64]] = [np.zeros(0, np.int64)]
    columns: dict[str, list[Floats]] = {name: [np.zeros(0)] for name in names}
    faults: set[str] = set()
    if newest is None:
        return _Readings(times[0], {name: parts[0] for name, parts in columns.items()}, frozenset())
    # the same labels as an export has, from which people take their times
    label_us = label_offset_us(reader, newest, stretch.end_us)
    begin_us, end_us = stretch.begin_us - label_us, stretch.end_us - label_us
    reader.seek(begin_us - _WARM_UP_us)
    conversion = Conversion(settings)
    while entries := reader.read(_PORTION):
        for block in sample_blocks(entries, boots):
            si = conversion.convert(block)
            inside = (si.rig_us >= begin_us) & (si.rig_us <= end_us)
            times.append(si.rig_us[inside])
            good = si.good()[inside]
            for name, parts in columns.items():
                there = name in si.names
                parts.append(good[:, si.names.index(name)] if there else np.full(len(good), np.nan))
            if names[0] in si.names:
                quality = si.quality[inside, si.names.index(names[0])]
                faults |= {Quality(q).name.lower().replace("_", " ") for q in quality if q}
        reached_us = reaches_us(entries)
        if reached_us is not None and reached_us > end_us:
            break
    joined = {name: np.concatenate(parts) for name, parts in columns.items()}
    return _Readings(np.concatenate(times), joined, frozenset(faults))


def _good(values: Floats) -> Floats:
    return np.asarray(values[~np.isnan(values)], np.float64)


def _stretch_point(
    reader: JournalReader, stretch: Stretch, settings: Settings, name: str, quantity: ChannelQuantity
) -> Point:
    read = _read(reader, stretch, settings, [name])
    readings = _good(read.values[name])
    _check_enough(len(readings), name, stretch, read.faults)
    _check_still(readings, stretch, quantity)
    mean = mean_of(readings)
    true, uncertainty, temperature_K = stretch.right or Reference(math.nan, None, None)
    return _point(mean, Reference(true, uncertainty, temperature_K), len(readings))


def _point(mean: Mean, reference: Reference, readings: int) -> Point:
    return Point(mean.value, *reference, mean.uncertainty, readings, mean.deviation)


def _check_enough(count: int, name: str, stretch: Stretch, faults: frozenset[str] = frozenset()) -> None:
    if count < LEAST_READINGS:
        why = f" ({', '.join(sorted(faults))})" if faults else ""
        raise CalibrationError(f"'{stretch.text}': {count} good readings of {name} in that time{why}")


def _check_still(readings: Floats, stretch: Stretch, quantity: ChannelQuantity) -> None:
    """Refuse a stretch in which the reading was still on its way: its halves differ by more than it scatters."""
    half = len(readings) // 2
    first, second = float(readings[:half].mean()), float(readings[half:].mean())
    scatter = float(np.std(np.diff(readings))) / math.sqrt(2.0)
    steps = np.diff(np.unique(readings))
    # a reading that goes back and forth between two counts stands
    step = float(steps.min()) if len(steps) else 0.0
    if half >= LEAST_READINGS and abs(second - first) > max(5.0 * scatter, 2.0 * step):
        raise CalibrationError(
            f"'{stretch.text}': the reading moved from {shown(first, quantity)} to {shown(second, quantity)} in that "
            "time; wait until it stands"
        )


def _run_points(reader: JournalReader, run: Stretch, settings: Settings, name: str) -> list[Point]:
    """A point for each slice of a run that has readings of the channel and of the air."""
    names = [name, AIR_TEMPERATURE, *([AIR_PRESSURE] if run.right is None else [])]
    read = _read(reader, run, settings, names)
    for channel in names:
        faults = read.faults if channel == name else frozenset[str]()
        _check_enough(len(_good(read.values[channel])), channel, run, faults)
    slice_us = max(SHORTEST_SLICE_us, (run.end_us - run.begin_us) // MOST_SLICES + 1)
    place = (read.rig_us - read.rig_us[0]) // slice_us
    points: list[Point] = []
    for number in np.unique(place).tolist():
        inside = {channel: _good(values[place == number]) for channel, values in read.values.items()}
        if min(len(values) for values in inside.values()) < LEAST_READINGS:
            continue
        mean = mean_of(inside[name])
        true, uncertainty = (run.right.true, run.right.uncertainty) if run.right else (0.0, None)
        if run.right is None:
            true = float(inside[AIR_PRESSURE].mean())
        warm_K = float(inside[AIR_TEMPERATURE].mean())
        points.append(_point(mean, Reference(true, uncertainty, warm_K), len(inside[name])))
    kelvins = [point.temperature_K or math.nan for point in points]
    if len(points) < 3 or max(kelvins) - min(kelvins) < LEAST_SPAN_K:
        low, high = (f"{(f(kelvins) if kelvins else math.nan) - ZERO_CELSIUS_K:.1f} °C" for f in (min, max))
        raise CalibrationError(
            f"'{run.text}': the air went from {low} to {high} in that time; a run needs {LEAST_SPAN_K:g} K"
        )
    return points
