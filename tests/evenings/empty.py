"""Nothing was tested: no gas under pressure, or nothing that it holds against."""

from __future__ import annotations

from tests.evenings.catalogue import BOTH, STANDING, evening
from tests.evenings.night import CORNERS, FL, FR, RL, RR, Night, Scene, Values

NOTHING = ("empty", "implausible_input", "alarm_standing", "no_heights")


@evening("a corner flat from the begin, 0.003 bar", reasons=NOTHING)
def flat_from_the_begin(night: Night) -> None:
    night.plan["fills_Pa"] = {FL: 300.0}
    night.untested(FL)
    night.asks = (FL,)


@evening(
    "a corner flat from the begin, the hose open: gauge pressure nothing but noise",
    supports=BOTH,
    reasons=NOTHING,
)
def flat_and_open(night: Night) -> None:
    night.lay(f"{RR}.pressure", lambda _v, s: 400.0 + s.noise(700.0))
    night.untested(RR)
    night.asks = (RR,)


@evening("all valves open: four times 0 bar", supports=BOTH, reasons=NOTHING)
def all_valves_open(night: Night) -> None:
    night.lay_all("pressure", lambda _v, s: s.rng.normal(0.0, 1000.0) + s.noise(700.0))
    night.untested()


@evening("a corner hardly filled: 0.25 bar, its neighbours 5 bar and more", reasons=NOTHING)
def hardly_filled(night: Night) -> None:
    night.plan["fills_Pa"] = {RL: 25e3}
    night.untested(RL)
    night.asks = (RL,)


@evening("a standing corner burst before the begin and lies on its stop", supports=STANDING, reasons=NOTHING)
def on_its_stop(night: Night) -> None:
    night.begin_h = 1.0
    night.burst(FR, 0.2)
    night.allow("undecided", "leaking", sections=(FR,))
    night.asks = (FR,)


@evening(
    "the whole car on its stops from the begin: filled to a third of what it weighs",
    supports=STANDING,
    reasons=NOTHING,
)
def all_on_the_stops(night: Night) -> None:
    night.begin_h = 1.0
    for name in CORNERS:
        night.drop(name, 65.0, 0.2)
    night.untested()


@evening("a blocked corner burst before the begin", reasons=NOTHING)
def burst_before_the_begin(night: Night) -> None:
    night.begin_h = 1.0
    night.burst(FL, 0.2)
    night.allow("undecided", "leaking", sections=(FL,))
    night.asks = (FL,)


@evening("a corner leaks 15 %/day beside one that is flat from the begin", reasons=NOTHING)
def flat_beside_a_leak(night: Night) -> None:
    night.plan["fills_Pa"] = {FL: 300.0}
    night.leak(FR, 15.0)
    night.untested(FL)
    night.asks = (FL,)


@evening(
    "emptied within two hours from hour 2 on, then nothing", reasons=("lost_fast", "empty", "alarm_standing")
)
def emptied_slowly(night: Night) -> None:
    night.leak(RR, 6000.0, from_h=2.0, law="orifice")
    night.allow("undecided", "leaking", sections=(RR,))
    night.asks = (RR,)


@evening(
    "no channel but the air: every pressure is empty but for the first hour",
    reasons=("channel_dead", "too_few_readings", "too_short"),
)
def pressures_end_early(night: Night) -> None:
    def gone(values: Values, scene: Scene) -> None:
        for name in CORNERS:
            values[f"{name}.pressure"][scene.hour > 1.0] = float("nan")

    night.change(gone)
    night.untested()
