"""One evening in the making: a soak of the virtual rig's car, and what is done to it, to its sensors and to its file.

A function of the catalogue gets a `Night`, says what happens, and returns nothing. `Night.record` plays it. The car, the
weather and the sensors are those of `logger/virtual`, which shares nothing with the estimator; what is laid over the
readings is here.
"""

from __future__ import annotations

import os
import zlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

# one evening is one process's work; threads inside numpy would only get into each other's way
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray

from logger.settings import Settings, settings_from_text
from logger.virtual.disturbances import Disturbance
from logger.virtual.draws import Fixed, Uniform
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan
from logger.virtual.standing import CORNERS
from logger.virtual.thermal import ThermalPriors
from logger.virtual.weather import HourlyRecord

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.notes import Kind
    from logger.virtual.plan import Simulated, Support

Array = NDArray[np.float64]

FL, FR, RL, RR = CORNERS
AIR, BAROMETER, SUPPLY = "ambient.temperature", "ambient.pressure", "rig.supply_voltage"
ZERO_C: Final = 273.15
DAY_S: Final = 86_400.0
HOUR_S: Final = 3600.0
FOREVER: Final = 1e9
COLUMNS_MM = {FL: 250, FR: 250, RL: 230, RR: 230}


@dataclass(frozen=True)
class Scene:
    """What a layer may look at: hours since the simulation's begin (n,), the simulation, a generator of its own."""

    hour: Array
    simulated: Simulated
    rng: np.random.Generator

    def gas_K(self, section: str) -> Array:
        """The true temperature of a section's gas, (n,)."""
        return self.simulated.truth.gas_K[:, CORNERS.index(section)]

    @property
    def outside_K(self) -> Array:
        """The true temperature outside, (n,)."""
        return self.simulated.truth.outside_K

    def noise(self, deviation: float) -> Array:
        """White noise, (n,)."""
        return self.rng.normal(0.0, deviation, len(self.hour))


Values = dict[str, Array]
Layer = "Callable[[Values, Scene], None]"


@dataclass(frozen=True)
class Recorded:
    """An evening that was played: what the program gets, and what really happened."""

    time_s: Array
    values: Values
    settings: Settings
    tape: tuple[tuple[float, str, float], ...]
    """Heights by hand: seconds since the first row, section, m."""
    lost_per_day: dict[str, float]
    """True mean loss from the first row to the last, in ln n, all that went down and nothing that was put in."""
    worst_2h_per_day: dict[str, float]
    """The same of the two hours in which most was lost."""
    worst_5min: dict[str, float]
    """Share of the gas that went within the worst five minutes."""
    least_share_of_fill: dict[str, float]
    """The lowest gauge pressure, true or read, as a share of the first one."""
    notes: tuple[tuple[float, Kind, tuple[str, ...]], ...]
    """What somebody has written down: seconds since the first row, kind, sections."""
    fallen: tuple[Array, Array]
    """Seconds since the first row (n,), and what was lost until then in ln n, (n, 4)."""
    before_s: Array
    """Times of the rows before the recording's begin, which a journal has and a recording has not: negative."""
    before: Values
    jumps: tuple[tuple[float, float], ...] = ()
    """What the clock of a recording does: from so many seconds on it shows so many more."""

    def lost_within(self, name: str, from_s: float, to_s: float) -> float:
        """What a section lost between two times, in ln n."""
        time_s, lost = self.fallen
        return float(np.diff(np.interp([from_s, to_s], time_s, lost[:, CORNERS.index(name)]))[0])


