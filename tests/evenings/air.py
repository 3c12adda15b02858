"""The air's thermometer is wrong: a witness, not a judge."""

from __future__ import annotations

import numpy as np

from logger.virtual.series import lagged
from tests.evenings.catalogue import BOTH, evening
from tests.evenings.night import AIR, BAROMETER, CORNERS, FL, FR, RL, RR, ZERO_C, Night, Scene, Values

DOUBT = (
    "air_doubtful",
    "implausible_input",
    "no_temperature",
    "neighbour_doubtful",
    "gains_gas",
    "misfit",
    "near_threshold",
    "begin_unclear",
)


@evening(
    "unplugged, 85.0 °C for five hours", supports=BOTH, hours=(14.0, 62.0), reasons=DOUBT, air_is_wrong=True
)
def air_85(night: Night) -> None:
    hour = night.some(2.0, 7.0)
    night.lay(AIR, lambda _v, _s: ZERO_C + 85.0, hour, hour + 5.0)


@evening("unplugged, 85.0 °C for a minute now and then", reasons=DOUBT, air_is_wrong=True)
def air_85_now_and_then(night: Night) -> None:
    night.lay(AIR, lambda v, s: np.where(s.rng.random(len(v)) < 0.03, ZERO_C + 85.0, v))


@evening("-127 °C from hour 6 on", reasons=DOUBT, air_is_wrong=True)
def air_minus_127(night: Night) -> None:
    night.lay(AIR, lambda _v, _s: ZERO_C - 127.0, 6.0)


@evening("kelvin in the column of °C", supports=BOTH, reasons=DOUBT, air_is_wrong=True, door=True)
def air_in_kelvin(night: Night) -> None:
    night.lay(AIR, lambda v, _s: v + ZERO_C)


@evening("°F in the column of °C", reasons=DOUBT, air_is_wrong=True, door=True)
def air_in_fahrenheit(night: Night) -> None:
    night.lay(AIR, lambda v, _s: 1.8 * (v - ZERO_C) + 32.0 + ZERO_C)


@evening("its sign turned", supports=BOTH, reasons=DOUBT, air_is_wrong=True)
def air_sign_turned(night: Night) -> None:
    night.lay(AIR, lambda v, _s: 2.0 * ZERO_C - v)


@evening("the sensor indoors", supports=BOTH, hours=(14.0, 62.0), reasons=DOUBT, air_is_wrong=True)
def air_indoors(night: Night) -> None:
    night.lay(AIR, lambda v, s: ZERO_C + 20.0 + 0.3 * np.sin(s.hour) + s.noise(0.05) + 0.0 * v)


@evening("the sensor indoors, one corner leaks 12 %/day", reasons=DOUBT, air_is_wrong=True)
def air_indoors_and_a_leak(night: Night) -> None:
    night.lay(AIR, lambda v, s: ZERO_C + 20.0 + 0.3 * np.sin(s.hour) + s.noise(0.05) + 0.0 * v)
    night.leak(FR, 12.0)


@evening("the sensor in a slow shed: six hours behind, half of the swing", reasons=DOUBT, air_is_wrong=True)
def air_in_a_slow_shed(night: Night) -> None:
    def slow(values: np.ndarray, scene: Scene) -> np.ndarray:
        air = scene.simulated.truth.around_K
        return lagged(air[:, None], night.period_s, np.array([6.0 * 3600.0]), air[:1])[:, 0] + 0.0 * values

    night.lay(AIR, slow)


@evening("+4 K from hour 8 on", supports=BOTH, hours=(14.0, 62.0), reasons=DOUBT, air_is_wrong=True)
def air_4_K_up(night: Night) -> None:
    night.lay(AIR, lambda v, _s: v + 4.0, 8.0)


@evening("-4 K from hour 8 on, one corner leaks 6 %/day", reasons=DOUBT, air_is_wrong=True)
def air_4_K_down_and_a_leak(night: Night) -> None:
    night.lay(AIR, lambda v, _s: v - 4.0, 8.0)
    night.leak(RL, 6.0)


