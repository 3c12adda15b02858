"""Pressure transducers that fail, drift, are noisy or are read through something else."""

from __future__ import annotations

import numpy as np

from logger.virtual.draws import Fixed
from logger.virtual.transducer import PressureSensorPriors
from tests.evenings.catalogue import BOTH, evening
from tests.evenings.night import CORNERS, FL, FR, RL, RR, SUPPLY, Array, Night, Scene, Values

DEAD = ("channel_dead", "too_few_readings", "too_short")
STUCK = ("channel_dead", "too_few_readings", "implausible_input", "misfit", "contradiction", "near_threshold")


@evening("a channel dead from the begin", supports=BOTH, reasons=DEAD)
def dead_from_the_begin(night: Night) -> None:
    night.lose(f"{FL}.pressure")
    night.untested(FL)
    night.asks = (FL,)


@evening("a channel dead from hour 3 on", supports=BOTH, hours=(14.0, 62.0), reasons=DEAD)
def dead_from_hour_3(night: Night) -> None:
    night.lose(f"{RR}.pressure", 3.0)
    night.untested(RR)
    night.asks = (RR,)


@evening("a channel dead from hour 3 on, a leak of 40 %/day opens at hour 5", reasons=DEAD)
def dead_before_the_leak(night: Night) -> None:
    night.lose(f"{RR}.pressure", 3.0)
    night.leak(RR, 40.0, from_h=5.0)
    night.untested(RR)
    night.asks = (RR,)


@evening("a channel dead for an hour", supports=BOTH)
def dead_for_an_hour(night: Night) -> None:
    hour = night.some(3.0, 10.0)
    night.lose(f"{FR}.pressure", hour, hour + 1.0)


@evening("a loose contact: a third of one channel's readings is missing, one corner leaks 8 %/day")
def loose_contact(night: Night) -> None:
    night.lay(f"{FR}.pressure", lambda v, s: np.where(s.rng.random(len(v)) < 0.35, np.nan, v))
    night.leak(FR, 8.0)


@evening(
    "a transducer stands still from hour 2 on while its corner leaks 20 %/day", supports=BOTH, reasons=STUCK
)
def stuck(night: Night) -> None:
    night.hold(f"{RL}.pressure", 2.0)
    night.leak(RL, 20.0)
    night.allow("undecided", "leaking", sections=(RL,))
    night.asks = (RL,)


@evening(
    "a transducer stands still but for its noise from hour 2 on while its corner leaks 20 %/day",
    reasons=STUCK,
)
def stuck_with_noise(night: Night) -> None:
    night.hold(f"{RL}.pressure", 2.0, noise=700.0)
    night.leak(RL, 20.0)
    night.allow("undecided", "leaking", sections=(RL,))
    night.asks = (RL,)


@evening("a short: one transducer reads 16 bar from hour 7 on", reasons=(*STUCK, *DEAD))
def shorted(night: Night) -> None:
    night.lay(f"{FL}.pressure", lambda _v, _s: 1.6e6, 7.0)
    night.untested(FL)
    night.asks = (FL,)


@evening("one transducer reads 0 bar for an hour and then rightly again", supports=BOTH)
def zero_for_an_hour(night: Night) -> None:
    hour = night.some(4.0, 9.0)
    night.lay(f"{FL}.pressure", lambda _v, s: s.noise(300.0), hour, hour + 1.0)
    night.bears("leak", "burst", "floor", sections=(FL,))


@evening(
    "noise tenfold on all channels", supports=BOTH, reasons=("misfit", "near_threshold", "too_few_readings")
)
def noise_tenfold(night: Night) -> None:
    night.plan["pressure_sensor"] = PressureSensorPriors(noise_Pa=Fixed(7000.0))


@evening("noise tenfold, one corner leaks 15 %/day")
def noise_tenfold_and_a_leak(night: Night) -> None:
    noise_tenfold(night)
    night.leak(FR, 15.0)


@evening("spikes of 3 bar in one reading of thirty")
def spikes(night: Night) -> None:
    night.lay_all(
        "pressure",
        lambda v, s: np.where(s.rng.random(len(v)) < 0.033, v + s.rng.choice([-3e5, 3e5], len(v)), v),
    )


@evening("spikes of 3 bar, downward only, one corner leaks 10 %/day")
def spikes_down(night: Night) -> None:
    night.lay_all("pressure", lambda v, s: np.where(s.rng.random(len(v)) < 0.033, v - 3e5, v))
    night.leak(RR, 10.0)


@evening("a converter of 8 bits, steps of 62 mbar", supports=BOTH)
def coarse_converter(night: Night) -> None:
    night.plan["pressure_sensor"] = PressureSensorPriors(step_Pa=1.6e6 / 256)


@evening("a converter of 8 bits and hardly any noise, one corner leaks 5 %/day")
def coarse_and_quiet(night: Night) -> None:
    night.plan["pressure_sensor"] = PressureSensorPriors(step_Pa=1.6e6 / 256, noise_Pa=Fixed(200.0))
    night.leak(FL, 5.0)