@dataclass
class Night:
    """What happens in one evening. Times are hours since the simulation's begin; the recording begins at `begin_h`."""

    seed: int
    support: Support = "blocked"
    hours: float = 14.0
    period_s: float = 60.0
    name: str = ""
    plan: dict[str, Any] = field(default_factory=dict)
    """Further fields of the soak's plan."""
    thermal: dict[str, Any] = field(default_factory=dict)
    begin_h: float = 0.0
    judged_as: Support | None = None
    """The support that the settings name, where it is another one."""
    columns: bool = True
    """The settings know the gas columns."""
    reference: str = "gauge"
    full_scale: str = "16 bar"
    more_settings: str = ""
    leaks: list[Leak] = field(default_factory=list)
    events: list[Disturbance] = field(default_factory=list)
    layers: list[Any] = field(default_factory=list)
    drops_rows: list[Any] = field(default_factory=list)
    tape: Any = None
    """A function of the scene that returns heights by hand: hour, section, m."""
    notes: list[tuple[float, Kind, tuple[str, ...]]] = field(default_factory=list)
    """What somebody has written down: hour, kind, sections."""
    jumps: list[tuple[float, float]] = field(default_factory=list)
    allowed: dict[str, frozenset[str]] = field(default_factory=dict)
    """The verdicts that are honest, where the true loss doesn't say it."""
    borne: dict[str, frozenset[str]] = field(default_factory=dict)
    """Kinds of alarm that the readings bear out at that time, though the gas was there: a fall to 0 bar in a minute."""
    asks: tuple[str, ...] = CORNERS
    """The sections that should give one of the row's reasons where they are undecided."""

    def __post_init__(self) -> None:
        """Draw by the seed, otherwise in each evening."""
        mark = zlib.crc32(self.name.encode())
        self.rng = np.random.default_rng((self.seed, mark))
        self.car_seed = self.seed * 1000 + mark % 1000

    @property
    def end_h(self) -> float:
        """When the recording ends."""
        return self.begin_h + self.hours

    def some(self, low: float, high: float) -> float:
        """Draw a number between two."""
        return float(self.rng.uniform(low, high))

    # -- what happens to the gas ----------------------------------------------------------------------------

    def leak(self, section: str, percent_per_day: float, from_h: float = 0.0, **how: Any) -> None:
        """A leak, from an hour on."""
        self.leaks.append(Leak(section, percent_per_day / 100.0 / DAY_S, begin_s=from_h * HOUR_S, **how))

    def drop(self, section: str, percent: float, at_h: float) -> None:
        """Gas that is gone at once."""
        self.events.append(Disturbance("valve", at_h * HOUR_S, percent / 100.0, section))

    def seep(self, section: str, percent: float, from_h: float, to_h: float) -> None:
        """Gas that goes steadily within some time, and then no more."""
        times = np.arange(from_h, to_h, max((to_h - from_h) / 60.0, 1.0 / 60.0))
        share = 1.0 - (1.0 - percent / 100.0) ** (1.0 / len(times))
        self.events += [Disturbance("valve", float(h) * HOUR_S, share, section) for h in times]

    def burst(self, section: str, at_h: float) -> None:
        """A bellows that opens: empty within minutes."""
        self.leaks.append(Leak(section, 1.0 / 150.0, law="orifice", begin_s=at_h * HOUR_S))

    def fill(self, section: str | None, percent: float, at_h: float) -> None:
        """Gas that is put in within a minute; no section: in all."""
        self.events.append(Disturbance("pump", at_h * HOUR_S, percent / 100.0, section))

    # -- what happens to the readings -----------------------------------------------------------------------

    def lay(
        self,
        channel: str,
        make: Callable[[Array, Scene], Array | float],
        from_h: float = -FOREVER,
        to_h: float = FOREVER,
    ) -> None:
        """Put another value in a channel's place between two hours; where there is no reading there is none after."""

        def layer(values: Values, scene: Scene) -> None:
            if channel not in values:
                return
            at = (scene.hour >= from_h) & (scene.hour < to_h)
            there = np.isfinite(values[channel])
            values[channel] = np.where(at & there, make(values[channel], scene), values[channel])

        self.layers.append(layer)

    def lay_all(self, ending: str, make: Callable[[Array, Scene], Array | float], **when: float) -> None:
        """The same in all four sections."""
        for name in CORNERS:
            self.lay(f"{name}.{ending}", make, **when)

    def change(self, layer: Callable[[Values, Scene], None]) -> None:
        """Change all values at will."""
        self.layers.append(layer)

    def lose(self, channel: str, from_h: float = -FOREVER, to_h: float = FOREVER) -> None:
        """No readings of a channel; `*`: no rows."""
        if channel == "*":
            self.drops_rows.append(lambda scene: (scene.hour >= from_h) & (scene.hour < to_h))
        else:
            self.lay(channel, lambda _v, _scene: np.nan, from_h, to_h)

    def hold(self, channel: str, from_h: float, noise: float = 0.0, to_h: float = FOREVER) -> None:
        """A value that stands still."""

        def still(values: Array, scene: Scene) -> Array:
            good = values[np.isfinite(values) & (scene.hour >= from_h)]
            return np.full(len(values), good[0] if len(good) else np.nan) + scene.noise(noise)

        self.lay(channel, still, from_h, to_h)

    # -- what an honest answer may be -----------------------------------------------------------------------

    def allow(self, *verdicts: str, sections: tuple[str, ...] = CORNERS) -> None:
        """The verdicts that are honest here, whatever the true loss."""
        self.allowed |= dict.fromkeys(sections, frozenset(verdicts))

    def bears(self, *kinds: str, sections: tuple[str, ...] = CORNERS) -> None:
        """Alarms that are no false ones here."""
        self.borne |= dict.fromkeys(sections, frozenset(kinds))

    def untested(self, *sections: str) -> None:
        """Nothing can be said of these."""
        self.allow("undecided", sections=sections or CORNERS)

    # -- playing it -----------------------------------------------------------------------------------------

    def shed(self, stays: list[tuple[float, float, float]], mean_C: float = -3.0) -> Array:
        """Let the car stand indoors between two hours at so many °C; return hours and the air outside, (2, n)."""
        hour = np.arange(-1.0, self.end_h + 1.5, 1.0 / 6.0)
        swing = self.some(1.0, 3.0)
        knots = np.arange(-2.0, self.end_h + 9.0, 6.0)
        slow = np.interp(hour, knots, self.rng.normal(0.0, 1.2, len(knots)))
        outside = ZERO_C + mean_C + self.some(-3.0, 3.0) + swing * np.cos((hour + 3.5) * np.pi / 12.0) + slow
        around = outside.copy()
        for from_h, to_h, degC in stays:
            around = np.where((hour >= from_h) & (hour < to_h), degC + ZERO_C, around)
        self.plan["weather"] = HourlyRecord(hour * HOUR_S, around)
        return np.stack([hour, outside])

    def with_shop(self, shop_h: float = 0.5) -> None:
        """Let the rig have been on in the shop for so long before the roll-out: for evenings without events."""
        self.begin_h += shop_h
        self.thermal["roll_out_s"] = Fixed(shop_h * HOUR_S)

    def settings_text(self) -> str:
        """The settings that go with the evening."""
        support = self.judged_as or self.support
        text = f"""
[soak]
support = "{support}"
gas = "nitrogen"
threshold = "2 %/day"

[pressure_sensor]
reference = "{self.reference}"
full_scale = "{self.full_scale}"
temperature_coefficient = "0.02 %/K"
"""
        if support == "standing" and self.columns:
            for name, column_mm in COLUMNS_MM.items():
                text += (
                    f'\n[sections.{name}]\ngas_column = "{column_mm} mm"\ngas_column_uncertainty = "10 %"\n'
                )
        return text + self.more_settings

    def soak_plan(self) -> SoakPlan:
        """The plan that the virtual rig's car plays."""
        thermal = ThermalPriors(wander_sd_K=Uniform(0.05, 0.4), shared_sd_K=Uniform(0.0, 0.15))
        if self.begin_h:
            self.thermal.setdefault("roll_out_s", Fixed(0.0))
        plan = SoakPlan(
            support=self.support,
            hours=self.end_h,
            period_s=self.period_s,
            leaks=tuple(self.leaks),
            disturbances=tuple(self.events),
            thermal=replace(thermal, **self.thermal),
        )
        return replace(plan, **self.plan)

    def record(self) -> Recorded:
        """Play the evening."""
        simulated = simulate(self.soak_plan(), self.car_seed)
        scene = Scene(simulated.time_s / HOUR_S, simulated, self.rng)
        values = {name: column.copy() for name, column in simulated.measured.items()}
        for layer in self.layers:
            layer(values, scene)
        heard = np.any([np.isfinite(v) for name, v in values.items() if name != SUPPLY], axis=0)
        for drops in self.drops_rows:
            heard &= ~drops(scene)
        early = heard & (scene.hour < self.begin_h - 1e-9)
        heard &= ~early
        first = int(np.flatnonzero(heard)[0])
        last = int(np.flatnonzero(heard)[-1])
        time_s = simulated.time_s
        fallen = np.concatenate(
            (
                np.zeros((1, 4)),
                np.cumsum(np.maximum(-np.diff(np.log(simulated.truth.amount_mol), axis=0), 0.0), 0),
            )
        )[first : last + 1]
        fallen = fallen - fallen[0]
        inside = slice(first, last + 1)
        gauge = simulated.truth.pressure_Pa[inside] - simulated.truth.around_Pa[inside, None]
        read = np.stack([values[f"{name}.pressure"][inside] for name in CORNERS], axis=1)
        read = np.where(np.isfinite(read), read, np.inf)
        first_Pa = np.maximum(gauge[0], 1.0)
        least = np.minimum(gauge.min(axis=0), read.min(axis=0)) / first_Pa
        tape = () if self.tape is None else tuple(self.tape(scene))
        return Recorded(
            time_s=time_s[heard] - time_s[first],
            values={name: column[heard] for name, column in values.items()},
            settings=settings_from_text(self.settings_text()),
            tape=tuple((h * HOUR_S - time_s[first], name, height) for h, name, height in tape),
            lost_per_day=_by_corner(fallen[-1] / (time_s[last] - time_s[first]) * DAY_S),
            worst_2h_per_day=_by_corner(_worst(fallen, 2.0 * HOUR_S / self.period_s) * 12.0),
            worst_5min=_by_corner(_worst(fallen, 300.0 / self.period_s)),
            least_share_of_fill=_by_corner(least),
            notes=tuple((h * HOUR_S - time_s[first], kind, names) for h, kind, names in self.notes),
            fallen=(time_s[inside] - time_s[first], fallen),
            before_s=time_s[early] - time_s[first],
            before={name: column[early] for name, column in values.items()},
            jumps=tuple((h * HOUR_S - time_s[first], seconds) for h, seconds in self.jumps),
        )


def _worst(fallen: Array, rows: float) -> Array:
    """Most of what was lost within so many rows, (k,)."""
    width = min(max(round(rows), 1), len(fallen) - 1)
    return np.asarray((fallen[width:] - fallen[:-width]).max(axis=0))


def _by_corner(values: Array) -> dict[str, float]:
    return {name: float(value) for name, value in zip(CORNERS, values, strict=True)}
