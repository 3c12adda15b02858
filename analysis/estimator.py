"""The estimator: bins of readings in, the posterior of the loss of each section out. Online, constant memory.

Per section and bin one number is formed, the logarithm of the amount of gas as it would be if the gas were at the
lagged outside temperature:

    y = ln(p_abs) + ln(1 + (h - h_ref)/column) - ln(Z·R·T_lag)      (the height only for a standing car)

and explained as   y = ln n0 - loss·curve(t) + sum of small effects (the states below) + noise.
Everything that is not linear (lag, size of the thermal disturbance, shape of the leak) is a point of the bank.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import bank as kalman
from analysis.beginning import STATES_AT_BEGIN
from analysis.effects import (
    AIR_LAG,
    AIR_SIDE,
    AMBIENT,
    BAROMETER,
    COLUMN,
    CREEP,
    DISTURBANCE,
    GAS_SIDE,
    HEAT_FAST,
    HEAT_SLOW,
    LAG,
    LEVEL,
    OFFSET,
    STATES,
    SUN,
    SUN_PARTS,
    THERMAL,
    WATER,
    WOBBLE,
    followed,
    sun_parts,
    warmth,
)
from analysis.evidence import Evidence, mean_states, weigh
from analysis.gas import GASES, log_density, thermal_sensitivity_per_K
from analysis.inputs import Bin, SectionSetup, drift_per_K, reference_Pa
from analysis.lag import lag_step
from analysis.priors import Priors
from analysis.shapes import LeakShapes, porous_flow
from analysis.state_priors import prior_states
from analysis.steps import StepGuard
from analysis.trace import Point, Trace
from analysis.water import condensable_Pa
from logger.units import STANDARD_ATMOSPHERE_Pa

Array = NDArray[np.float64]

# Transducers are adjusted near room temperature (common practice, no source).
ADJUSTED_AT_K: Final = 296.15
# A probe in the gas leaves this share of the thermal disturbance (its own gradient; common practice, no source).
PROBE_SHARE: Final = 0.1
LIKELY_LOG_ODDS: Final = 3.0
# A gap in the air temperature up to this length is bridged without a word.
BRIDGE_s: Final = 3600.0
BRIDGE_MOST_s: Final = 12.0 * 3600.0
RENEW_LOST_s: Final = 3600.0
# The beginning is known by then, and on a blocked car little hangs on the loss so far.
SETTLED_s: Final = 12.0 * 3600.0


class Estimator:
    """Follow all sections of one recording."""

    def __init__(
        self,
        sections: tuple[SectionSetup, ...],
        *,
        standing: bool,
        gas: str,
        day_begins_s: float | None = None,
        priors: Priors | None = None,
    ) -> None:
        """Prepare the bank; nothing is known before the first bin."""
        self.sections = sections
        self.standing = standing
        self.day_begins_s = day_begins_s
        self.gauge = np.array([s.reference == "gauge" for s in sections])
        self.gas = GASES[gas]
        self.wet = gas == "shop air"
        self.priors = priors or Priors()
        grid = self.priors.disturbance_grid
        self.lags_s = np.asarray(self.priors.lag_grid_s)
        self.lag_count, self.disturbance_count = len(self.lags_s), len(grid)
        self.models = self.lag_count * self.disturbance_count
        spread = self.priors.log_lag_spread
        # below, at and above each lag: the outer two give the derivative to ln(lag)
        self.lag_triples_s = self.lags_s[None, :] * np.exp(np.array([-spread, 0.0, spread]))[:, None]
        self.disturbance_K = np.tile([d for d, _, _ in grid], self.lag_count)
        self.disturbance_time_s = np.tile([t for _, t, _ in grid], self.lag_count)
        self.log_prior = np.log(np.tile([w for _, _, w in grid], self.lag_count) / self.lag_count)
        self.shapes = LeakShapes(self.priors, len(sections), self.models)
        self.time_s = 0.0
        self.begun_s = np.nan
        self.first_air_K = np.nan  # where the air's history begins
        self.air_before: tuple[Array, Array] = (np.empty(0), np.empty(0))
        self.like: Estimator | None = None
        self.lagged: Array = np.empty(0)
        self.housing_K: Array = np.empty(0)
        self.sun = np.zeros(SUN_PARTS)
        self.sunned: Array = np.zeros((self.lag_count, SUN_PARTS))
        self.ambient_K = np.nan
        self.flow = np.ones(len(sections))  # of a porous leak, relative to the begin
        self.first_Pa = np.full(len(sections), np.nan)
        self.reference_height_m = np.full(len(sections), np.nan)
        self.level0 = np.full(len(sections), np.nan)
        self.guard = StepGuard(tuple(section.name for section in sections))
        self.lost_due_s = 3600.0
        self.renewals = 0
        self.barometer_reads_Pa = STANDARD_ATMOSPHERE_Pa  # the last reading
        self.barometer_seen_Pa = np.nan
        self.loss_now_per_s = np.zeros(len(sections))  # of a likely leak
        self.likely_shape = np.zeros(len(sections), dtype=np.intp)
        self.likely = np.zeros(len(sections), dtype=np.bool_)
        self.begun_K: Array | None = None  # offset and heat (S, M, 3) by all beliefs about the beginning
        self.lost = np.zeros(len(sections))  # ln of the gas lost so far, as best known
        self.load_Pa = np.full(len(sections), np.nan)
        self.since_s = 0.0
        self.volume0 = np.full((len(sections), self.lag_count), np.nan)
        self.coldest_K = np.full((len(sections), self.models), np.inf)
        self.pressed = np.zeros(len(sections), dtype=np.bool_)  # has a pressure in this bin
        self.housing_variance = np.zeros(len(sections))  # of ln(p): how warm the transducer is isn't known
        self.trace = Trace()
        self.bank = kalman.new_bank(*self._prior(), self.shapes.number)

    # -- one bin ---------------------------------------------------------------------------------------------

    def step(self, reading: Bin) -> None:
        """Take one bin, later than all before it."""
        if np.isnan(self.begun_s):
            if not np.isfinite(reading.ambient_temperature_K) or not np.isfinite(reading.pressure_Pa).any():
                return
            self._begin(reading)
        if not np.isfinite(reading.ambient_temperature_K):
            # the next bin with an air temperature bridges the gap by a straight line
            return
        step_s = reading.time_s - self.time_s
        self.since_s = step_s
        self._advance(reading, step_s)
        observed, regressor, use = self._observe(reading)
        noise = np.where(use, self.noise_of(reading) + self.housing_variance, 1.0)
        if not reading.by_hand:  # what a person has measured is never held back as wild
            innovation, variance = kalman.innovations(self.bank, observed, regressor, noise)
            use, moved = self.guard.look(self.time_s, observed, innovation, variance, use, self.bank.count)
            for i, state, size in moved:
                self.bank.covariance[i, :, state, state] += 4.0 * size**2
        kalman.update(self.bank, observed, regressor, noise, -self.shapes.curve, use)
        self.guard.used(use, self.time_s)
        self._remember_coldest(regressor, self.pressed)
        if reading.by_hand:  # it may tell more than all hours before it
            self.lost_due_s = self.time_s
        self._renew_lost()
        lags = slice(None, None, self.disturbance_count)  # one model of each lag
        seen = np.where(use[:, None], observed[:, lags], np.nan)
        curve = self.shapes.curve[:, lags, 1 : self.shapes.started.start].astype(np.float32)
        lagged_K = self.lagged[1].copy()
        self.trace.note(Point(self.time_s, reading, seen, regressor[:, lags].copy(), lagged_K, curve))

    def _renew_lost(self) -> None:
        """Every hour: how much is lost so far, for the effects that go with it; a whole look less often later."""
        if self.time_s < self.lost_due_s:
            return
        self.lost_due_s = self.time_s + RENEW_LOST_s
        self.renewals += 1
        whole = self.standing or self.time_s - self.begun_s < SETTLED_s or self.renewals % 4 == 0
        evidence = self.evidence() if whole else self.glance(np.arange(len(self.sections)))
        if evidence is None:
            return
        mean = (evidence.weight * evidence.mean_loss_per_s).sum(axis=(1, 2))
        self.lost = np.maximum(mean * (self.time_s - self.begun_s), 0.0)
        self.likely_shape = evidence.weight.sum(axis=1).argmax(axis=1)
        self.likely = evidence.log_odds > LIKELY_LOG_ODDS
        if whole:
            self.begun_K = mean_states(self.bank, evidence, list(STATES_AT_BEGIN), self.priors)
        rate = np.tile(self.shapes.rate, (1, evidence.beginnings, 1))
        now = (evidence.weight * evidence.loss_per_s * rate).sum(axis=(1, 2))
        self.loss_now_per_s = np.where(self.likely, now, 0.0)

    def _prior(self) -> tuple[Array, Array]:
        sunny = self.day_begins_s is not None
        return prior_states(
            self.priors, self.sections, self.disturbance_K, standing=self.standing, sunny=sunny, wet=self.wet
        )

    def _begin(self, reading: Bin) -> None:
        no_barometer = not np.isfinite(reading.ambient_pressure_Pa)
        # without a barometer the height of the place above the sea is not known either
        error_Pa = self.priors.place_Pa if no_barometer else self.priors.barometer_error_Pa
        self.bank.covariance[..., BAROMETER, BAROMETER] = np.where(self.gauge, error_Pa, 0.0)[:, None] ** 2
        self.time_s = self.begun_s = reading.time_s
        self.ambient_K = reading.ambient_temperature_K
        self.filled_K = np.array(self.ambient_K)
        self._lag_before(reading)
        for i, section in enumerate(self.sections):
            if section.reference_height_m is not None:
                self.reference_height_m[i] = section.reference_height_m

    def _lag_before(self, reading: Bin) -> None:
        """Start the lags where the air before the begin has brought them."""
        if self.like is not None and not np.isnan(self.like.begun_s):
            self.lagged, self.housing_K = self.like.lagged.copy(), self.like.housing_K.copy()
            self.first_air_K = self.like.first_air_K
            self._believe_the_begin(self.first_air_K)
            return
        time_s, air_K = self.air_before
        first_K = float(air_K[0]) if len(air_K) else self.ambient_K
        self.first_air_K = first_K
        self._believe_the_begin(first_K)
        self.housing_K = np.full(2, first_K)
        self.lagged = np.full(self.lag_triples_s.shape, first_K)
        if not len(air_K):
            return
        times = [*time_s.tolist(), reading.time_s]
        air = [*air_K.tolist(), self.ambient_K]
        housing_lags_s = np.array(self.priors.transducer_lags_s)
        for k in range(1, len(times)):
            step_s, before, now = times[k] - times[k - 1], np.array(air[k - 1]), np.array(air[k])
            self.lagged = lag_step(self.lagged, before, now, step_s, self.lag_triples_s)
            self.housing_K = lag_step(self.housing_K, before, now, step_s, housing_lags_s)

    def prelude(self, time_s: Array, air_K: Array) -> None:
        """Take the air before the begin (n,), in time order: the gas came from there."""
        good = np.isfinite(air_K)
        self.air_before = (time_s[good], air_K[good])

    def begin_like(self, other: Estimator) -> None:
        """Begin with the air's history of another estimator, as far as it has come."""
        self.like = other

    def _believe_the_begin(self, air_K: float) -> None:
        """Where the air is cold at the begin the gas may still be as warm as a shop: nobody saw the roll-out."""
        self.priors = self.priors.begun_at(air_K)
        mean, covariance = self.priors.wide_beginning()
        states = list(STATES_AT_BEGIN)
        self.bank.mean[..., states] = mean
        self.bank.covariance[..., states, states] = np.diagonal(covariance)

    def _advance(self, reading: Bin, step_s: float) -> None:
        ambient, ambient_before = np.array(reading.ambient_temperature_K), np.array(self.ambient_K)
        before = self.lagged[1]
        self.lagged = lag_step(self.lagged, ambient_before, ambient, step_s, self.lag_triples_s)
        self.ambient_K = reading.ambient_temperature_K
        self.time_s = reading.time_s
        # the transducer's own temperature: the quickest and the slowest that it may be
        self.housing_K = lag_step(
            self.housing_K, ambient_before, ambient, step_s, np.array(self.priors.transducer_lags_s)
        )
        if self.day_begins_s is not None:
            sun = sun_parts(self.time_s - self.day_begins_s)
            self.sunned = lag_step(self.sunned, self.sun, sun, step_s, self.lags_s[:, None])
            self.sun = sun
        middle = np.repeat(0.5 * (before + self.lagged[1]), self.disturbance_count)
        self.shapes.advance(self.time_s - self.begun_s, step_s, middle, self.flow, self.bank)
        decay = np.ones((self.models, STATES))
        process = np.zeros((len(self.sections), self.models, STATES))
        decay[:, DISTURBANCE] = np.exp(-step_s / self.disturbance_time_s)
        process[..., DISTURBANCE] = self.disturbance_K**2 * -np.expm1(-2.0 * step_s / self.disturbance_time_s)
        wobble = self.priors.wobble * self.loss_now_per_s
        process[..., WOBBLE] = (wobble**2 * 2.0 * self.priors.wobble_time_s * step_s)[:, None]
        # what one lag can't describe goes with the change that it describes
        moved = np.repeat(self.lagged[1] - before, self.disturbance_count)
        process[..., DISTURBANCE] += (self.priors.structure * moved) ** 2
        fade = np.exp(-step_s / self.priors.lag_time_s)
        decay[:, LAG] = fade
        process[..., LAG] = self.priors.log_lag_spread**2 * (1.0 - fade**2)
        if self.day_begins_s is not None:
            fade = np.exp(-step_s / self.priors.sun_time_s)
            decay[:, SUN:] = fade
            process[..., SUN:] = self.priors.sun_K**2 * (1.0 - fade**2)
        if not np.isfinite(reading.ambient_pressure_Pa):
            # the weather goes on unseen from the last reading, if there ever was one
            fade = np.exp(-step_s / self.priors.barometer_time_s)
            decay[:, BAROMETER] = fade
            weather = self.priors.barometer_Pa**2 * (1.0 - fade**2)
            process[..., BAROMETER] = np.where(self.gauge, weather, 0.0)[:, None]
        if step_s > BRIDGE_s:
            # how far the air may have strayed from the straight line meanwhile
            process[..., DISTURBANCE] += self.priors.bridge_K_per_root_s**2 * min(step_s, BRIDGE_MOST_s)
        kalman.predict(self.bank, decay, process)

    def _observe(self, reading: Bin) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Return y (S, M), regressors (S, M, N) and which sections have a usable reading."""
        sections, count = self.sections, len(self.sections)
        elapsed = self.time_s - self.begun_s
        if np.isfinite(reading.ambient_pressure_Pa):
            self.barometer_reads_Pa = self.barometer_seen_Pa = reading.ambient_pressure_Pa
        pressure = reading.pressure_Pa
        absolute = pressure + reference_Pa(sections, self.barometer_reads_Pa)
        # one NaN would spoil all that a section has learnt, without a word
        use = np.isfinite(absolute) & (absolute > 5000.0) & np.isfinite(reading.pressure_variance)
        absolute = np.where(use, absolute, STANDARD_ATMOSPHERE_Pa)
        low, middle, high = self.lagged
        probe = np.isfinite(reading.gas_temperature_K)
        temperature = np.where(
            probe[:, None], np.where(probe, reading.gas_temperature_K, 273.15)[:, None], middle
        )
        y = log_density(absolute[:, None], temperature, self.gas)
        sensitivity = thermal_sensitivity_per_K(absolute[:, None], temperature, self.gas)
        share = np.where(probe, PROBE_SHARE, 1.0)[:, None]
        x = np.zeros((count, self.lag_count, STATES))
        x[..., LEVEL] = 1.0
        x[..., OFFSET] = sensitivity * np.exp(-elapsed / self.lags_s) * share
        for state, time_s in zip((HEAT_FAST, HEAT_SLOW), self.priors.heat_times_s, strict=True):
            x[..., state] = sensitivity * warmth(elapsed, time_s, self.lags_s) * share
        # One state for zero and span, in units of the datasheet limit. A transducer sits between the air and the gas:
        # a second state for the gas's share.
        both = drift_per_K(sections, pressure, absolute)
        quick_K, slow_K = self.housing_K
        x[..., AIR_SIDE] = both[:, None] * (quick_K - ADJUSTED_AT_K)
        x[..., GAS_SIDE] = both[:, None] * (temperature - quick_K)
        self.housing_variance = (both * (quick_K - slow_K)) ** 2 / 3.0
        x[..., CREEP] = -np.log10(1.0 + elapsed / self.priors.creep_time_s)
        x[..., LAG] = sensitivity * ((high - low) / (2.0 * self.priors.log_lag_spread)) * share
        x[..., AMBIENT] = sensitivity
        x[..., BAROMETER] = (-1.0 / absolute)[:, None]
        x[..., DISTURBANCE] = sensitivity * share
        x[..., AIR_LAG] = sensitivity * share * (self.ambient_K - middle) / self.lags_s
        x[..., WOBBLE] = -1.0
        x[..., SUN:] = (sensitivity * share)[..., None] * self.sunned
        if self.wet:
            x[..., WATER] = -condensable_Pa(self.filled_K, temperature) / absolute[:, None]
        self.pressed = use
        if self.standing:
            use = self._add_height(reading.height_m, absolute, temperature, y, x, use)
        self.first_Pa = np.where(np.isnan(self.first_Pa) & use, absolute, self.first_Pa)
        if not self.standing:  # a volume of fixed length gives a little with the pressure
            y += self.priors.compliance_per_Pa * (absolute - np.where(use, self.first_Pa, absolute))[:, None]
        # without a height too the gas is as cold as it is
        x = np.where(self.pressed[:, None, None], np.nan_to_num(x), 0.0)
        y = np.where(use[:, None], y, 0.0)
        unset = np.isnan(self.level0) & use
        self.level0 = np.where(unset, y[:, self.lag_count // 2], self.level0)
        y = y - np.where(use, self.level0, 0.0)[:, None]
        flow = porous_flow(absolute, self.barometer_reads_Pa, self.first_Pa, y[:, self.lag_count // 2])
        self.flow = np.where(use, flow, self.flow)
        return np.repeat(y, self.disturbance_count, axis=1), np.repeat(x, self.disturbance_count, axis=1), use

    def prior_states(self) -> tuple[Array, Array]:
        """Return mean (S, N) and covariance (S, N, N) of the states before any reading, as if one model held."""
        mean, covariance = self._prior()
        error_Pa = (
            self.priors.barometer_Pa if np.isnan(self.barometer_seen_Pa) else self.priors.barometer_error_Pa
        )
        covariance[..., BAROMETER, BAROMETER] = np.where(self.gauge, error_Pa, 0.0)[:, None] ** 2
        return mean[:, 0], covariance[:, 0]

    def noise_of(self, reading: Bin) -> Array:
        """Return the variance of y from the readings' own noise (S,)."""
        if not self.standing:
            return reading.pressure_variance
        column = np.array([s.gas_column_m or np.inf for s in self.sections])
        return np.asarray(reading.pressure_variance + reading.height_variance_m2 / column**2)

    def _add_height(
        self,
        height_m: Array,
        absolute_Pa: Array,
        temperature_K: Array,
        y: Array,
        x: Array,
        pressed: NDArray[np.bool_],
    ) -> NDArray[np.bool_]:
        """Add the volume part of the balance of a standing car to `y` and `x`; return where both readings are.

        The regressor of the column's error is the volume that the section should have by what is known of it apart
        from this reading: lagged temperature, smoothed pressure, loss so far. With the reading itself in it, the fit
        would explain every thermal disturbance and all noise by a wrong column (errors in variables).
        """
        column = np.array([s.gas_column_m or np.nan for s in self.sections])
        good = pressed & np.isfinite(height_m) & np.isfinite(column)
        first = np.isnan(self.reference_height_m) & good
        self.reference_height_m = np.where(first, height_m, self.reference_height_m)
        ratio = (height_m - self.reference_height_m) / column
        good &= np.where(good, ratio, 0.0) > -0.9
        ratio = np.where(good, ratio, 0.0)
        y += np.log1p(ratio)[:, None]
        share = -np.expm1(-self.since_s / self.priors.load_smoothing_s)
        self.load_Pa = followed(self.load_Pa, absolute_Pa, share, pressed)
        volume = -log_density(np.where(pressed, self.load_Pa, absolute_Pa)[:, None], temperature_K, self.gas)
        fresh = np.isnan(self.volume0[:, 0]) & good
        self.volume0 = np.where(fresh[:, None], volume - np.log1p(ratio)[:, None], self.volume0)
        known = pressed & np.isfinite(self.volume0[:, 0])
        expected = np.where(known[:, None], volume - self.volume0, 0.0)
        # A column longer by the fraction e: the nominal one makes ln(1 + r) too large in size by r/(1 + r)·e.
        # What has leaked scales the swing too; the loss itself is added in the end (`beyond`), for it looks like a loss.
        x[..., COLUMN] = -np.expm1(-expected) * np.exp(self.lost)[:, None]
        return np.asarray(good)

    def _states(self) -> Array:
        """Return the states (S, M, N) with the likeliest leak taken out of them, where there is one."""
        rows = np.arange(len(self.sections))
        signature = self.bank.signature[rows, :, :, self.likely_shape]
        information = self.bank.information[rows, :, self.likely_shape]
        loss = self.bank.projection[rows, :, self.likely_shape] / np.maximum(information, 1e-30)
        return self.bank.mean - np.where(self.likely, 1.0, 0.0)[:, None, None] * loss[..., None] * signature

    def _remember_coldest(self, regressor: Array, use: NDArray[np.bool_]) -> None:
        thermal = list(THERMAL)
        states = self._states()
        if self.begun_K is not None:
            states[..., list(STATES_AT_BEGIN)] = self.begun_K
        effect = np.einsum("smi,smi->sm", states[..., thermal], regressor[..., thermal])
        sensitivity = np.where(use[:, None], regressor[..., AMBIENT], 1.0)
        gas_K = np.repeat(self.lagged[1], self.disturbance_count) + effect / sensitivity
        self.coldest_K = np.where(use[:, None], np.minimum(self.coldest_K, gas_K), self.coldest_K)

    def evidence(self) -> Evidence | None:
        """Return what the bins so far say of the loss of every section; None before the first bin."""
        return self._weigh(np.arange(len(self.sections)), plain=False)

    def glance(self, which: NDArray[np.intp]) -> Evidence | None:
        """Return the same for some sections, by the wide prior of the beginning alone: a quick look."""
        return self._weigh(which, plain=True)

    def _weigh(self, which: NDArray[np.intp], *, plain: bool) -> Evidence | None:
        if np.isnan(self.begun_s):
            return None
        return weigh(
            kalman.part_of(self.bank, which),
            curve=self.shapes.curve[which],
            elapsed_s=max(self.time_s - self.begun_s, 1.0),
            log_model=self.log_prior,
            groups=self.shapes.groups,
            beyond=(
                (COLUMN, -np.expm1(self.lost)[which]),
                (WOBBLE, np.ones(len(which))),
            ),
            priors=self.priors,
            plain=plain,
        )