@evening(
    "two corners read the same transducer; the other one leaks 20 %/day",
    reasons=("contradiction", "implausible_input"),
)
def duplicated_column(night: Night) -> None:
    def copy(values: Values, _scene: Scene) -> None:
        values[f"{FR}.pressure"] = values[f"{FL}.pressure"].copy()

    night.change(copy)
    night.leak(FR, 20.0)
    night.allow("undecided", sections=(FR,))
    night.asks = (FR,)


@evening(
    "two plugs are swapped at hour 6: 6 bar read as 8 and 8 as 6",
    reasons=("contradiction", "fall_unexplained", "misfit", "lost_fast"),
)
def plugs_swapped(night: Night) -> None:
    night.plan["fills_Pa"] = {FL: 600e3, RL: 800e3}

    def swap(values: Values, scene: Scene) -> None:
        a, b = values[f"{FL}.pressure"].copy(), values[f"{RL}.pressure"].copy()
        late = scene.hour >= 6.0
        values[f"{FL}.pressure"], values[f"{RL}.pressure"] = np.where(late, b, a), np.where(late, a, b)

    night.change(swap)
    # the one that seems to lose: whether it did, nobody has looked
    night.allow("undecided", "leaking", "tight", sections=(RL,))
    night.bears("leak", "burst", sections=(RL,))


@evening(
    "a 6 bar transducer, settings say 16 bar: everything reads 2.7 times too high",
    reasons=("implausible_input",),
)
def full_scale_too_big(night: Night) -> None:
    night.plan["fills_Pa"] = dict.fromkeys(CORNERS, 480e3)
    night.lay_all("pressure", lambda v, _s: v * 16.0 / 6.0)
    night.leak(FR, 6.0)


@evening("a 16 bar transducer, settings say 6 bar", reasons=("implausible_input",))
def full_scale_too_small(night: Night) -> None:
    night.full_scale = "6 bar"
    night.lay_all("pressure", lambda v, _s: v * 6.0 / 16.0)
    night.leak(FR, 6.0)


@evening("readings above the full scale that the settings name", reasons=("implausible_input",))
def above_full_scale(night: Night) -> None:
    night.full_scale = "4 bar"
    night.untested()


@evening("absolute transducers that the settings call gauge, one corner leaks 6 %/day", supports=BOTH)
def absolute_called_gauge(night: Night) -> None:
    night.plan["pressure_sensor"] = PressureSensorPriors(reference="absolute")
    night.leak(RR, 6.0)


@evening("gauge transducers that the settings call absolute, one corner leaks 6 %/day", supports=BOTH)
def gauge_called_absolute(night: Night) -> None:
    night.reference = "absolute"
    night.leak(RR, 6.0)


@evening(
    "the supply falls to 4.2 V for two hours and every reading with it: nothing measures it",
    reasons=("fall_unexplained", "misfit", "air_doubtful"),
)
def brownout_unmeasured(night: Night) -> None:
    night.lay_all("pressure", lambda v, _s: (v + 2e5) * 4.2 / 5.0 - 2e5, from_h=5.0, to_h=7.0)
    night.lose(SUPPLY)


def _pocket(name: str, from_h: float, night: Night) -> None:
    def pocket(values: Array, scene: Scene) -> Array:
        gas_K, late = scene.gas_K(name), scene.hour >= from_h
        first = int(np.flatnonzero(late)[0])
        true_Pa = scene.simulated.truth.pressure_Pa[first, CORNERS.index(name)]
        around_Pa = scene.simulated.truth.around_Pa
        return np.where(late, true_Pa * gas_K / gas_K[first] - around_Pa + scene.noise(700.0), values)

    night.lay(f"{name}.pressure", pocket)


@evening(
    "an iced port: the transducer reads a trapped pocket from hour 3 on while the corner leaks 10 %/day",
    open_=(
        "a pocket of gas behind ice cools and warms as the section would that holds. Ports that point down and a dry gas "
        "keep ice away; a height sensor, a thermometer in the gas, or a look at the gauge of the filling valve in the "
        "morning tells it."
    ),
)
def iced_port(night: Night) -> None:
    _pocket(FL, 3.0, night)
    night.leak(FL, 10.0)


@evening(
    "the supply drifts by -3 % over the night, and nothing measures it",
    open_=(
        "a ratiometric transducer on a supply that falls reads a fall, in all sections alike, as a loss of the same size "
        "would. rig.supply_voltage in the journal tells it; so does an unconnected reference transducer."
    ),
)
def supply_drifts(night: Night) -> None:
    night.lay_all("pressure", lambda v, s: (v + 2e5) * (1.0 - 0.03 * s.hour / night.hours) - 2e5)
    night.lose(SUPPLY)


@evening(
    "the supply rises by 3 % over the night and hides four leaks of 5 %/day, and nothing measures it",
    open_="as above: a supply that rises hides a loss of the same size in all sections.",
)
def supply_hides_leaks(night: Night) -> None:
    night.lay_all("pressure", lambda v, s: (v + 2e5) * (1.0 + 0.03 * s.hour / night.hours) - 2e5)
    night.lose(SUPPLY)
    for name in CORNERS:
        night.leak(name, 5.0)
