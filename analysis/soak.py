"""One soak, followed from its first row to its last: readings in, findings out; live and replay are this same code."""

from __future__ import annotations

import copy
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.agreement import agreement
from analysis.alarms import AlarmBook
from analysis.before import Before, kept_before
from analysis.bins import BinMaker, RawBin
from analysis.blank import share_of, without_rig
from analysis.doubts import Doubts
from analysis.effects import day_begins_s
from analysis.estimator import Estimator
from analysis.fast_leak import FastLeak
from analysis.inputs import Bin, drift_per_K, reference_Pa
from analysis.leak_alarm import LeakAlarm
from analysis.notes import notes_since
from analysis.pieces import Pieces
from analysis.plausible_air import is_power_on
from analysis.pressurised import EMPTY_Pa
from analysis.setup import setup_of
from analysis.tape import DEVIATION_m, Tape, row_of, with_rows
from analysis.threshold import DEFAULT_LOSS_PER_s, Limit, limit_of
from analysis.watch import Rows, Watch
from logger.units import STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.agreement import Agreement
    from analysis.blank import Measured, Share
    from analysis.evidence import Evidence
    from analysis.notes import Note
    from analysis.priors import Priors
    from analysis.reasons import Reason
    from analysis.steps import Step
    from analysis.tape import TapeReading
    from logger.settings import Settings

Array = NDArray[np.float64]

BIN_BLOCKED_s: Final = 300.0
BIN_STANDING_s: Final = 600.0
LEAST_BINS: Final = 6
NOISE_FLOOR_Pa: Final = 20.0
NOISE_FLOOR_m: Final = 3e-5
NOISE_FLOOR_K: Final = 0.02
# A channel that gave no reading for so long at the end is dead (common practice, no source).
DEAD_s: Final = 1800.0
DEAD_SHARE: Final = 0.1
CAME_BACK: Final = 0.5
# A height that is not read for so long is taken for the last one.
HEIGHT_HELD_s: Final = 180.0


