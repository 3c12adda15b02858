"""Warmth that isn't what it seems: a car that is moved, a begin at the wrong time, thermometers called gas."""

from __future__ import annotations

import numpy as np

from logger.virtual.draws import Fixed, Uniform
from logger.virtual.sensors import SensorPriors
from tests.evenings.catalogue import BOTH, evening
from tests.evenings.night import AIR, CORNERS, FL, FR, RL, RR, ZERO_C, Array, Night, Scene, Values

DOUBT = ("air_doubtful", "neighbour_doubtful", "gains_gas", "misfit", "near_threshold", "fall_unexplained")
BEGIN = ("begin_unclear", "near_threshold", "air_doubtful", "too_short", "misfit")
GAS = (
    "implausible_input",
    "air_doubtful",
    "gains_gas",
    "misfit",
    "near_threshold",
    "neighbour_doubtful",
    "contradiction",
)


def stays_outside(night: Night, outside: Array) -> None:
    """The thermometer stays where it was while the car goes."""
    night.lay(AIR, lambda _v, s: np.interp(s.hour, outside[0], outside[1]) + s.noise(0.05), 0.6)


# -- the car goes ------------------------------------------------------------------------------------------------


@evening(
    "wheeled into a shed 12 K warmer at hour 6, the thermometer stays outside",
    supports=BOTH,
    reasons=DOUBT,
    air_is_wrong=True,
)
def wheeled_in(night: Night) -> None:
    stays_outside(night, night.shed([(6.0, 99.0, 10.0)]))


@evening(
    "wheeled into a warmer shed, one corner leaks 10 %/day, the thermometer stays outside",
    supports=BOTH,
    reasons=DOUBT,
    air_is_wrong=True,
)
def wheeled_in_and_a_leak(night: Night) -> None:
    stays_outside(night, night.shed([(6.0, 99.0, 10.0)]))
    night.leak(FR, 10.0)


@evening("wheeled into a warmer shed together with the thermometer", supports=BOTH)
def wheeled_in_with_the_sensor(night: Night) -> None:
    night.shed([(6.0, 99.0, 10.0)])


@evening(
    "indoors until hour 5, then out; the thermometer is outside all the time",
    supports=BOTH,
    reasons=DOUBT,
    air_is_wrong=True,
)
def wheeled_out(night: Night) -> None:
    outside = night.shed([(-1.0, 5.0, 16.0)])
    night.lay(AIR, lambda _v, s: np.interp(s.hour, outside[0], outside[1]) + s.noise(0.05))


@evening(
    "in the warm wash bay for an hour and out again, the thermometer stays outside",
    reasons=DOUBT,
    air_is_wrong=True,
)
def an_hour_inside(night: Night) -> None:
    stays_outside(night, night.shed([(7.0, 8.0, 18.0)]))


@evening("the whole night in the workshop, nobody has rolled it out", supports=BOTH)
def never_rolled_out(night: Night) -> None:
    night.thermal["roll_out_s"] = Fixed(1e9)


@evening("one flank in the sun, 8 K in the arches, the air as it is", hours=(26.0,), supports=BOTH)
def sun_on_a_flank(night: Night) -> None:
    night.thermal["sun_K"] = Fixed(8.0)


@evening("a hot engine: 15 K in the front arches, fading for hours", supports=BOTH)
def hot_engine(night: Night) -> None:
    night.thermal |= {
        "driven_probability": 1.0,
        "engine_front_K": Fixed(15.0),
        "engine_decay_s": Fixed(4.0 * 3600.0),
    }


@evening("a fan heater blows at one corner from hour 8 on", reasons=DOUBT)
def heater_at_a_corner(night: Night) -> None:
    def warmed(values: Array, scene: Scene) -> Array:
        rise_K = 9.0 * (1.0 - np.exp(-np.maximum(scene.hour - 8.0, 0.0) / 0.8))
        return (values + 101.3e3) * (1.0 + rise_K / scene.gas_K(RL)) - 101.3e3

    night.lay(f"{RL}.pressure", warmed)


@evening(
    "a warm gas hides a leak: a heater at the corner that leaks 8 %/day",
    reasons=DOUBT,
    open_="one corner that is warmed slowly from outside gains as much as it loses, and no other corner knows of it. "
    "A thermometer on the strut tells it.",
)
def heater_hides_a_leak(night: Night) -> None:
    heater_at_a_corner(night)
    night.leak(RL, 8.0)
    night.asks = (RL,)


# -- the begin ---------------------------------------------------------------------------------------------------


@evening("the recording begins 10 min after the roll-out", supports=BOTH, reasons=BEGIN)
def begins_outdoors_10_min(night: Night) -> None:
    night.begin_h = 1.0 / 6.0


