"""The plan of a simulated soak, and what a simulation gives: plain frozen data, SI throughout."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal

from logger.virtual.creep import CreepPriors
from logger.virtual.draws import Draw, FloatArray, Uniform
from logger.virtual.sensors import SensorPriors
from logger.virtual.standing import CORNERS, StandingPriors
from logger.virtual.support import BlockedPriors
from logger.virtual.thermal import ThermalPriors
from logger.virtual.transducer import PressureSensorPriors
from logger.virtual.weather import InventedWinter, Weather

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.virtual.disturbances import Disturbance
    from logger.virtual.gas import Gas
    from logger.virtual.leaks import Leak

Support = Literal["blocked", "standing"]


@dataclass(frozen=True, slots=True)
class SoakPlan:
    """One soak to be simulated; what is not fixed here is drawn from the priors by the seed."""

    support: Support = "blocked"
    gas: Gas = "nitrogen"
    hours: float = 14.0
    period_s: float = 60.0
    begin_utc: datetime = datetime(2027, 1, 15, 18, tzinfo=UTC)
    solar_hour_offset: float = 0.0  # local solar time minus UTC
    sections: tuple[str, ...] = CORNERS
    fill_Pa: Draw = Uniform(500e3, 1000e3)  # gauge, per section (per axle on a standing car) …
    fills_Pa: Mapping[str, float] = field(default_factory=dict)  # … unless given here
    first_gas_K: Mapping[str, float] = field(default_factory=dict)  # else drawn by `thermal`
    humidity: Draw = Uniform(0.3, 1.0)  # of the compressed gas, shop air only
    weather: Weather = field(default_factory=InventedWinter)
    leaks: tuple[Leak, ...] = ()
    disturbances: tuple[Disturbance, ...] = ()
    thermal: ThermalPriors = field(default_factory=ThermalPriors)
    blocked: BlockedPriors = field(default_factory=BlockedPriors)
    standing: StandingPriors = field(default_factory=StandingPriors)
    creep: CreepPriors = field(default_factory=CreepPriors)
    pressure_sensor: PressureSensorPriors = field(default_factory=PressureSensorPriors)
    sensors: SensorPriors = field(default_factory=SensorPriors)

    def __post_init__(self) -> None:
        """Refuse plans that can't be simulated, with a reason."""
        if self.begin_utc.tzinfo is None:
            raise ValueError("begin_utc: a time zone is needed")
        if not (0.0 < self.period_s <= self.hours * 3600.0):
            raise ValueError("period: must be positive and not longer than the soak")
        if not self.sections or len(set(self.sections)) != len(self.sections):
            raise ValueError("sections: at least one, each once")
        if self.support == "standing" and tuple(self.sections) != CORNERS:
            raise ValueError(f"sections: a standing car has {', '.join(CORNERS)}")
        named = [leak.section for leak in self.leaks]
        named += [event.section for event in self.disturbances if event.section is not None]
        named += [*self.fills_Pa, *self.first_gas_K]
        for name in named:
            if name not in self.sections:
                raise ValueError(
                    f"section {name!r} is named, but the sections are {', '.join(self.sections)}"
                )


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What really happened. Arrays (n, k) in the order of the plan's sections; mappings by section name."""

    outside_K: FloatArray  # (n,)
    around_K: FloatArray  # (n,) at the rig: shop air, then outside air
    around_Pa: FloatArray  # (n,)
    arch_K: FloatArray
    gas_K: FloatArray
    pressure_Pa: FloatArray  # absolute
    volume_m3: FloatArray
    height_m: FloatArray | None
    amount_mol: FloatArray
    leaked: FloatArray  # ∫ loss dt: what leaks took of ln n, without valves and pumps
    loss_per_s: Mapping[str, float]  # mean over the recording, leaks only
    coldest_gas_K: Mapping[str, float]
    gas_column_m: Mapping[str, float]  # true V/A at the first sample; empty if blocked
    drawn: Mapping[str, FloatArray]  # every parameter that was drawn, by name


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """A simulated recording: `measured` by channel name, SI, NaN = no reading."""

    plan: SoakPlan
    seed: int
    time_s: FloatArray  # (n,)
    measured: Mapping[str, FloatArray]
    truth: Truth
