"""Raw samples to SI, each value with its quality.

What is known of a channel (converter, calibration, plausible limits) is in its table in the settings or in
the defaults of `channel_settings.py`. A value that is not good is never silently a number: where the signal
means nothing (open, short, missing) the value is NaN; where it is a number that can't be trusted (out of
range, stuck) the number is there beside its flag.

A ratiometric signal is divided by the measured supply wherever the rig measures it. While a single supply
reading is missing the last one holds; taking 5.000 V for a supply of 4.900 V would be 2 % of the reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from logger import convert
from logger.channel_settings import NTC_10K, default_channel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logger.samples import SampleBlock
    from logger.settings import Calibration, ChannelSettings, Settings

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Qualities = NDArray[np.uint8]

RATIOMETRIC_FAULT = (0.04, 0.96)
"""Below and above these shares of the supply the signal wire or the sensor's supply is open or short: the
bands that a maker's tutorial on such interfaces gives."""
LOOP_MEASURING_A = (3.8e-3, 20.5e-3)
LOOP_FAULT_A = (3.6e-3, 21.0e-3)
"""NAMUR NE 43, as four secondary sources print it: what is at or beyond a fault limit is no measurement."""
_NANO_A = 1e-9
"""A current on a limit is on it, whatever the last bit says."""
RESISTIVE_FAULT = (0.005, 0.995)
"""Shares of the supply at a thermistor or Pt1000 divider: beyond, it is a short or an open circuit (own
choice; with 10 kΩ above, 50 Ω and 2 MΩ)."""
RANGE_MARGIN = 0.025
"""How far beyond its range, as a share of it, a transducer is believed (common practice, no source)."""
STUCK_SAMPLES = 20
"""Fewer identical samples than this prove nothing, however far apart they are (own choice)."""
LEAST_SUPPLY_V = 0.5
"""A supply reading below is no supply (own choice)."""


class Quality(IntEnum):
    """What a value is worth."""

    GOOD = 0
    OPEN = 1
    SHORT = 2
    OUT_OF_RANGE = 3
    STUCK = 4
    MISSING = 5


@dataclass(frozen=True, slots=True)
class SiBlock:
    """Samples in SI: values (n, k) in Pa, m, K or V by the channel's name, quality (n, k) by `Quality`."""

    rig_us: NDArray[np.int64]
    utc_us: NDArray[np.int64]
    names: tuple[str, ...]
    values: Floats
    quality: Qualities

    def __len__(self) -> int:
        """How many samples."""
        return len(self.rig_us)

    def good(self) -> Floats:
        """The values, NaN where they are not good."""
        return np.where(self.quality == Quality.GOOD, self.values, np.nan)


class Run(NamedTuple):
    """The run of identical counts that a channel is in."""

    counts: float
    since_us: int
    samples: int


def flag_stuck(
    counts: Floats, rig_us: NDArray[np.int64], after_us: float, run: Run | None
) -> tuple[Flags, Run | None]:
    """Which samples are in a run of identical counts that has lasted for `after_us` and `STUCK_SAMPLES`.

    Pure: the run at the end comes back, to be handed in with the next block, so that the flags don't depend
    on how the samples are cut into blocks. Samples without a count (NaN) neither break a run nor lengthen it.
    """
    flags = np.zeros(len(counts), np.bool_)
    there = np.flatnonzero(~np.isnan(counts))
    if not len(there):
        return flags, run
    seen, at_us = counts[there], rig_us[there]
    place = np.arange(len(seen))
    begins = np.concatenate(([True], seen[1:] != seen[:-1]))
    first = np.maximum.accumulate(np.where(begins, place, 0))
    since_us, length = at_us[first], place - first + 1
    if run is not None and run.counts == seen[0]:
        goes_on = first == 0
        since_us = np.where(goes_on, run.since_us, since_us)
        length = np.where(goes_on, length + run.samples, length)
    flags[there] = (at_us - since_us >= after_us) & (length >= STUCK_SAMPLES)
    return flags, Run(float(seen[-1]), int(since_us[-1]), int(length[-1]))


class Conversion:
    """Converts the blocks of one rig in order; remembers runs of identical counts and the last supply."""

    def __init__(self, settings: Settings) -> None:
        """Convert by these settings."""
        self.settings = settings
        self._runs: dict[str, Run | None] = {}
        self._supplies: dict[str, float] = {}
        self._channels: dict[str, ChannelSettings | None] = {}

    def convert(self, block: SampleBlock) -> SiBlock:
        """One block. Channels of unknown names are left out."""
        known: list[tuple[int, str, ChannelSettings]] = []
        for k, name in enumerate(block.channels):
            channel = self._channel(name)
            if channel is not None:
                known.append((k, name, channel))
        measured = {channel.supply_channel for _, _, channel in known if channel.supply_channel}
        supplies = {name: self._supply_V(block, name) for name in measured}
        values = np.full((len(block), len(known)), np.nan)
        quality = np.zeros((len(block), len(known)), np.uint8)
        for column, (k, name, channel) in enumerate(known):
            supply_V = supplies.get(channel.supply_channel or "")
            if supply_V is None:
                supply_V = np.full(len(block), channel.supply_V)
            value, flags = _convert(block, k, channel, supply_V)
            if channel.stuck_after_s is not None:
                stuck, self._runs[name] = flag_stuck(
                    block.raw[:, k], block.rig_us, channel.stuck_after_s * 1e6, self._runs.get(name)
                )
                flags[stuck & (flags == Quality.GOOD)] = Quality.STUCK
            values[:, column], quality[:, column] = value, flags
        return SiBlock(block.rig_us, block.utc_us, tuple(name for _, name, _ in known), values, quality)

    def _channel(self, name: str) -> ChannelSettings | None:
        if name not in self._channels:
            sensor = self.settings.sensor_of(name.rpartition(".")[0])
            self._channels[name] = self.settings.channels.get(name) or default_channel(name, sensor)
        return self._channels[name]

    def _supply_V(self, block: SampleBlock, name: str) -> Floats | None:
        """The measured supply, the last one holding while none is read; None if the rig has no such."""
        channel = self._channel(name)
        if name not in block.channels or channel is None:
            return None
        value, flags = _convert(block, block.channels.index(name), channel, np.full(len(block), np.nan))
        good = (flags == Quality.GOOD) & (value >= LEAST_SUPPLY_V)
        last = np.maximum.accumulate(np.where(good, np.arange(len(block)), -1))
        held = np.where(last >= 0, value[np.maximum(last, 0)], self._supplies.get(name, np.nan))
        if len(held):
            self._supplies[name] = float(held[-1])
        return held


