"""Can these readings be? Doubts about what a soak's channels say, by physics, by the settings and by one another.

A doubt is a `Reason`: it makes no finding of its own, but nobody should call a section tight or leaking over it. The
same on every path (journal, recording, live), in constant memory, and whichever way the stream is cut. What is
nonsense from end to end is refused where a recording is read (analysis.plausible_units).
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.inputs import reference_Pa
from analysis.plausible_air import JUST_K, POWER_ON_K, AirJumps, is_power_on
from analysis.plausible_blocks import Array, BLOCK_s, BlockMaker, Extent, Spell
from analysis.plausible_support import Support
from analysis.reasons import Reason
from analysis.setup import setup_of
from analysis.wording import short_time
from logger.units import ZERO_CELSIUS_K, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.plausible_blocks import Block
    from analysis.reasons import Code
    from logger.settings import Settings

# Common practice, no source, unless said otherwise. Each has a margin: a doubt costs a verdict.
OVER_FULL_SCALE: Final = 1.01  # of full scale: an error band of 1 % (common in datasheets)
AT_THE_END: Final = 0.995  # of full scale, and without any change: the converter's end
HIGHEST_Pa: Final = 2.1e6  # gauge: springs are filled to 2–12 bar, system lines carry up to 20
# Gauge: no spring sucks; an empty one reads 0, a few kPa off by the weather and the zero.
LOWEST_Pa: Final = -30e3
PSI_Pa: Final = (60e3, 175e3)  # gauge: too little for a spring, and what 4–12 bar look like in psi
COLDEST_AIR_K: Final = ZERO_CELSIUS_K - 45.0  # where people park cars
WARMEST_AIR_K: Final = ZERO_CELSIUS_K + 55.0
COLDEST_GAS_K: Final = ZERO_CELSIUS_K - 50.0
WARMEST_GAS_K: Final = ZERO_CELSIUS_K + 100.0  # rubber doesn't last above
TRAVEL_m: Final = 0.25  # between bump and rebound in a wheel arch
BAROMETER_Pa: Final = (50e3, 110e3)  # 5,500 m up; the highest ever measured is 108.5 kPa (WMO)
BAROMETER_Pa_per_s: Final = 3e3 / 3600.0  # three times what the steepest storms do
SLOW_s: Final = 600.0  # between two readings
CLOCKS: Final = 1.02  # none is exact
SLOW_SHARE: Final = 0.5  # of the time
SLOW_GAPS: Final = 4  # fewer are gaps and no sampling
FEWEST_READINGS: Final = 24
LENGTH_FOR_FEW_s: Final = 4 * 3600.0
TWINS: Final = 0.99  # of the rows are equal
TWIN_CHANGES: Final = 20  # and changed alike so often


class Plausibility:
    """Feed rows in time order, ask for doubts at any time."""

    def __init__(
        self, settings: Settings, sections: tuple[str, ...], *, begin_utc: np.datetime64 | None = None
    ) -> None:
        """`begin_utc` is the label of time zero: with it the sentences tell the time of day."""
        count = len(sections)
        self.settings, self.sections, self.begin_utc = settings, sections, begin_utc
        self.columns = (
            *(f"{name}.pressure" for name in sections),
            *(f"{name}.height" for name in sections),
            *(f"{name}.gas_temperature" for name in sections),
            "ambient.temperature",
            "ambient.pressure",
        )
        setups = tuple(setup_of(settings, name) for name in sections)
        self.full_scale_Pa = np.array([s.full_scale_Pa for s in setups])
        self.to_gauge_Pa = reference_Pa(setups, STANDARD_ATMOSPHERE_Pa) - STANDARD_ATMOSPHERE_Pa
        self.blocks = BlockMaker()
        self.support = Support(settings, sections)
        self.jumps = AirJumps()
        self.held_Pa = Extent(count)
        self.over, self.ended, self.too_high, self.too_low, self.gas_off, self.gas_power_on = (
            [Spell(2) for _ in sections] for _ in range(6)
        )
        self.air_off, self.barometer_off, self.barometer_fast = Spell(2), Spell(2), Spell(2)
        self.air_power_on = Spell(6)
        self.barometer_last = (np.nan, np.nan)
        self.first_s = self.last_s = np.nan
        self.last_reading_s = np.full(count, np.nan)
        self.readings = np.zeros(count, dtype=np.intp)
        self.slow_s, self.spanned_s = np.zeros(count), np.zeros(count)
        self.slow_gaps = np.zeros(count, dtype=np.intp)
        self.last_Pa = np.full(count, np.nan)
        self.pairs = tuple(combinations(range(count), 2))
        self.left, self.right = (np.array([pair[k] for pair in self.pairs], dtype=np.intp) for k in (0, 1))
        self.compared, self.equal, self.changed = np.zeros((3, len(self.pairs)), dtype=np.intp)

    def feed(self, time_s: Array, rows: Mapping[str, Array]) -> None:
        """Take rows in time order: `time_s` (n,) since the begin, `rows` by channel name (n,), SI, NaN = no reading."""
        if len(time_s) == 0:
            return
        nothing = np.full(len(time_s), np.nan)
        table = np.stack([rows.get(name, nothing) for name in self.columns], axis=1)
        for block in self.blocks.feed(time_s, table):
            self._take(block)

    def finish(self) -> None:
        """Close the last block; not to be fed after this."""
        for block in self.blocks.finish():
            self._take(block)

    # -- blocks ----------------------------------------------------------------------------------------------

    def _take(self, block: Block) -> None:
        count = len(self.sections)
        pressure, height, gas = (block.middle[k * count : (k + 1) * count] for k in range(3))
        self.first_s = block.begin_s if np.isnan(self.first_s) else self.first_s
        self.last_s = block.end_s
        self._sampling(block)
        self._twins(block.rows[:, :count])
        self._pressures(block, pressure)
        for i, kelvin in enumerate(gas):
            power_on = _is_power_on(kelvin)
            self.gas_power_on[i].feed(block, kelvin, holds=power_on)
            off = not COLDEST_GAS_K <= kelvin <= WARMEST_GAS_K
            self.gas_off[i].feed(block, kelvin, holds=off and not power_on)
        air = self._air(block)
        self._barometer(block)
        self.support.feed(block, pressure, height, air)

    def _pressures(self, block: Block, pressure: Array) -> None:
        gauge = pressure + self.to_gauge_Pa
        self.held_Pa.feed(gauge)
        rows = block.rows[:, : len(pressure)]
        for i, reading in enumerate(pressure):
            full_scale = float(self.full_scale_Pa[i])
            self.over[i].feed(block, reading, holds=reading > OVER_FULL_SCALE * full_scale)
            self.ended[i].feed(
                block, reading, holds=reading >= AT_THE_END * full_scale and _is_flat(rows[:, i])
            )
            self.too_high[i].feed(block, gauge[i], holds=gauge[i] > HIGHEST_Pa)
            self.too_low[i].feed(block, gauge[i], holds=gauge[i] < LOWEST_Pa)

    def _air(self, block: Block) -> float:
        """Look at the air's temperature; return it where it can be believed."""
        kelvin = float(block.middle[-2])
        power_on = _is_power_on(kelvin)
        self.air_power_on.feed(block, kelvin, holds=power_on)
        off = not COLDEST_AIR_K <= kelvin <= WARMEST_AIR_K
        self.air_off.feed(block, kelvin, holds=off and not power_on)
        air = block.rows[:, -2]
        self.jumps.feed(block.time_s, np.where(is_power_on(air), np.nan, air))
        return np.nan if off or power_on else kelvin

    def _barometer(self, block: Block) -> None:
        pascal = float(block.middle[-1])
        if np.isnan(pascal):
            return
        low, high = BAROMETER_Pa
        self.barometer_off.feed(block, pascal, holds=not low <= pascal <= high)
        last_s, last_Pa = self.barometer_last
        steep = abs(pascal - last_Pa) > BAROMETER_Pa_per_s * max(block.end_s - last_s, BLOCK_s)
        # against the last calm value: one block that strays is none
        self.barometer_fast.feed(block, pascal, holds=bool(steep))
        if not steep or self.barometer_fast.length >= 2:
            self.barometer_last = (block.end_s, pascal)

    def _sampling(self, block: Block) -> None:
        heard = np.isfinite(block.rows[:, : len(self.sections)])
        for i in range(len(self.sections)):
            times = block.time_s if heard[:, i].all() else block.time_s[heard[:, i]]
            if not len(times):
                continue
            if np.isnan(self.last_reading_s[i]):
                self.last_reading_s[i] = times[0]
            self.spanned_s[i] += times[-1] - self.last_reading_s[i]
            self.readings[i] += len(times)
            # inside a block no gap can be so long: only the one from the block before
            gap_s = float(times[0] - self.last_reading_s[i])
            if gap_s > SLOW_s * CLOCKS:
                self.slow_s[i] += gap_s
                self.slow_gaps[i] += 1
            self.last_reading_s[i] = times[-1]

    def _twins(self, pressure: Array) -> None:
        table = np.vstack((self.last_Pa, pressure))
        moved = table[1:] != table[:-1]
        there = np.isfinite(table)
        moved &= there[1:] & there[:-1]
        left, right = self.left, self.right
        both = there[1:, left] & there[1:, right]
        same = pressure[:, left] == pressure[:, right]  # never where one is missing
        self.compared += both.sum(axis=0)
        self.equal += same.sum(axis=0)
        self.changed += (same & moved[:, left] & moved[:, right]).sum(axis=0)
        self.last_Pa = pressure[-1]

    # -- doubts ----------------------------------------------------------------------------------------------

    def doubts(self, section: str) -> list[Reason]:
        """Return what speaks against a section's readings so far, the gravest first; empty if nothing does."""
        i = self.sections.index(section)
        out: list[tuple[Code, str]] = [
            *(("implausible_input", text) for text in self._of_pressure(i)),
            *(("implausible_input", text) for text in self._of_surroundings()),
            *(("implausible_input", text) for text in self._of_height_and_gas(i)),
        ]
        contradiction = self.support.contradiction()
        if contradiction is not None:
            out.append(("wrong_support", f"{contradiction[0]} (since {self._moment(contradiction[1])})"))
        elif (stiff := self.support.stiff_heights()) is not None:
            out.append(("implausible_input", f"{stiff[0]} (since {self._moment(stiff[1])})"))
        elif (alone := self.support.stiff_height(i)) is not None:
            out.append(("implausible_input", alone))
        if (slow := self._of_sampling(i)) is not None:
            out.append(("sampling_too_slow", slow))
        return [Reason(code, text) for code, text in out]

    def _of_pressure(self, i: int) -> list[str]:
        out = []
        end = f"{self.full_scale_Pa[i] / 1e5:.4g} bar"
        if self.over[i].was:
            out.append(
                f"the pressure reads up to {self.over[i].worst / 1e5:.1f} bar {self._span(self.over[i])}, and the "
                f"transducer ends at {end}: check full_scale in the settings, the unit and the wiring"
            )
        elif self.ended[i].was:
            out.append(
                f"the pressure stands at the end of the transducer's range of {end} {self._span(self.ended[i])}: "
                "the transducer is too small for it, or its wire shorted"
            )
        elif self.too_high[i].was:
            out.append(
                f"the pressure reads up to {self.too_high[i].worst / 1e5:.1f} bar {self._span(self.too_high[i])}, "
                "more than any air spring holds: check the unit and the transducer's range"
            )
        if self.too_low[i].was:
            out.append(
                f"the pressure reads {self.too_low[i].worst / 1e5:.2f} bar below the air's "
                f"{self._span(self.too_low[i])}: check the transducer's zero and its reference in the settings"
            )
        if self._looks_like_psi():
            held = float(self.held_Pa.high[i])
            out.append(
                f"the pressure is at most {held / 1e5:.2f} bar, too little for an air spring, and all sections are "
                f"alike: {held / 1e3:.0f} psi would be {held / 1e3 * 0.0689476:.1f} bar; check the column's unit"
            )
        for k, (a, b) in enumerate(self.pairs):
            twins = self.changed[k] >= TWIN_CHANGES and self.equal[k] >= TWINS * self.compared[k]
            if twins and i in {a, b}:
                other = self.sections[b if i == a else a]
                out.append(
                    f"{other} reads exactly the same: is one transducer connected or entered twice? Check both "
                    "plugs and the channel names"
                )
        return out

    def _looks_like_psi(self) -> bool:
        gauge = np.array([s == "gauge" for s in (self._reference(name) for name in self.sections)])
        high = self.held_Pa.high
        low, top = PSI_Pa
        return bool(gauge.all() and (high > low).all() and (high < top).all())

    def _reference(self, section: str) -> str:
        return self.settings.sensor_of(section).reference

    def _of_surroundings(self) -> list[str]:
        out = []
        if self.air_power_on.was:
            out.append(
                f"the air's thermometer says {_celsius(self.air_power_on.worst)} {self._span(self.air_power_on)}, "
                "which means that it has not measured: check its plug and its supply"
            )
        if self.air_off.was:
            out.append(
                f"the air is said to be at {_celsius(self.air_off.worst)} {self._span(self.air_off)}: no car is "
                f"parked there{_kelvin_hint(self.air_off.worst)}; check the air's thermometer and its unit"
            )
        if self.jumps.doubtful:
            out.append(
                f"the air's temperature jumped {self.jumps.count} times by more than 15 K in a minute, last at "
                f"{self._moment(self.jumps.last_s)}: check the thermometer's plug, and leave it in one place"
            )
        if self.barometer_off.was:
            out.append(
                f"the barometer says {self.barometer_off.worst / 1e3:.1f} kPa {self._span(self.barometer_off)}: no "
                "weather and no pass does that; check its unit and its plug"
            )
        elif self.barometer_fast.was:
            out.append(
                f"the barometer jumped to {self.barometer_fast.worst / 1e3:.1f} kPa at "
                f"{self._moment(self.barometer_fast.begin_s)}, faster than any weather: check it"
            )
        return out

    def _of_height_and_gas(self, i: int) -> list[str]:
        out = []
        swing = float(self.support.height.swing()[i])
        if swing > TRAVEL_m:
            out.append(
                f"the height swings by {swing * 1e3:.0f} mm, more than a wheel moves in its arch: check the height "
                "sensor, its rod and its unit"
            )
        if self.gas_power_on[i].was:
            out.append(
                f"the gas thermometer says {_celsius(self.gas_power_on[i].worst)} {self._span(self.gas_power_on[i])}, "
                "which means that it has not measured: check its plug and its supply"
            )
        if self.gas_off[i].was:
            out.append(
                f"the gas is said to be at {_celsius(self.gas_off[i].worst)} {self._span(self.gas_off[i])}"
                f"{_kelvin_hint(self.gas_off[i].worst)}: check its thermometer and its unit"
            )
        return out

    def _of_sampling(self, i: int) -> str | None:
        spanned, slow = float(self.spanned_s[i]), int(self.slow_gaps[i])
        if slow >= SLOW_GAPS and self.slow_s[i] > SLOW_SHARE * spanned:
            minutes = self.slow_s[i] / slow / 60.0
            return (
                f"a reading every {minutes:.0f} min is too slow to tell a burst from cooling: log at least every "
                "10 min, better every minute"
            )
        whole_s = self.last_s - self.first_s
        if 0 < self.readings[i] < FEWEST_READINGS and whole_s > LENGTH_FOR_FEW_s:
            return (
                f"{self.readings[i]} readings in {whole_s / 3600.0:.0f} h are too few to tell a leak from cooling: "
                "log at least every 10 min, better every minute"
            )
        return None

    # -- words -----------------------------------------------------------------------------------------------

    def _moment(self, time_s: float) -> str:
        if self.begin_utc is None:
            return f"{time_s / 3600.0:.1f} h after the begin"
        at = self.begin_utc + np.timedelta64(round(time_s), "s")
        return short_time(f"{np.datetime_as_string(at, unit='s')}Z")

    def _span(self, spell: Spell) -> str:
        """Return since when, or from when to when."""
        if not spell.over:
            return f"since {self._moment(spell.begin_s)}"
        return f"from {self._moment(spell.begin_s)} to {self._moment(spell.end_s)}"


def _is_power_on(kelvin: float) -> bool:
    return any(abs(kelvin - value) < JUST_K for value in POWER_ON_K)


def _is_flat(values: Array) -> bool:
    good = values[np.isfinite(values)]
    return len(good) > 1 and float(np.ptp(good)) == 0.0


def _celsius(kelvin: float) -> str:
    return f"{kelvin - ZERO_CELSIUS_K:.1f} °C"


def _kelvin_hint(kelvin: float) -> str:
    shown = kelvin - ZERO_CELSIUS_K
    return f" ({shown:.1f} looks like kelvin)" if 200.0 < shown < 400.0 else ""
