"""Gas that goes at once, by steps, in a burst, or while nobody looks."""

from __future__ import annotations

import numpy as np

from tests.evenings.catalogue import BLOCKED, BOTH, STANDING, evening
from tests.evenings.night import CORNERS, FL, FR, RL, RR, Night

STEP = ("fall_unexplained", "lost_fast", "alarm_standing", "leaks_at_times", "near_threshold")
GAP = ("gap_unexplained", *STEP)


@evening("one drop of 8 %", supports=BOTH, hours=(14.0, 62.0), reasons=STEP)
def drop_8(night: Night) -> None:
    night.drop(FL, 8.0, night.some(3.0, 11.0))
    night.allow("leaking", "undecided", sections=(FL,))
    night.asks = (FL,)


@evening("one drop of 35 %", supports=BOTH, reasons=STEP)
def drop_35(night: Night) -> None:
    night.drop(RR, 35.0, night.some(3.0, 11.0))
    night.asks = (RR,)


@evening("one drop of 3 %", supports=BOTH, reasons=STEP)
def drop_3(night: Night) -> None:
    night.drop(FR, 3.0, night.some(3.0, 11.0))
    night.asks = (FR,)


@evening("2 % every 2 h, 22 %/day", supports=BOTH, reasons=STEP)
def steps_of_2(night: Night) -> None:
    for hour in np.arange(1.5, night.hours, 2.0):
        night.drop(RL, 2.0, float(hour))
    night.asks = (RL,)


@evening("2 % every 8 h over the weekend, 14 % gone", supports=BOTH, hours=(62.0,), reasons=STEP)
def steps_over_the_weekend(night: Night) -> None:
    for hour in np.arange(5.0, night.hours, 8.0):
        night.drop(FL, 2.0, float(hour))
    night.asks = (FL,)


@evening("0.7 % every half hour, 34 %/day in all", reasons=STEP)
def many_small_steps(night: Night) -> None:
    for hour in np.arange(0.8, night.hours, 0.5):
        night.drop(FR, 0.7, float(hour))
    night.asks = (FR,)


@evening("a transducer is off for an hour and comes back 4 % lower", supports=BOTH, reasons=GAP)
def off_and_back_lower(night: Night) -> None:
    hour = night.some(4.0, 9.0)
    night.lose(f"{FL}.pressure", hour, hour + 1.0)
    night.drop(FL, 4.0, hour + 0.5)
    night.asks = (FL,)


@evening("10 % gone in a 3 h gap of the logger", supports=BOTH, reasons=GAP)
def gone_in_the_gap(night: Night) -> None:
    hour = night.some(4.0, 8.0)
    night.lose("*", hour, hour + 3.0)
    night.seep(RR, 10.0, hour, hour + 3.0)
    night.asks = (RR,)


@evening("3 % gone in a 1 h gap of the logger, twice", reasons=GAP)
def gone_in_two_gaps(night: Night) -> None:
    for hour in (4.0, 9.0):
        night.lose("*", hour, hour + 1.0)
        night.drop(FR, 3.0, hour + 0.5)
    night.asks = (FR,)


@evening("a 3 h gap in which nothing went", supports=BOTH)
def gap_and_nothing(night: Night) -> None:
    hour = night.some(4.0, 8.0)
    night.lose("*", hour, hour + 3.0)


@evening("a standing corner drops by 20 mm", supports=STANDING, hours=(14.0, 62.0), reasons=STEP)
def corner_drops_20_mm(night: Night) -> None:
    night.drop(RL, 9.0, night.some(3.0, 11.0))
    night.allow("leaking", "undecided", sections=(RL,))
    night.asks = (RL,)


@evening("burst to 0 bar in hour 3", supports=BOTH, reasons=("lost_fast", "alarm_standing", "empty", *STEP))
def burst_early(night: Night) -> None:
    night.burst(FL, 3.0)
    night.asks = (FL,)


@evening("burst to 0 bar in hour 3, a floor is set", reasons=("lost_fast", "alarm_standing", "empty", *STEP))
def burst_with_a_floor(night: Night) -> None:
    night.burst(FL, 3.0)
    night.asks = (FL,)
    night.more_settings += '\n[sections.front_left]\nfloor = "2 bar"\n'


@evening(
    "burst an hour before the end",
    supports=BLOCKED,
    hours=(14.0, 62.0),
    reasons=("lost_fast", "empty", *STEP),
)
def burst_late(night: Night) -> None:
    night.burst(RR, night.hours - 1.0)
    night.asks = (RR,)


@evening("burst in the last ten minutes", supports=BOTH, reasons=("lost_fast", "empty", *STEP))
def burst_at_the_very_end(night: Night) -> None:
    night.burst(FR, night.hours - 1.0 / 6.0)
    night.asks = (FR,)


@evening("12 % goes in the last quarter of an hour", reasons=STEP)
def drop_at_the_very_end(night: Night) -> None:
    night.drop(RL, 12.0, night.hours - 0.2)
    night.asks = (RL,)


@evening("8 % goes within the first quarter of an hour, at once", reasons=("begin_unclear", *STEP))
def drop_at_the_very_begin(night: Night) -> None:
    night.drop(FL, 8.0, 0.2)
    night.asks = (FL,)


@evening("all four drop by 6 % at the same time", supports=BOTH, reasons=STEP)
def all_drop(night: Night) -> None:
    hour = night.some(3.0, 11.0)
    for name in CORNERS:
        night.drop(name, 6.0, hour)


@evening("a corner loses 5 % within half an hour, neither step nor leak", supports=BOTH, reasons=STEP)
def half_hour_loss(night: Night) -> None:
    hour = night.some(4.0, 11.0)
    night.seep(FR, 5.0, hour, hour + 0.5)
    night.asks = (FR,)


@evening("a drop of 8 % beside a leak of 10 %/day in the same corner", reasons=STEP)
def drop_and_leak(night: Night) -> None:
    night.drop(FL, 8.0, night.some(5.0, 9.0))
    night.leak(FL, 10.0)
    night.asks = (FL,)