def convert_block(block: SampleBlock, settings: Settings) -> SiBlock:
    """One block by itself; runs of identical counts that began before it are not known. See `Conversion`."""
    return Conversion(settings).convert(block)


def _convert(
    block: SampleBlock, k: int, channel: ChannelSettings, supply_V: Floats
) -> tuple[Floats, Qualities]:
    """SI values and qualities of one channel, without stuck."""
    raw = block.raw[:, k]
    beyond = np.where(block.over[:, k], np.inf, np.where(block.under[:, k], -np.inf, raw))
    signal = _signal(beyond, channel, supply_V)
    value = _calibrated(signal.value, channel.calibration)
    lowest, highest = _limits(channel)
    quality = np.full(len(raw), Quality.GOOD, np.uint8)
    plausible = np.isfinite(value) & (value >= lowest) & (value <= highest)
    quality[~plausible | signal.outside] = Quality.OUT_OF_RANGE
    low_is_open = channel.converter == "current_loop" or (
        channel.converter == "ratiometric" and channel.idle == "low"
    )
    quality[signal.low] = Quality.OPEN if low_is_open else Quality.SHORT
    quality[signal.high] = Quality.SHORT if low_is_open else Quality.OPEN
    quality[np.isnan(beyond) | (_needs_supply(channel) & np.isnan(supply_V))] = Quality.MISSING
    no_number = (quality != Quality.GOOD) & (quality != Quality.OUT_OF_RANGE)
    return np.where(no_number | ~np.isfinite(value), np.nan, value), quality


def _needs_supply(channel: ChannelSettings) -> bool:
    return channel.converter in {"ratiometric", "thermistor", "pt1000"}


class _Signal(NamedTuple):
    """What a signal means, and whether it is in the low or high fault band or outside its measuring range."""

    value: Floats
    low: Flags
    high: Flags
    outside: Flags


def _signal(counts: Floats, channel: ChannelSettings, supply_V: Floats) -> _Signal:
    """The signal of one channel; counts over and under the converter's range come as ±∞."""
    no = np.zeros(len(counts), np.bool_)
    if channel.converter == "digital":
        bits = channel.signed_bits
        words = counts if bits is None else convert.twos_complement(counts, bits)
        return _Signal(channel.step * words + channel.offset, no, no, no)
    volts = counts * (channel.adc_step_V * channel.divider)
    if channel.converter == "linear":
        return _Signal(convert.straight(volts, channel.signal, channel.range or channel.signal), no, no, no)
    values = channel.range or (np.nan, np.nan)
    if channel.converter == "current_loop":
        current_A = volts / channel.shunt_ohm
        value = convert.straight(current_A, channel.signal, values)
        (least, most), (low, high) = LOOP_MEASURING_A, LOOP_FAULT_A
        outside = (current_A < least - _NANO_A) | (current_A > most + _NANO_A)
        return _Signal(value, current_A <= low + _NANO_A, current_A >= high - _NANO_A, outside)
    share = volts / supply_V
    if channel.converter == "ratiometric":
        value = convert.straight(share, channel.signal, values)
        low, high = RATIOMETRIC_FAULT
        # a potentiometer may use its whole supply: then there are no fault bands
        low_fault = (share < low) & (channel.signal[0] > low)
        return _Signal(value, low_fault, (share > high) & (channel.signal[1] < high), no)
    resistance_ohm = convert.lower_resistance_ohm(share, channel.pull_up_ohm)
    if channel.converter == "pt1000":
        value = convert.pt_temperature_K(resistance_ohm - channel.lead_ohm)
    else:
        value = convert.thermistor_temperature_K(resistance_ohm, channel.steinhart_hart or NTC_10K)
    return _Signal(value, share < RESISTIVE_FAULT[0], share > RESISTIVE_FAULT[1], no)


def _calibrated(value: Floats, calibration: Calibration) -> Floats:
    if calibration.points:
        return convert.through_points(value, calibration.points)
    return calibration.zero + calibration.span * value


def _limits(channel: ChannelSettings) -> tuple[float, float]:
    """Plausible values: as set, else the range and a little more."""
    if channel.limits is not None:
        return channel.limits
    if channel.range is None:
        return -np.inf, np.inf
    low, high = sorted(channel.range)
    margin = RANGE_MARGIN * (high - low)
    return low - margin, high + margin
