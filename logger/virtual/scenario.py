"""Scenario files: a TOML file says which soak the virtual rig plays and what goes wrong on the way.

Everything has a default; what a file gives is strict (unknown keys, wrong units and impossible values are
refused with file, key and reason, like the settings). The shipped `scenarios/cold_weekend.toml` shows all
there is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from logger import units
from logger.bounded import file_bytes, toml_of
from logger.settings import PressureSensorSettings, SettingsError
from logger.settings_table import Table
from logger.virtual import counts as raw
from logger.virtual.buffer import DEPTH
from logger.virtual.disturbances import Disturbance, Kind
from logger.virtual.draws import Draw, Fixed, FloatArray, Uniform
from logger.virtual.faults import LINE_FAULTS, RIG_FAULTS, SENSOR_FAULTS, Fault, FaultKind, spoil
from logger.virtual.leaks import Law, Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan, Support
from logger.virtual.sensors import SensorPriors
from logger.virtual.standing import CORNERS
from logger.virtual.thermal import ThermalPriors
from logger.virtual.transducer import PressureSensorPriors
from logger.virtual.weather import HourlyRecord, InventedWinter, read_hourly
from logger.virtual.wire import fitting_channels

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.virtual.gas import Gas
    from logger.virtual.plan import Simulated
    from logger.virtual.transducer import Reference

COLD_WEEKEND = "cold_weekend"


@dataclass(frozen=True, slots=True)
class RigOptions:
    """How the rig behaves on its line."""

    name: str = "virtual"
    depth: int = DEPTH
    speed: float = 1.0
    uptime_ms: int = 0
    boot: int | None = None  # none: another at each start
    wait_for_host: bool | None = None  # none: in time lapse alone


@dataclass(frozen=True, slots=True, eq=False)
class CountTable:
    """What the rig's converters say over the whole scenario."""

    counts: FloatArray  # (n, k)
    period_s: float
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A soak, a rig and faults."""

    plan: SoakPlan = field(default_factory=SoakPlan)
    seed: int = 1
    rig: RigOptions = field(default_factory=RigOptions)
    faults: tuple[Fault, ...] = ()

    def simulated(self) -> Simulated:
        """The soak as its sensors see it, without the steps of converters (the rig's own follow)."""
        plan = self.plan
        return simulate(
            replace(
                plan,
                pressure_sensor=replace(plan.pressure_sensor, step_Pa=0.0),
                sensors=replace(
                    plan.sensors, air_step_K=0.0, barometer_step_Pa=0.0, height_step_m=0.0, gas_step_K=0.0
                ),
            ),
            self.seed,
        )

    def table(self) -> CountTable:
        """All raw counts, faults of sensors and wires included."""
        soak = self.simulated()
        channels = fitting_channels(self.rig.name, tuple(soak.measured))
        sensor = PressureSensorSettings(
            reference=self.plan.pressure_sensor.reference,
            full_scale_Pa=self.plan.pressure_sensor.full_scale_Pa,
        )
        counts = raw.to_counts(soak.measured, channels, sensor)
        spoil(counts, soak.time_s, channels, self.faults, sensor)
        return CountTable(counts, self.plan.period_s, channels)


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file; SettingsError says file, key and reason."""
    try:
        text = file_bytes(path).decode("utf-8-sig")
    except OSError as fault:
        raise SettingsError(str(path), "", f"can't be read: {fault.strerror or fault}") from None
    except UnicodeDecodeError as fault:
        raise SettingsError(str(path), "", f"is not UTF-8 text (byte {fault.start})") from None
    return scenario_from_text(text, path)


def shipped_scenario(name: str = COLD_WEEKEND) -> Scenario:
    """Give a scenario that comes with the package."""
    place = files("logger.virtual") / "scenarios" / f"{name}.toml"
    return scenario_from_text(place.read_text(encoding="utf-8"), Path(f"{name}.toml"))


def scenario_from_text(text: str, path: Path) -> Scenario:
    """Read a scenario from its text; `path` names it in errors, weather files are looked for beside it."""
    try:
        data = toml_of(text)
    except ValueError as fault:
        raise SettingsError(str(path), "", f"is no TOML: {fault}") from None
    return _Reader(data, path).scenario()


class _Reader:
    """Reads one file's tables."""

    def __init__(self, data: Mapping[str, Any], path: Path) -> None:
        self._path = path
        self._top = Table(data, str(path))

    def scenario(self) -> Scenario:
        seed = self._top.whole("seed", 1, 0, 2**53)
        rig = self._rig(self._top.table("rig"))
        try:
            plan = self._plan()
            faults = tuple(self._fault(table, plan) for table in self._top.tables("faults"))
            self._top.finish()
            scenario = Scenario(plan, seed, rig, faults)
            _check_faults(scenario)
        except SettingsError:
            raise
        except ValueError as fault:  # what the dataclasses refuse knows neither file nor key
            raise SettingsError(str(self._path), "", str(fault)) from None
        return scenario

    def _rig(self, table: Table) -> RigOptions:
        options = RigOptions(
            name=table.text("name", "virtual"),
            depth=table.whole("buffer_depth", DEPTH, 1, 10**6),
            speed=table.number("speed", 1.0, 0.01, 1e7),
            uptime_ms=table.whole("uptime_ms", 0, 0, 2**32 - 1),
            boot=table.optional_whole("boot", 0, 2**32 - 1),
            wait_for_host=table.flag("wait_for_host", default=False) if table.has("wait_for_host") else None,
        )
        table.finish()
        return options

    def _plan(self) -> SoakPlan:
        base = SoakPlan()
        soak = self._top.table("soak")
        sections = self._top.table("sections")
        fills: dict[str, float] = {}
        first: dict[str, float] = {}
        for name in sections.names():
            table = sections.table(name)
            fill = table.optional_quantity("fill", units.PRESSURE, 1e4, 5e6)
            gas = table.optional_quantity("gas_temperature", units.TEMPERATURE, 230.0, 350.0)
            table.finish()
            fills |= {} if fill is None else {name: fill}
            first |= {} if gas is None else {name: gas}
        plan = replace(
            base,
            support=cast("Support", soak.choice("support", ("blocked", "standing"), base.support)),
            gas=cast("Gas", soak.choice("gas", ("nitrogen", "dry air", "shop air"), base.gas)),
            hours=soak.quantity("length", units.DURATION, base.hours * 3600.0, 60.0, 90 * 86400.0) / 3600.0,
            period_s=soak.quantity("period", units.DURATION, base.period_s, 0.001, 3600.0),
            begin_utc=soak.moment("begin") or base.begin_utc,
            sections=sections.names() or CORNERS,
            fills_Pa=fills,
            first_gas_K=first,
            weather=self._weather(self._top.table("weather")),
            thermal=self._thermal(self._top.table("car")),
            pressure_sensor=self._pressure_sensor(self._top.table("pressure_sensor")),
            sensors=self._sensors(self._top.table("sensors")),
            leaks=tuple(self._leak(table) for table in self._top.tables("leaks")),
            disturbances=tuple(self._event(table) for table in self._top.tables("events")),
        )
        soak.finish()
        return plan

    def _weather(self, table: Table) -> InventedWinter | HourlyRecord:
        name = table.text("file", "")
        if name:
            table.finish()
            try:
                return read_hourly(self._path.parent / name)
            except OSError as fault:
                raise table.error("file", f"'{name}' can't be read: {fault.strerror or fault}") from None
            except ValueError as fault:
                raise table.error("file", str(fault)) from None
        base = InventedWinter()
        swing = units.TEMPERATURE_INTERVAL
        winter = replace(
            base,
            mean_K=_fixed(table.optional_quantity("mean", units.TEMPERATURE, 220.0, 320.0), base.mean_K),
            trend_K_per_day=_fixed(
                table.optional_quantity("trend_per_day", swing, -30.0, 30.0), base.trend_K_per_day
            ),
            diurnal_K=_fixed(table.optional_quantity("day_swing", swing, 0.0, 20.0), base.diurnal_K),
            pressure_Pa=_fixed(
                table.optional_quantity("pressure", units.PRESSURE, 5e4, 1.1e5), base.pressure_Pa
            ),
        )
        table.finish()
        return winter

    def _thermal(self, table: Table) -> ThermalPriors:
        base = ThermalPriors()
        thermal = replace(
            base,
            shop_K=_fixed(table.optional_quantity("shop", units.TEMPERATURE, 250.0, 320.0), base.shop_K),
            roll_out_s=_fixed(
                table.optional_quantity("roll_out", units.DURATION, 0.0, 90 * 86400.0), base.roll_out_s
            ),
        )
        if table.has("driven"):
            thermal = replace(thermal, driven_probability=float(table.flag("driven", default=False)))
        table.finish()
        return thermal

    def _pressure_sensor(self, table: Table) -> PressureSensorPriors:
        base = PressureSensorPriors()
        limit = table.quantity("temperature_coefficient", units.PER_KELVIN, 2e-4, 0.0, 0.01)
        sensor = replace(
            base,
            reference=cast("Reference", table.choice("reference", ("gauge", "absolute", "sealed"), "gauge")),
            full_scale_Pa=table.quantity("full_scale", units.PRESSURE, base.full_scale_Pa, 1e5, 1e7),
            zero_coefficient_per_K=Uniform(-limit, limit),
            span_coefficient_per_K=Uniform(-limit, limit),
        )
        table.finish()
        return sensor

    def _sensors(self, table: Table) -> SensorPriors:
        base = SensorPriors()
        sensors = replace(
            base,
            barometer=table.flag("barometer", default=base.barometer),
            heights=table.flag("heights", default=base.heights),
            gas_thermometer=table.flag("gas_temperature", default=base.gas_thermometer),
            dropouts_per_day=table.number("dropouts_per_day", base.dropouts_per_day, 0.0, 1000.0),
        )
        table.finish()
        return sensors

    def _leak(self, table: Table) -> Leak:
        leak = Leak(
            section=table.text("section", ""),
            loss_per_s=table.quantity("loss", units.LOSS, 0.0, 0.0, 1.0),
            law=cast("Law", table.choice("law", ("fraction", "porous", "orifice"), "fraction")),
            below_K=table.optional_quantity("below", units.TEMPERATURE, 200.0, 350.0),
            width_K=table.quantity("width", units.TEMPERATURE_INTERVAL, 0.5, 0.01, 50.0),
            hysteresis_K=table.quantity("hysteresis", units.TEMPERATURE_INTERVAL, 0.0, 0.0, 50.0),
            begin_s=table.quantity("begin", units.DURATION, 0.0, 0.0),
            rise_s=table.quantity("rise", units.DURATION, 0.0, 0.0),
        )
        for key in ("section", "loss"):
            if not table.has(key):
                raise table.error(key, "is missing")
        table.finish()
        return leak

    def _event(self, table: Table) -> Disturbance:
        kind = cast("Kind", table.choice("kind", ("valve", "pump", "moved", "door"), ""))
        what = {"moved": units.TEMPERATURE_INTERVAL, "door": units.PRESSURE}.get(kind, units.FRACTION)
        event = Disturbance(
            kind=kind,
            at_s=table.quantity("at", units.DURATION, 0.0, 0.0),
            size=table.quantity("size", what, 0.0),
            section=table.text("section", "") or None,
        )
        table.finish()
        return event

    def _fault(self, table: Table, plan: SoakPlan) -> Fault:
        kind = cast("FaultKind", table.choice("kind", SENSOR_FAULTS + LINE_FAULTS + RIG_FAULTS, ""))
        fault = Fault(
            kind=kind,
            at_s=table.quantity("at", units.DURATION, 0.0, 0.0, plan.hours * 3600.0),
            lasts_s=table.quantity("lasts", units.DURATION, 0.0, 0.0),
            channel=table.text("channel", "") or None,
            share=table.quantity("share", units.FRACTION, 0.02, 0.0, 1.0),
        )
        if kind in SENSOR_FAULTS and fault.channel is None:
            raise table.error("channel", f"is missing: which channel is {kind}?")
        if kind not in RIG_FAULTS and fault.lasts_s == 0.0:
            raise table.error("lasts", "is missing: how long?")
        table.finish()
        return fault


def _fixed(value: float | None, prior: Draw) -> Draw:
    return prior if value is None else Fixed(value)


def _check_faults(scenario: Scenario) -> None:
    """Channels that faults name must be there; known without simulating the whole soak."""
    short = replace(scenario.plan, hours=2 * scenario.plan.period_s / 3600.0)
    channels = fitting_channels(scenario.rig.name, tuple(simulate(short, scenario.seed).measured))
    for fault in scenario.faults:
        if fault.kind in SENSOR_FAULTS and fault.channel not in channels:
            raise ValueError(f"faults: no channel {fault.channel!r}; the rig has {', '.join(channels)}")