class SoakAnalysis:
    """Feed rows in time order, call `finish`, ask for what is known (analysis.findings puts it into words)."""

    def __init__(
        self,
        settings: Settings,
        sections: tuple[str, ...],
        *,
        begin_utc: np.datetime64 | None = None,
        priors: Priors | None = None,
        tape: Sequence[TapeReading] = (),
        blanks: Mapping[str, tuple[Measured, float]] = MappingProxyType({}),
        notes: Sequence[Note] = (),
    ) -> None:
        """`begin_utc` is the label of time zero; without it the sun can't be expected.

        `tape`: heights by hand; `blanks`: what the capped rig lost, by section, and how many seconds before;
        `notes`: what somebody did meanwhile.
        """
        self.settings = settings
        self.sections = sections
        self.begin_utc = begin_utc
        self.standing = settings.soak.support == "standing"
        width_s = BIN_STANDING_s if self.standing else BIN_BLOCKED_s
        count = len(sections)
        self.columns = (
            *(f"{name}.pressure" for name in sections),
            *(f"{name}.height" for name in sections),
            *(f"{name}.gas_temperature" for name in sections),
            "ambient.temperature",
            "ambient.pressure",
            "rig.supply_voltage",
        )
        floor = np.concatenate(
            (
                np.full(count, NOISE_FLOOR_Pa),
                np.full(count, NOISE_FLOOR_m),
                np.full(count + 1, NOISE_FLOOR_K),
                [NOISE_FLOOR_Pa, 1e-3],
            )
        )
        self.bins = BinMaker(len(self.columns), width_s, floor)
        setups = tuple(setup_of(settings, name) for name in sections)
        self.estimator = Estimator(
            setups,
            standing=self.standing,
            gas=settings.soak.gas,
            day_begins_s=day_begins_s(begin_utc, settings.rig.longitude_deg),
            priors=priors,
        )
        self.at_last_height: dict[int, Evidence] = {}  # of sections that are judged by hand
        self.coldest_at_height: dict[int, Array] = {}
        self.taped = tuple(tape)
        self.loads: list[tuple[float, Array]] = []  # ln of the absolute pressures (S,) at each height by hand
        self.tape = Tape(tape, sections, standing=self.standing)
        self.notes = notes_since(notes, begin_utc, sections)
        self.before: Before | None = None
        for time_s, named, _ in self.notes:
            self.estimator.guard.noted.extend((time_s, name) for name in (named or sections))
        piece = partial(
            SoakAnalysis, settings, sections, begin_utc=begin_utc, priors=priors, blanks=dict(blanks)
        )
        self.pieces: Pieces[SoakAnalysis] = Pieces(self, piece)
        self.column_m = np.array([s.gas_column_m or np.nan for s in setups])
        floors = [settings.section(name).floor_Pa for name in sections]
        period = settings.rig.period_ms
        self.watch = Watch(
            sections,
            np.array([np.nan if f is None else f for f in floors]),
            None if period is None else period / 1000.0,
        )
        self.fast = FastLeak(sections)
        self.height_m, self.height_s = np.full((2, count), np.nan)  # the last ones, and when
        self.book = AlarmBook()
        self.first: Array = np.full(len(self.columns), np.nan)  # first reading of each column
        self.first_s = self.last_s = np.nan
        self.rows = 0
        self.coldest_ambient_K = np.inf
        self.used_s = np.zeros(count)
        self.between_s = np.zeros(count)  # pressure and air are known since the last height
        self.spikes = np.zeros(count, dtype=np.intp)
        self.stuck_bins = np.zeros(count, dtype=np.intp)
        self.pressure_sum = np.zeros(count)
        self.blanks = dict(blanks)
        self.rig_shares: dict[int, Share] = {}
        self.rig_loss_per_s, self.rig_deviation_per_s = np.zeros(count), np.zeros(count)
        self.limits: list[Limit] = [Limit(None)] * count
        self.evidence: Evidence | None = None
        self.evidence_at = -1.0
        self.agreed: Agreement | None = None
        self.agreed_at = -1.0
        self.leaks = LeakAlarm(count)
        self.doubted = Doubts(
            settings,
            sections,
            column_m=self.column_m,
            lags=self.estimator.lag_count,
            begin_utc=begin_utc,
        )

    # -- rows ------------------------------------------------------------------------------------------------

    def prelude(self, time_s: Array, values: Mapping[str, Array]) -> None:
        """Take what was read before the begin, once, before the first `feed`, in its form with negative times."""
        self.before = kept_before(time_s, values)
        air_K = self.before.values.get("ambient.temperature")
        if air_K is not None:
            self.estimator.prelude(self.before.time_s, air_K)

    def feed(self, time_s: Array, values: Mapping[str, Array]) -> None:
        """Take rows in time order: `time_s` (n,) since the begin, `values` by channel (n,), SI, NaN = no reading."""
        if len(time_s) == 0:
            return
        nothing = np.full(len(time_s), np.nan)
        rows = np.stack([values.get(name, nothing) for name in self.columns], axis=1)
        warmth = rows[:, 2 * len(self.sections) : -2]
        # what a digital thermometer says when it has lost its supply is no reading, however long it says it
        warmth[is_power_on(warmth)] = np.nan
        values = {name: rows[:, k] for k, name in enumerate(self.columns)}
        if np.isnan(self.first_s):
            self.first_s = float(time_s[0])
        self.last_s = float(time_s[-1])
        self.rows += len(time_s)
        self._note_first(rows)
        self.doubted.feed(time_s, values)
        self.pieces.feed(time_s, values)
        # A row in which every channel is empty is the rig's silence, not a row of dead sensors.
        heard = np.isfinite(rows[:, :-1]).any(axis=1)
        watched, holds = self._watched(time_s[heard], rows[heard])
        self.watch.feed(watched, self.book)
        amount = np.where(holds & (watched.pressure_Pa > EMPTY_Pa), watched.log_amount, np.nan)
        air_K = rows[heard][:, -3]
        done = 0
        # both may raise the same alarm: each row goes to the one before the bin that it closes goes to the other
        for raw in self.bins.feed(time_s, rows):
            upto = self._closed_at(raw, time_s, watched.time_s)
            self.fast.feed(watched.time_s[done:upto], amount[done:upto], air_K[done:upto], self.book)
            done = max(done, upto)
            self._take(raw)
        self.fast.feed(watched.time_s[done:], amount[done:], air_K[done:], self.book)

    def _closed_at(self, raw: RawBin, time_s: Array, heard_s: Array) -> int:
        """Return how many of the rows at `heard_s` there were when the first of `time_s` after a bin closed it."""
        end_s = (np.floor(raw.time_s / self.bins.width_s) + 1.0) * self.bins.width_s
        closing = min(int(np.searchsorted(time_s, end_s)), len(time_s) - 1)
        return int(np.searchsorted(heard_s, time_s[closing], side="right"))

    def finish(self) -> None:
        """Close the last bin; the soak can't be fed after this."""
        self.watch.finish(self.book)
        self.doubted.finish()
        for raw in self.bins.finish():
            self._take(raw)
        for step, group in self.tape.at_end(self.last_s):
            self._take_tape(step, group)
        self.pieces.finish()

    def snapshot(self) -> SoakAnalysis:
        """Return a finished copy, for a look at a soak that goes on."""
        twin = copy.deepcopy(self)
        twin.finish()
        return twin

    def _note_first(self, rows: Array) -> None:
        missing = np.isnan(self.first)
        if not missing.any():
            return
        for k in np.flatnonzero(missing):
            good = rows[np.isfinite(rows[:, k]), k]
            if len(good):
                self.first[k] = good[0]
        for i, name in enumerate(self.sections):
            absolute_Pa = self._first_absolute_Pa(i)
            if self.limits[i].loss_per_s is None:
                section = self.settings.section(name)
                self.limits[i] = limit_of(
                    self.settings.threshold_of(name), absolute_Pa, section.volume_m3, section.gas_column_m
                )
            if absolute_Pa is not None and name in self.blanks and i not in self.rig_shares:
                self._note_rig(i, absolute_Pa)
            if absolute_Pa is not None and not self.fast.drift_per_K[i]:
                setup = self.estimator.sections[i : i + 1]
                drift = drift_per_K(setup, self.first[i : i + 1], np.array([max(absolute_Pa, 1000.0)]))
                self.fast.drift_per_K[i] = drift[0]

    def _note_rig(self, i: int, absolute_Pa: float) -> None:
        section = self.settings.section(self.sections[i])
        blank, age_s = self.blanks[self.sections[i]]
        share = share_of(blank, absolute_Pa, section.rig_volume_m3, section.volume_m3, age_s)
        self.rig_shares[i] = share
        self.rig_loss_per_s[i], self.rig_deviation_per_s[i] = share.loss_per_s, share.deviation_per_s

    def _first_absolute_Pa(self, i: int) -> float | None:
        pressure = self.first[i]
        # the standard atmosphere, not the first barometer reading, which may come later: a threshold in bar per day is
        # not known to a percent, and must not depend on how the rows were cut
        return (
            float(pressure + reference_Pa(self.estimator.sections, STANDARD_ATMOSPHERE_Pa)[i])
            if np.isfinite(pressure)
            else None
        )

    def _watched(self, time_s: Array, rows: Array) -> tuple[Rows, NDArray[np.bool_]]:
        """Return what the watch looks at, and where that says how much gas a section holds, (n, S).

        Without heights a standing car's pressure says what it carries, not what it holds.
        """
        count = len(self.sections)
        pressure, height = rows[:, :count], rows[:, count : 2 * count]
        absolute = np.maximum(
            pressure + reference_Pa(self.estimator.sections, STANDARD_ATMOSPHERE_Pa), 1000.0
        )
        amount, holds = np.log(absolute), np.ones(pressure.shape, dtype=np.bool_)
        if self.standing:
            # a fast loss of a standing car shows in the height more than in the pressure
            last_m, holds = self._last_heights(time_s, height)
            ratio = (last_m - self.first[count : 2 * count]) / self.column_m
            holds &= np.isfinite(self.column_m)
            # where a height is missing between others the pressure alone would be a step
            without = np.where(holds, np.nan, 0.0)
            amount = amount + np.where(np.isfinite(ratio), np.log(np.maximum(1.0 + ratio, 0.01)), without)
        # gauge pressure, whatever the transducer refers to: that is what a spring stands on
        gauge = absolute - STANDARD_ATMOSPHERE_Pa
        gauge = np.where(np.isfinite(pressure), gauge, np.nan)
        amount = np.where(np.isfinite(pressure), amount, np.nan)
        return Rows(time_s, amount, gauge, rows[:, -1]), holds

    def _last_heights(self, time_s: Array, height_m: Array) -> tuple[Array, NDArray[np.bool_]]:
        """Return the last height at each row, NaN where it is too old, and whether there was one at all, (n, S)."""
        heights = np.concatenate((self.height_m[None], height_m))
        known = np.isfinite(heights)
        index = np.maximum.accumulate(np.where(known, np.arange(len(heights))[:, None], 0), axis=0)
        last_m = np.take_along_axis(heights, index, axis=0)
        times = np.where(index > 0, np.concatenate(([np.nan], time_s))[index], self.height_s)
        self.height_m, self.height_s = last_m[-1], times[-1]
        fresh = time_s[:, None] - times[1:] <= HEIGHT_HELD_s
        return np.where(fresh, last_m[1:], np.nan), np.isfinite(last_m[1:])

    # -- bins ------------------------------------------------------------------------------------------------

    def _take(self, raw: RawBin) -> None:
        count = len(self.sections)
        pressure, height, gas = (raw.mean[k * count : (k + 1) * count] for k in range(3))
        ambient = float(raw.mean[-3])
        if np.isnan(ambient) and np.isfinite(gas).any():
            ambient = float(np.nanmean(gas))
        if np.isfinite(raw.mean[-3]):
            self.coldest_ambient_K = min(self.coldest_ambient_K, ambient)
        barometer = float(raw.mean[-2]) if np.isfinite(raw.mean[-2]) else STANDARD_ATMOSPHERE_Pa
        absolute = pressure + reference_Pa(self.estimator.sections, barometer)
        # without enough readings in a bin a height's noise is not known: then as by hand
        heard = np.isfinite(self.bins.noise[count : 2 * count])
        here = Bin(
            raw.time_s,
            pressure,
            self.tape.own_scale(height),
            gas,
            ambient,
            float(raw.mean[-2]),
            raw.variance[:count] / np.where(absolute > 0.0, absolute, np.nan) ** 2 + 1e-10,
            np.where(heard, raw.variance[count : 2 * count], DEVIATION_m**2),
        )
        for step, group in self.tape.before(here, self.first_s):
            self._take_tape(step, group)
        self.doubted.filled(absolute)
        looked_s = self.estimator.time_s
        used = self._step(here, absolute)
        if self.estimator.time_s > looked_s:
            self.doubted.take(here, absolute, self.estimator.lagged[1])
        self.used_s += np.where(used, self.bins.width_s, 0.0)
        pressed = self.estimator.pressed & (self.estimator.time_s > looked_s)
        self.between_s = np.where(used, 0.0, self.between_s + np.where(pressed, self.bins.width_s, 0.0))
        self.spikes += raw.spikes[:count]
        self.stuck_bins += raw.stuck[:count]
        # a bin that the estimator could not use is no second look
        if self.estimator.time_s > looked_s:
            self.leaks.look(self, raw.time_s)

    def _step(self, here: Bin, absolute_Pa: Array) -> NDArray[np.bool_]:
        """Give the estimator a bin; return of which sections it could use it."""
        before = self.estimator.bank.count.copy()
        self.estimator.step(here)
        used = self.estimator.bank.count > before
        self.pressure_sum += np.where(used, np.nan_to_num(absolute_Pa), 0.0)
        return used

    def _take_tape(self, step: Bin, group: list[TapeReading]) -> None:
        """Take heights by hand: what lies between two of them has been measured."""
        barometer = (
            step.ambient_pressure_Pa if np.isfinite(step.ambient_pressure_Pa) else STANDARD_ATMOSPHERE_Pa
        )
        first = self.estimator.bank.count == 0
        # how cold it was before the first height and after the last one is no proof
        self.estimator.coldest_K[first & np.isfinite(step.height_m)] = np.inf
        absolute = step.pressure_Pa + reference_Pa(self.estimator.sections, barometer)
        self.loads.append((step.time_s, np.log(np.where(absolute > 0.0, absolute, np.nan))))
        used = self._step(step, absolute)
        self.used_s += np.where(used & ~first, self.between_s, 0.0)
        self.between_s = np.where(used, 0.0, self.between_s)
        self.evidence, self.agreed_at, told = None, -1.0, self.estimator.evidence()
        for reading in group:
            i = self.sections.index(reading.section)
            if used[i] and told is not None and not self.tape.by_sensor[i]:
                self.at_last_height[i] = row_of(told, i)
                self.coldest_at_height[i] = self.estimator.coldest_K[i].copy()
            if not used[i] and np.isfinite(step.height_m[i]):
                heard = np.isfinite([step.pressure_Pa[i], step.ambient_temperature_K, self.column_m[i]]).all()
                self.tape.not_taken(reading, heard=bool(heard))

    def usable(self, i: int) -> bool:
        """Whether a section has readings enough: one gives a level, a few give no slope worth a number."""
        if self.tape.heights_of(i):
            return self.tape.measures(i)
        return bool(self.estimator.bank.count[i] >= LEAST_BINS)

    def limit_per_s(self) -> Array:
        """Return the loss that divides each section's verdict, (S,)."""
        return np.array([DEFAULT_LOSS_PER_s if x.loss_per_s is None else x.loss_per_s for x in self.limits])

    def steps_of(self, i: int) -> list[Step]:
        """Return how section `i` moved by itself, faster than cooling can, in time order."""
        return self.estimator.guard.own(i)

    def risen_per_s(self) -> Array:
        """Return what went up in steps, spread over the soak, (S,): a loss that is surely one is beyond it."""
        elapsed_s = max(self.estimator.time_s - self.first_s, 1.0)
        out = np.zeros(len(self.sections))
        for i in range(len(self.sections)):
            sizes = [step.size for step in self.steps_of(i)]
            risen = sum(size for size in sizes if size > 0.0)
            fallen = -sum(size for size in sizes if size < 0.0)
            # a reading that came back may be the same one that went
            out[i] = max(risen, fallen) if risen > CAME_BACK * fallen else risen
        return out / elapsed_s

    def doubts(self, i: int) -> list[Reason]:
        """Return what forbids any verdict on section `i`."""
        return self.doubted.of(i, by_hand=bool(self.tape.heights_of(i)), fell=bool(self.leaks.fell[i]))

    def dead_since_s(self, i: int) -> float | None:
        """Return when section `i` gave its last reading, if the others have gone on without it for long."""
        last_s = self.watch.last_good_s[i]
        silent_s = self.last_s - last_s
        heard = np.nanmax(self.watch.last_good_s, initial=-np.inf) > last_s
        long_s = max(DEAD_s, DEAD_SHARE * (self.last_s - self.first_s))
        return float(last_s) if heard and silent_s > long_s else None

    @property
    def begin_is_cold(self) -> bool:
        """Whether nobody saw the car being rolled out into the cold."""
        return self.before is None or not len(self.estimator.air_before[0])

    def agreement(self) -> Agreement | None:
        """Return what the sections say together after the last bin, computed once per bin."""
        if self.agreed_at != self.estimator.time_s:
            evidence = self.known()
            # what holds nothing, and what can't be, is no witness
            usable = np.array([self.usable(i) and not self.doubts(i) for i in range(len(self.sections))])
            elapsed_s = max(self.estimator.time_s - self.first_s, 1.0)
            self.agreed = (
                None
                if evidence is None
                else agreement(self.estimator, evidence, self.limit_per_s(), usable, elapsed_s)
            )
            self.agreed_at = self.estimator.time_s
        return self.agreed

    def known(self) -> Evidence | None:
        """Return the evidence after the last bin, computed once per bin."""
        if self.evidence_at != self.estimator.time_s or self.evidence is None:
            found = self.estimator.evidence()
            rig = (self.rig_loss_per_s, self.rig_deviation_per_s)
            found = None if found is None else with_rows(found, self.at_last_height)
            self.evidence = None if found is None else without_rig(found, *rig)
            self.evidence_at = self.estimator.time_s
        return self.evidence