@evening("drifts by +5 K over the night", reasons=DOUBT, air_is_wrong=True)
def air_drifts(night: Night) -> None:
    night.lay(AIR, lambda v, s: v + 5.0 * s.hour / night.hours)


@evening(
    "the sensor in the midday sun, 12 K for three hours",
    hours=(26.0,),
    supports=BOTH,
    reasons=DOUBT,
    air_is_wrong=True,
)
def air_in_the_sun(night: Night) -> None:
    # the soak begins at 18 h
    night.lay(AIR, lambda v, s: v + 12.0 * np.sin(np.pi * (s.hour - 17.0) / 3.5).clip(0.0), 17.0, 20.5)


@evening(
    "the sensor in the midday sun, one corner leaks 8 %/day", hours=(26.0,), reasons=DOUBT, air_is_wrong=True
)
def air_in_the_sun_and_a_leak(night: Night) -> None:
    night.lay(AIR, lambda v, s: v + 12.0 * np.sin(np.pi * (s.hour - 17.0) / 3.5).clip(0.0), 17.0, 20.5)
    night.leak(FL, 8.0)


@evening("frozen from hour 3 on", supports=BOTH, reasons=DOUBT, air_is_wrong=True)
def air_frozen(night: Night) -> None:
    night.hold(AIR, 3.0)


@evening("frozen from the begin, one corner leaks 8 %/day", reasons=DOUBT, air_is_wrong=True)
def air_frozen_and_a_leak(night: Night) -> None:
    night.hold(AIR, -1.0, noise=0.05)
    night.leak(RR, 8.0)


@evening(
    "the columns of the air's thermometer and of the barometer are swapped",
    reasons=DOUBT,
    air_is_wrong=True,
    door=True,
)
def air_and_barometer_swapped(night: Night) -> None:
    def swap(values: Values, _scene: Scene) -> None:
        air_C, barometer_kPa = values[AIR] - ZERO_C, values[BAROMETER] / 1e3
        values[AIR], values[BAROMETER] = barometer_kPa + ZERO_C, air_C * 1e3

    night.change(swap)


@evening(
    "no reading from hour 4 on",
    supports=BOTH,
    reasons=(*DOUBT, "channel_dead", "too_few_readings"),
    air_is_wrong=True,
)
def air_dead(night: Night) -> None:
    night.lose(AIR, 4.0)


@evening("no air thermometer at all", reasons=("no_temperature", "channel_dead"))
def no_air(night: Night) -> None:
    night.lose(AIR)
    night.untested()


@evening("-4 K at once from hour 5 on, all four leak 4 %/day", reasons=DOUBT, air_is_wrong=True)
def air_down_and_all_leak(night: Night) -> None:
    night.lay(AIR, lambda v, _s: v - 4.0, 5.0)
    for name in CORNERS:
        night.leak(name, 4.5)


@evening("the barometer stands still", supports=BOTH)
def barometer_stuck(night: Night) -> None:
    night.hold(BAROMETER, -1.0)


@evening("the barometer in hPa in the column of kPa", reasons=("implausible_input",), door=True)
def barometer_in_hPa(night: Night) -> None:
    night.lay(BAROMETER, lambda v, _s: 10.0 * v)


@evening("the barometer in Pa in the column of kPa", reasons=("implausible_input",), door=True)
def barometer_in_Pa(night: Night) -> None:
    night.lay(BAROMETER, lambda v, _s: 1000.0 * v)


@evening("the barometer in bar in the column of kPa", reasons=("implausible_input",), door=True)
def barometer_in_bar(night: Night) -> None:
    night.lay(BAROMETER, lambda v, _s: v / 100.0)


@evening(
    "the barometer jumps by 60 hPa at hour 6",
    reasons=("implausible_input", "misfit", "near_threshold", "gains_gas", "fall_unexplained"),
)
def barometer_jumps(night: Night) -> None:
    night.lay(BAROMETER, lambda v, _s: v - 6000.0, 6.0)
    night.leak(FR, 9.0)
