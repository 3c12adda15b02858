"""Ordinary evenings: nothing goes wrong, and a program that only doubts would fail here."""

from __future__ import annotations

from logger.virtual.sensors import SensorPriors
from logger.virtual.transducer import PressureSensorPriors
from tests.evenings.catalogue import BOTH, evening
from tests.evenings.night import CORNERS, FL, FR, RL, RR, Night


@evening("all four tight", supports=BOTH, hours=(14.0, 62.0))
def all_tight(night: Night) -> None:
    del night


@evening("one leaks 20 %/day", supports=BOTH, hours=(14.0, 62.0))
def one_leaks_20(night: Night) -> None:
    night.leak(FL, 20.0)


@evening("one leaks 6 %/day", supports=BOTH, hours=(14.0, 62.0))
def one_leaks_6(night: Night) -> None:
    night.leak(RR, 6.0)


@evening("two leak, 10 and 5 %/day, one of them through a wall", supports=BOTH)
def two_leak(night: Night) -> None:
    night.leak(FR, 10.0)
    night.leak(RL, 5.0, law="porous")


@evening("one leaks 15 %/day below -3 °C", supports=BOTH, hours=(14.0, 62.0))
def leaks_in_the_cold(night: Night) -> None:
    night.leak(RL, 15.0, below_K=270.15, hysteresis_K=1.0)


@evening("all leak 8 %/day alike", supports=BOTH)
def all_leak_alike(night: Night) -> None:
    for name in CORNERS:
        night.leak(name, 8.0)


@evening("one leaks 20 %/day, read every second", periods_s=(1.0,))
def one_leaks_each_second(night: Night) -> None:
    night.leak(FL, 20.0)


@evening("one leaks 10 %/day, read every ten seconds", supports=BOTH, periods_s=(10.0,))
def one_leaks_each_ten_seconds(night: Night) -> None:
    night.leak(RR, 10.0)


@evening("all tight, transducers of absolute reference and no barometer, 10 %/day in one")
def absolute_transducers(night: Night) -> None:
    night.reference = "absolute"
    night.plan["pressure_sensor"] = PressureSensorPriors(reference="absolute")
    night.plan["sensors"] = SensorPriors(barometer=False)
    night.leak(FL, 10.0)
