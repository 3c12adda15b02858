"""Time: sampling that is slow, irregular or broken, clocks that are set."""

from __future__ import annotations

import numpy as np

from tests.evenings.catalogue import BOTH, evening
from tests.evenings.night import FL, FR, RL, RR, Night

SLOW = ("sampling_too_slow", "too_few_readings", "near_threshold", "misfit")


@evening(
    "a reading every ten minutes, one corner leaks 8 %/day",
    supports=BOTH,
    hours=(14.0, 62.0),
    periods_s=(600.0,),
    reasons=SLOW,
)
def every_ten_minutes(night: Night) -> None:
    night.leak(FL, 8.0)


@evening("a reading every half hour", supports=BOTH, hours=(14.0, 62.0), periods_s=(1800.0,), reasons=SLOW)
def every_half_hour(night: Night) -> None:
    night.leak(RR, 8.0)


@evening(
    "a reading every ten minutes, a drop of 10 %",
    periods_s=(600.0,),
    reasons=(*SLOW, "fall_unexplained", "lost_fast"),
)
def every_ten_minutes_and_a_drop(night: Night) -> None:
    night.drop(FR, 10.0, 7.0)
    night.asks = (FR,)


@evening("two thirds of the rows are missing at random, one corner leaks 8 %/day", supports=BOTH)
def irregular(night: Night) -> None:
    night.drops_rows.append(lambda s: s.rng.random(len(s.hour)) < 0.66)
    night.leak(FL, 8.0)


@evening("ten minutes on, fifty minutes off", reasons=SLOW)
def in_bunches(night: Night) -> None:
    night.drops_rows.append(lambda s: (s.hour % 1.0) > 1.0 / 6.0)
    night.leak(RL, 8.0)


@evening(
    "only the first and the last half hour were recorded, 10 % went between",
    reasons=("gap_unexplained", "too_few_readings", "near_threshold"),
)
def only_the_ends(night: Night) -> None:
    night.lose("*", 0.5, night.hours - 0.5)
    night.seep(FR, 10.0, 2.0, 12.0)
    night.asks = (FR,)


@evening(
    "only the first and the last half hour were recorded, nothing went",
    reasons=("gap_unexplained", "too_few_readings", "near_threshold"),
)
def only_the_ends_tight(night: Night) -> None:
    night.lose("*", 0.5, night.hours - 0.5)


@evening(
    "two hours only", hours=(2.0,), supports=BOTH, reasons=("too_short", "near_threshold", "begin_unclear")
)
def two_hours(night: Night) -> None:
    night.untested()
    night.allow("undecided", "leaking", sections=(FL,))
    night.leak(FL, 30.0)


@evening("summer time: the clock of the file goes an hour forward", door=True)
def clock_forward(night: Night) -> None:
    night.jumps.append((6.0, 3600.0))
    night.leak(RR, 8.0)


@evening("summer time ends: the clock of the file goes an hour back", supports=BOTH, door=True)
def clock_back(night: Night) -> None:
    night.jumps.append((6.0, -3600.0))
    night.leak(RR, 8.0)


@evening("the clock of the file jumps by a day", door=True)
def clock_jumps_a_day(night: Night) -> None:
    night.jumps.append((6.0, 86_400.0))
    night.leak(RR, 8.0)
    # a day more than there was: the loss per day is the file's, not the car's
    night.allow("undecided", "leaking", "tight", sections=(RR,))


@evening("readings stand still in blocks: a logger that writes each value ten times")
def written_ten_times(night: Night) -> None:
    def blocks(values: np.ndarray, _scene: object) -> np.ndarray:
        return np.repeat(values[::10], 10)[: len(values)]

    night.lay_all("pressure", blocks)
    night.leak(FL, 8.0)


@evening("a leak of 30 %/day opens four hours before the end, read every ten seconds", periods_s=(10.0,))
def late_leak_each_ten_seconds(night: Night) -> None:
    night.leak(FL, 30.0, from_h=night.hours - 4.0)


@evening(
    "a drop of 8 %, read every ten seconds",
    supports=BOTH,
    periods_s=(10.0,),
    reasons=("fall_unexplained", "lost_fast"),
)
def drop_each_ten_seconds(night: Night) -> None:
    night.drop(FL, 8.0, 6.0)
    night.asks = (FL,)


@evening(
    "a burst, read every second",
    periods_s=(1.0,),
    reasons=("lost_fast", "empty", "alarm_standing", "fall_unexplained"),
)
def burst_each_second(night: Night) -> None:
    night.burst(RR, 9.0)
    night.asks = (RR,)


@evening(
    "+4 K at the air from hour 8 on, read every second",
    periods_s=(1.0,),
    air_is_wrong=True,
    reasons=("air_doubtful", "misfit", "gains_gas", "neighbour_doubtful"),
)
def air_4_K_up_each_second(night: Night) -> None:
    night.lay("ambient.temperature", lambda v, _s: v + 4.0, 8.0)