@evening("the recording begins 45 min after the roll-out", supports=BOTH, hours=(14.0, 62.0), reasons=BEGIN)
def begins_outdoors_45_min(night: Night) -> None:
    night.begin_h = 0.75


@evening("the recording begins 2 h after the roll-out", supports=BOTH, reasons=BEGIN)
def begins_outdoors_2_h(night: Night) -> None:
    night.begin_h = 2.0


@evening(
    "begins 20 min after the roll-out, gas 6 K warmer than the shop: straight from the road",
    supports=BOTH,
    reasons=BEGIN,
)
def begins_outdoors_hot(night: Night) -> None:
    night.begin_h = 1.0 / 3.0
    night.thermal |= {"driven_probability": 1.0, "warmer_common_K": Uniform(5.0, 7.0)}


@evening("begins 20 min after the roll-out, one corner leaks 20 %/day", supports=BOTH, reasons=BEGIN)
def begins_outdoors_and_a_leak(night: Night) -> None:
    night.begin_h = 1.0 / 3.0
    night.leak(FL, 20.0)


@evening("begins 30 min after the roll-out and lasts 5 h", supports=BOTH, hours=(5.0,), reasons=BEGIN)
def begins_outdoors_and_is_short(night: Night) -> None:
    night.begin_h = 0.5


@evening("begins 20 min after the roll-out in a hard frost, 35 K colder than the shop", reasons=BEGIN)
def begins_in_hard_frost(night: Night) -> None:
    night.begin_h = 1.0 / 3.0
    night.shed([], mean_C=-15.0)


@evening("the recording begins 3 h before the roll-out", supports=BOTH)
def begins_before_the_roll_out(night: Night) -> None:
    night.thermal["roll_out_s"] = Fixed(3.0 * 3600.0)


@evening("begins 6 h before the roll-out, one corner leaks 10 %/day", supports=BOTH)
def begins_long_before_and_a_leak(night: Night) -> None:
    night.thermal["roll_out_s"] = Fixed(6.0 * 3600.0)
    night.leak(RR, 10.0)


# -- thermometers called gas -------------------------------------------------------------------------------------


def with_probes(night: Night) -> None:
    night.plan["sensors"] = SensorPriors(gas_thermometer=True)


@evening("gas_degC from thermometers that are in the gas, one corner leaks 6 %/day", supports=BOTH)
def probes_in_the_gas(night: Night) -> None:
    with_probes(night)
    night.leak(FR, 6.0)


@evening("gas_degC from thermometers outside the bellows", supports=BOTH, reasons=GAS)
def probes_outside(night: Night) -> None:
    with_probes(night)
    night.lay_all("gas_temperature", lambda _v, s: s.simulated.truth.around_K + s.noise(0.1))


@evening("gas_degC from a thermometer outside the bellows, at the corner that leaks 8 %/day", reasons=GAS)
def one_probe_outside(night: Night) -> None:
    with_probes(night)
    night.lay(f"{FL}.gas_temperature", lambda _v, s: s.simulated.truth.around_K + s.noise(0.1))
    night.leak(FL, 8.0)
    night.asks = (FL,)


@evening("gas_degC in kelvin", supports=BOTH, reasons=GAS, door=True)
def probes_in_kelvin(night: Night) -> None:
    with_probes(night)
    night.lay_all("gas_temperature", lambda v, _s: v + ZERO_C)


@evening("gas_degC of one corner falls off: 85.0 °C from hour 6 on", reasons=GAS)
def probe_85(night: Night) -> None:
    with_probes(night)
    night.lay(f"{RR}.gas_temperature", lambda _v, _s: ZERO_C + 85.0, 6.0)
    night.asks = (RR,)


@evening("gas_degC of the front corners are swapped with the rear", reasons=GAS)
def probes_swapped(night: Night) -> None:
    with_probes(night)

    def swap(values: Values, _scene: Scene) -> None:
        for one, other in ((FL, RL), (FR, RR)):
            a, b = f"{one}.gas_temperature", f"{other}.gas_temperature"
            values[a], values[b] = values[b], values[a]

    night.change(swap)


@evening("no air thermometer, but gas_degC outside the bellows at all four", reasons=(*GAS, "no_temperature"))
def only_probes_outside(night: Night) -> None:
    probes_outside(night)
    night.lose(AIR)


@evening("gas_degC frozen at the value of the shop", reasons=GAS)
def probes_frozen(night: Night) -> None:
    with_probes(night)
    for name in CORNERS:
        night.hold(f"{name}.gas_temperature", -1.0, noise=0.03)
