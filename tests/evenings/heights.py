"""Heights: frozen, iced, in a wrong place, measured wrongly by hand; cars that stand otherwise than the settings say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.virtual.sensors import SensorPriors
from tests.evenings.catalogue import BLOCKED, STANDING, evening
from tests.evenings.night import CORNERS, FL, FR, RL, RR, Night, Scene, Values

if TYPE_CHECKING:
    from collections.abc import Callable

FROZEN = ("height_frozen", "contradiction", "no_heights", "misfit", "near_threshold", "neighbour_doubtful")
TAPE = ("contradiction", "implausible_input", "no_heights", "near_threshold", "neighbour_doubtful")
Measured = list[tuple[float, str, float]]


@evening(
    "one height frozen but for ±0.1 mm of noise, its corner leaks 8 %/day",
    supports=STANDING,
    hours=(14.0, 62.0),
    reasons=FROZEN,
)
def height_frozen(night: Night) -> None:
    night.hold(f"{FL}.height", -1.0, noise=0.1e-3)
    night.leak(FL, 8.0)
    night.asks = (FL,)


@evening(
    "one height frozen but for its usual noise, its corner leaks 6 %/day", supports=STANDING, reasons=FROZEN
)
def height_frozen_usual_noise(night: Night) -> None:
    night.hold(f"{RR}.height", -1.0, noise=0.25e-3)
    night.leak(RR, 6.0)
    night.asks = (RR,)


@evening("one height frozen from hour 4 on, its corner leaks 12 %/day", supports=STANDING, reasons=FROZEN)
def height_freezes(night: Night) -> None:
    night.hold(f"{RL}.height", 4.0, noise=0.1e-3)
    night.leak(RL, 12.0)
    night.asks = (RL,)


@evening(
    "the heights of all four iced, corners leak 8 and 6 %/day",
    supports=STANDING,
    hours=(14.0, 62.0),
    reasons=FROZEN,
)
def heights_iced(night: Night) -> None:
    for name in CORNERS:
        night.hold(f"{name}.height", 1.0, noise=0.1e-3)
    night.leak(FL, 8.0)
    night.leak(RR, 6.0)


@evening(
    "the heights of all four iced exactly, not a digit moves; all leak 8 %/day",
    supports=STANDING,
    reasons=FROZEN,
)
def heights_stand_still(night: Night) -> None:
    for name in CORNERS:
        night.hold(f"{name}.height", 1.0)
        night.leak(name, 8.0)


@evening(
    "a lever slips: one height jumps down by 15 mm, no gas goes",
    supports=STANDING,
    reasons=("fall_unexplained", "contradiction", "misfit"),
)
def lever_slips(night: Night) -> None:
    night.lay(f"{FR}.height", lambda v, _s: v - 0.015, night.some(4.0, 10.0))
    night.allow("undecided", "leaking", "tight", sections=(FR,))
    night.bears("leak", "burst", sections=(FR,))


@evening(
    "a lever slips up by 20 mm beside a leak of 15 %/day",
    supports=STANDING,
    reasons=("gains_gas", "contradiction", "misfit", "fall_unexplained"),
)
def lever_hides_a_leak(night: Night) -> None:
    night.lay(f"{FR}.height", lambda v, _s: v + 0.02, 7.0)
    night.leak(FR, 15.0)
    night.asks = (FR,)


@evening(
    "a height sensor mounted upside down, its corner leaks 10 %/day",
    supports=STANDING,
    reasons=("gains_gas", "contradiction", "misfit", "near_threshold"),
)
def height_upside_down(night: Night) -> None:
    night.lay(f"{FL}.height", lambda v, _s: 0.72 - v)
    night.leak(FL, 10.0)
    night.asks = (FL,)


@evening(
    "a height sensor dead from hour 4 on",
    supports=STANDING,
    reasons=("no_heights", "channel_dead", "too_few_readings"),
)
def height_dead(night: Night) -> None:
    night.lose(f"{RL}.height", 4.0)
    night.untested(RL)
    night.asks = (RL,)


@evening("no heights at all", supports=STANDING, reasons=("no_heights",))
def no_heights(night: Night) -> None:
    night.plan["sensors"] = SensorPriors(heights=False)
    night.leak(FL, 10.0)
    night.untested()


@evening("no gas column in the settings", supports=STANDING, reasons=("no_gas_column",))
def no_gas_column(night: Night) -> None:
    night.columns = False
    night.leak(FL, 10.0)
    night.untested()


@evening(
    "a standing car analysed as blocked, one corner leaks 6 %/day",
    supports=STANDING,
    hours=(14.0, 62.0),
    reasons=("wrong_support", "contradiction"),
)
def standing_as_blocked(night: Night) -> None:
    night.judged_as = "blocked"
    night.leak(FL, 6.0)


@evening(
    "a standing car without height sensors analysed as blocked, one corner leaks 8 %/day",
    supports=STANDING,
    reasons=("wrong_support", "contradiction", "no_heights"),
)
def standing_as_blocked_no_heights(night: Night) -> None:
    night.judged_as = "blocked"
    night.plan["sensors"] = SensorPriors(heights=False)
    night.leak(FL, 8.0)


@evening(
    "a blocked car analysed as standing",
    supports=BLOCKED,
    reasons=("wrong_support", "no_heights", "contradiction"),
)
def blocked_as_standing(night: Night) -> None:
    night.judged_as = "standing"
    night.leak(FL, 6.0)
    night.untested()


@evening(
    "a blocked car analysed as standing, height sensors that stand still are there",
    supports=BLOCKED,
    reasons=("wrong_support", "height_frozen", "contradiction"),
)
def blocked_as_standing_with_heights(night: Night) -> None:
    night.judged_as = "standing"

    def heights(values: Values, scene: Scene) -> None:
        for name in CORNERS:
            values[f"{name}.height"] = 0.36 + scene.noise(0.25e-3)

    night.change(heights)
    night.leak(FL, 6.0)
    night.asks = (FL,)


# -- by hand -----------------------------------------------------------------------------------------------------


def by_tape(
    night: Night, wrong: Callable[[int, str, dict[str, float]], float] = lambda _n, name, all_m: all_m[name]
) -> None:
    """Two heights by hand at each corner, before and after; `wrong` says what is written down of them."""
    night.plan["sensors"] = SensorPriors(heights=False)

    def measured(scene: Scene) -> Measured:
        out: Measured = []
        true_m = scene.simulated.truth.height_m
        if true_m is None:
            return out
        for number, hour in enumerate((0.1, night.end_h - 0.1)):
            row = int(np.searchsorted(scene.hour, hour))
            heights = dict(zip(CORNERS, true_m[row] + scene.rng.normal(0.0, 1e-3, 4), strict=True))
            out += [(hour, name, wrong(number, name, heights)) for name in CORNERS]
        return out

    night.tape = measured


@evening("heights by tape, all right; one corner leaks 12 %/day", supports=STANDING, hours=(14.0, 62.0))
def tape_right(night: Night) -> None:
    by_tape(night)
    night.leak(RL, 12.0)


@evening("a tape reading 100 mm off", supports=STANDING, hours=(14.0, 62.0), reasons=TAPE)
def tape_100_mm_off(night: Night) -> None:
    by_tape(night, lambda n, name, m: m[name] - (0.1 if (n, name) == (1, FL) else 0.0))
    night.asks = (FL,)


@evening("a tape reading 10 mm off", supports=STANDING, reasons=TAPE)
def tape_10_mm_off(night: Night) -> None:
    by_tape(night, lambda n, name, m: m[name] - (0.01 if (n, name) == (1, FL) else 0.0))
    night.asks = (FL,)


@evening("a tape reading 20 mm too high hides a leak of 15 %/day", supports=STANDING, reasons=TAPE)
def tape_hides_a_leak(night: Night) -> None:
    by_tape(night, lambda n, name, m: m[name] + (0.02 if (n, name) == (1, RR) else 0.0))
    night.leak(RR, 15.0)
    night.asks = (RR,)


@evening(
    "the tape readings of two corners swapped in the morning, one of them leaks 25 %/day",
    supports=STANDING,
    hours=(26.0,),
    reasons=TAPE,
)
def tape_swapped(night: Night) -> None:
    other = {FL: FR, FR: FL}
    by_tape(night, lambda n, name, m: m[other.get(name, name)] if n == 1 else m[name])
    night.leak(FR, 25.0)
    # nobody can tell which of the two it was
    night.allow("undecided", sections=(FL, FR))
    night.asks = (FL, FR)


@evening("a tape reading in cm", supports=STANDING, reasons=TAPE)
def tape_in_cm(night: Night) -> None:
    by_tape(night, lambda n, name, m: m[name] / (10.0 if (n, name) == (0, RL) else 1.0))
    night.asks = (RL,)
