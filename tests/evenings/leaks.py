"""Leaks that are hard to see: slow, late, early, all alike."""

from __future__ import annotations

from tests.evenings.catalogue import BOTH, evening
from tests.evenings.night import CORNERS, FL, FR, RL, RR, Night


@evening("one leaks 3 %/day, just over the threshold", supports=BOTH, hours=(14.0, 62.0))
def slow_3(night: Night) -> None:
    night.leak(RL, 3.0)


@evening("all leak 0.8 %/day, under the threshold", hours=(14.0, 62.0))
def all_under_the_threshold(night: Night) -> None:
    for name in CORNERS:
        night.leak(name, 0.8)


@evening("all leak 5 %/day alike, as a cold that the air doesn't show would look", supports=BOTH)
def all_slow_alike(night: Night) -> None:
    for name in CORNERS:
        night.leak(name, 5.0)


@evening("a leak of 60 %/day opens two hours before the end", supports=BOTH)
def late_leak(night: Night) -> None:
    night.leak(FR, 60.0, from_h=night.hours - 2.0)


@evening("a leak of 100 %/day opens three hours before the end of the weekend", hours=(62.0,))
def late_in_the_weekend(night: Night) -> None:
    night.leak(RR, 150.0, from_h=night.hours - 3.0)


@evening(
    "20 %/day for the first five hours, then tight",
    supports=BOTH,
    open_="an early loss that stops looks like gas that was warmer than the shop at the begin, and has cooled. "
    "A thermometer on the strut tells it, or what was read before the begin, or a second soak.",
)
def early_leak(night: Night) -> None:
    night.seep(FL, 100.0 * (1.0 - 2.718281828 ** (-0.2 * 5.0 / 24.0)), 0.0, 5.0)


@evening("12 %/day for six hours in the middle of the night")
def leak_in_the_middle(night: Night) -> None:
    night.seep(FR, 3.0, 4.0, 10.0)


@evening("a leak that opens and closes with the cold, 25 %/day below -6 °C", hours=(62.0,))
def opens_now_and_then(night: Night) -> None:
    night.leak(RR, 25.0, below_K=267.15)


@evening("a hole: 400 %/day through an orifice from hour 5 on", supports=BOTH)
def a_hole(night: Night) -> None:
    night.leak(RL, 400.0, from_h=5.0, law="orifice")


@evening("three of four leak, 6 %/day each; the tight one is the odd one out")
def three_of_four(night: Night) -> None:
    for name in (FL, FR, RL):
        night.leak(name, 6.0)


@evening(
    "2.5 % in the first forty minutes, then tight",
    reasons=("near_threshold", "begin_unclear"),
    open_=(
        "an early loss that stops looks like gas that was warmer than the shop at the fill and has cooled. A "
        "thermometer in the gas tells it, or a second soak without a drive and a fresh fill before it."
    ),
)
def early_loss_that_stops(night: Night) -> None:
    night.seep(FL, 2.5, 0.0, 0.7)
