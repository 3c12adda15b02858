"""The last samples of a rig, and what they say per channel: value, noise, quality, rate. Pure.

Noise is the standard deviation of one reading, from the differences of neighbours: sd(difference)/√2. A slow drift,
such as gas that cools, moves it hardly at all, where the plain standard deviation would take it for noise.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from logger.channel_settings import quantity_of
from logger.channels import Conversion, Quality
from logger.protocol import OVER, UNDER
from logger.samples import SampleBlock

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logger.channels import SiBlock
    from logger.protocol import Identity, Sample, Value
    from logger.settings import Settings

SAMPLES: Final = 60
"""How many samples the noise is taken from."""
FEWEST: Final = 5
JUMP: Final = 6.0
_WRAP: Final = 2**32
UNITS: Final = {"pressure_Pa": "Pa", "temperature_K": "K", "length_m": "m", "voltage_V": "V"}


class Noise(NamedTuple):
    """Standard deviation of one reading, and how many jumps were left out of it."""

    one_reading: float
    jumps: int


@dataclass(frozen=True, slots=True)
class ChannelReading:
    """One channel: the last sample's, and what the window says of it. `unit` is SI; None: not to be had."""

    name: str
    raw: Value
    value: float | None
    unit: str | None
    quality: str
    noise_counts: float | None
    noise: float | None
    jumps: int
    good_share: float

    def as_dict(self) -> dict[str, object]:
        """For JSON."""
        return {
            "channel": self.name,
            "raw": self.raw,
            "value": self.value,
            "unit": self.unit,
            "quality": self.quality,
            "noise_counts": self.noise_counts,
            "noise": self.noise,
            "jumps": self.jumps,
            "good_share": self.good_share,
        }


@dataclass(frozen=True, slots=True)
class Picture:
    """All channels, and how the samples come in."""

    rig: str
    firmware: str
    channels: tuple[ChannelReading, ...]
    samples: int
    seq: int
    rate_per_s: float | None
    period_ms: int
    missing: int
    refused: int

    def as_dict(self) -> dict[str, object]:
        """For JSON."""
        return {
            "cornerhold": "bench/1",
            "rig": self.rig,
            "firmware": self.firmware,
            "samples": self.samples,
            "seq": self.seq,
            "rate_per_s": self.rate_per_s,
            "period_ms": self.period_ms,
            "missing": self.missing,
            "refused": self.refused,
            "channels": [channel.as_dict() for channel in self.channels],
        }


class Window:
    """The last samples of one boot of a rig."""

    def __init__(self, identity: Identity, settings: Settings, samples: int = SAMPLES) -> None:
        """Nothing has come yet."""
        self.identity = identity
        self._conversion = Conversion(settings)
        self._samples: deque[Sample] = deque(maxlen=samples)
        self._converted: deque[SiBlock] = deque(maxlen=samples)
        self._rig_us = 0
        self.missing = 0

    def take(self, sample: Sample) -> bool:
        """Take the next sample; False if it isn't one of this rig's boot, or no later than the last."""
        who = self.identity
        if sample.boot != who.boot or sample.width != len(who.channels):
            return False
        if self._samples:
            last = self._samples[-1]
            if sample.seq <= last.seq:
                return False
            self.missing += sample.seq - last.seq - 1
            self._rig_us += (sample.uptime_ms - last.uptime_ms) % _WRAP * 1000
        self._samples.append(sample)
        self._converted.append(self._conversion.convert(block_of(sample, who.channels, self._rig_us)))
        return True

    def picture(self, refused: int = 0) -> Picture | None:
        """What there is to see; None before the first sample. `refused`: lines that were no good."""
        if not self._samples:
            return None
        si = self._converted[-1]
        columns = {name: k for k, name in enumerate(si.names)}
        channels = tuple(
            self._reading(place, name, columns.get(name)) for place, name in enumerate(self.identity.channels)
        )
        last, who = self._samples[-1], self.identity
        return Picture(
            who.rig,
            who.firmware,
            channels,
            len(self._samples),
            last.seq,
            self._rate_per_s(),
            who.period_ms,
            self.missing,
            refused,
        )

    def _rate_per_s(self) -> float | None:
        first, last = self._samples[0], self._samples[-1]
        passed_ms = (last.uptime_ms - first.uptime_ms) % _WRAP
        return 1e3 * (last.seq - first.seq) / passed_ms if passed_ms else None

    def _reading(self, place: int, name: str, column: int | None) -> ChannelReading:
        counts = [sample.values[place] for sample in self._samples]
        numbers = np.array([float(c) if isinstance(c, int) else np.nan for c in counts])
        in_counts = noise_of(numbers)
        noise_counts, jumps = in_counts or (None, 0)
        quantity = quantity_of(name)
        if column is None or quantity is None:
            return ChannelReading(name, counts[-1], None, None, "unknown", noise_counts, None, jumps, 0.0)
        values = np.array([block.values[0, column] for block in self._converted])
        good = np.array([block.quality[0, column] == Quality.GOOD for block in self._converted])
        in_si = noise_of(np.where(good, values, np.nan))
        value = float(values[-1])
        return ChannelReading(
            name,
            counts[-1],
            None if np.isnan(value) else value,
            UNITS[quantity],
            Quality(int(self._converted[-1].quality[0, column])).name.lower().replace("_", " "),
            noise_counts,
            None if in_si is None else in_si.one_reading,
            jumps,
            float(good.mean()),
        )


def noise_of(values: NDArray[np.float64]) -> Noise | None:
    """Noise of one reading and jumps among `values`, NaN left out; None if they are too few.

    A jump is a difference of more than six times the usual (by the median deviation, which single ones don't bend). It is
    counted and left out of the noise. A spike is two of them, there and back, and counts once.

    >>> noise_of(np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]))
    Noise(one_reading=0.0, jumps=0)
    """
    there = values[~np.isnan(values)]
    if len(there) < FEWEST:
        return None
    steps = np.diff(there)
    # a steady drift is the middle of the differences, and goes off with it
    off = np.abs(steps - np.median(steps))
    usual = 1.4826 * float(np.median(off)) or float(np.std(steps))
    kept = steps[off <= JUMP * usual]
    jumps = (len(steps) - len(kept) + 1) // 2
    return Noise(float(np.std(kept, ddof=1) / np.sqrt(2.0)), jumps) if len(kept) > 1 else None


def block_of(sample: Sample, channels: tuple[str, ...], rig_us: int) -> SampleBlock:
    """One sample as the arrays that the conversion takes."""
    time_us = np.array([rig_us], np.int64)
    raw = [[float(value) if isinstance(value, int) else np.nan for value in sample.values]]
    return SampleBlock(
        time_us,
        time_us,
        channels,
        np.array(raw),
        np.array([[value == OVER for value in sample.values]]),
        np.array([[value == UNDER for value in sample.values]]),
    )
