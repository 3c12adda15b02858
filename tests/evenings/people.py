"""What people do to a soaking car."""

from __future__ import annotations

import numpy as np

from logger.virtual.disturbances import Disturbance
from tests.evenings.catalogue import BLOCKED, BOTH, STANDING, evening
from tests.evenings.night import CORNERS, FL, FR, RL, RR, Array, Night, Scene, Values

FILLED = ("gains_gas", "fall_unexplained", "lost_fast", "misfit", "near_threshold", "neighbour_doubtful")


def carry(night: Night, sinks_mm: dict[str, float], from_h: float, to_h: float = 1e9) -> None:
    """Load a standing car: a corner sinks by so much, and its gas is pressed together; none goes."""

    def loaded(values: Values, scene: Scene) -> None:
        at = (scene.hour >= from_h) & (scene.hour < to_h)
        around_Pa = scene.simulated.truth.around_Pa
        for name, sink_mm in sinks_mm.items():
            column_m = scene.simulated.truth.gas_column_m[name]
            pressure, height = values[f"{name}.pressure"], values[f"{name}.height"]
            pressed = (pressure + around_Pa) * column_m / (column_m - sink_mm / 1e3) - around_Pa
            values[f"{name}.pressure"] = np.where(at, pressed, pressure)
            values[f"{name}.height"] = np.where(at, height - sink_mm / 1e3, height)

    night.change(loaded)


@evening("somebody sits in the car for ten minutes", supports=STANDING)
def sits_in_the_car(night: Night) -> None:
    hour = night.some(3.0, 11.0)
    carry(night, {FL: 7.0, FR: 4.0, RL: 3.0, RR: 1.0}, hour, hour + 1.0 / 6.0)


@evening("a toolbox of 60 kg is put into the boot and stays", supports=STANDING)
def toolbox(night: Night) -> None:
    carry(night, {RL: 11.0, RR: 11.0}, night.some(4.0, 9.0))


@evening("the toolbox is taken out while a rear corner leaks 10 %/day", supports=STANDING)
def toolbox_out_and_a_leak(night: Night) -> None:
    carry(night, {RL: -11.0, RR: -11.0}, night.some(5.0, 9.0))
    night.leak(RR, 10.0)


@evening("the car is moved by a bay, 3 K warmer there", supports=BOTH)
def moved(night: Night) -> None:
    night.events.append(Disturbance("moved", night.some(4.0, 9.0) * 3600.0, 3.0))


@evening("doors slam, six times", supports=BOTH)
def doors(night: Night) -> None:
    for _ in range(6):
        night.events.append(Disturbance("door", night.some(1.0, 13.0) * 3600.0, 2000.0))


@evening(
    "a valve is opened for a minute, 5 % goes, and nobody has written it down",
    supports=BOTH,
    reasons=("fall_unexplained", "lost_fast", "alarm_standing", "near_threshold"),
)
def valve_for_a_minute(night: Night) -> None:
    hour = night.some(4.0, 10.0)
    night.seep(FR, 5.0, hour, hour + 1.0 / 60.0)
    night.asks = (FR,)


@evening("a refill of 10 % in the night, then a leak of 12 %/day", supports=BOTH, reasons=FILLED)
def refill_then_a_leak(night: Night) -> None:
    night.fill(FL, 10.0, 6.0)
    night.leak(FL, 12.0, from_h=6.2)
    night.asks = (FL,)


@evening("a leak of 15 %/day, refilled twice by what was lost", supports=BOTH, reasons=FILLED)
def refill_hides_a_leak(night: Night) -> None:
    night.leak(RL, 15.0)
    night.fill(RL, 4.4, 7.0)
    night.fill(RL, 4.4, 13.5)
    night.asks = (RL,)


@evening("a drop of 8 % and a refill of 8 % an hour later", supports=BOTH, reasons=FILLED)
def drop_and_refill(night: Night) -> None:
    hour = night.some(4.0, 9.0)
    night.drop(FR, 8.0, hour)
    night.fill(FR, 8.7, hour + 1.0)
    night.asks = (FR,)


@evening("a refill of 5 % in all four, tight before and after", supports=BOTH)
def refill_all(night: Night) -> None:
    night.fill(None, 5.0, night.some(4.0, 9.0))


@evening(
    "a levelling pump is awake: every 2 h it puts back what a leak of 20 %/day took",
    supports=STANDING,
    reasons=FILLED,
)
def pump_awake(night: Night) -> None:
    night.leak(RL, 20.0)
    for hour in np.arange(2.0, night.hours, 2.0):
        night.fill(RL, 1.67, float(hour))
    night.asks = (RL,)


@evening(
    "a levelling pump is awake on a tight car and lifts it as it cools: 1 % every hour in all",
    supports=STANDING,
    reasons=FILLED,
)
def pump_on_a_tight_car(night: Night) -> None:
    for hour in np.arange(1.0, 8.0):
        night.fill(None, 1.0, float(hour))


@evening("the car is lifted by a jack at one corner for twenty minutes", supports=STANDING)
def jacked_up(night: Night) -> None:
    hour = night.some(4.0, 10.0)
    carry(night, {FL: -60.0, FR: 5.0, RL: 5.0}, hour, hour + 1.0 / 3.0)


@evening(
    "filled at the begin, still hot from the compressor: 15 K over the shop in one corner", supports=BLOCKED
)
def filled_hot(night: Night) -> None:
    night.plan["first_gas_K"] = {RR: 309.0}


@evening(
    "the hose stays on and the pressure of the line moves one reading",
    supports=BLOCKED,
    reasons=("misfit", "gains_gas", "contradiction", "near_threshold", "fall_unexplained"),
)
def hose_stays_on(night: Night) -> None:
    def line(values: Array, scene: Scene) -> Array:
        # a compressor that comes and goes; nothing of the corner is seen
        return 7.5e5 + 0.5e5 * np.abs((scene.hour * 1.7) % 2.0 - 1.0) + scene.noise(700.0) + 0.0 * values

    night.lay(f"{RR}.pressure", line)
    night.leak(RR, 10.0)
    night.untested(RR)
    night.asks = (RR,)


@evening(
    "two cars' plugs: all corners of the file are those of another car from hour 7 on",
    reasons=("contradiction", "fall_unexplained", "misfit", "gains_gas"),
)
def another_car(night: Night) -> None:
    factors = dict(zip(CORNERS, night.rng.uniform(0.75, 1.3, 4), strict=True))
    for name, factor in factors.items():
        night.lay(f"{name}.pressure", lambda v, _s, f=factor: v * f, 7.0)
    night.bears("leak", "burst")
    night.untested()
    # what reads lower has lost, as far as the file can tell
    night.allow("undecided", "leaking", sections=tuple(n for n, factor in factors.items() if factor < 1.0))


# -- written down ------------------------------------------------------------------------------------------------


@evening("a valve is opened for a minute, 5 % goes, and it is written down; tight otherwise", supports=BOTH)
def valve_noted(night: Night) -> None:
    hour = night.some(4.0, 10.0)
    night.seep(FR, 5.0, hour, hour + 1.0 / 60.0)
    night.notes.append((hour, "valve", (FR,)))
    # what was let out on purpose is nobody's leak
    night.allow("tight", "undecided", sections=(FR,))


@evening("a refill of 8 % is written down, the corner leaks 12 %/day before and after", supports=BOTH)
def refill_noted_and_a_leak(night: Night) -> None:
    night.leak(RL, 12.0)
    night.fill(RL, 8.0, 7.0)
    night.notes.append((7.0, "refill", (RL,)))


@evening("a refill is written down, a drop of 8 % two hours later is not", supports=BOTH, reasons=FILLED)
def refill_noted_and_a_drop(night: Night) -> None:
    night.fill(RL, 8.0, 5.0)
    night.notes.append((5.0, "refill", (RL,)))
    night.drop(RL, 8.0, 7.5)
    night.asks = (RL,)


@evening("a valve is written down at another corner than the one that drops by 6 %", reasons=FILLED)
def valve_noted_elsewhere(night: Night) -> None:
    night.drop(FL, 6.0, 6.0)
    night.notes.append((6.0, "valve", (RR,)))
    night.asks = (FL,)


@evening("a toolbox is put in and written down, one corner leaks 10 %/day", supports=STANDING)
def toolbox_noted(night: Night) -> None:
    carry(night, {RL: 11.0, RR: 11.0}, 6.0)
    night.notes.append((6.0, "load", ()))
    night.leak(FL, 10.0)
