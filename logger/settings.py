"""The settings: what a TOML file may say, as frozen dataclasses in SI.

`settings_schema.py` reads such a file and refuses, in one line with file, key and reason, whatever it does not
understand: unknown keys, wrong units, impossible values.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from logger.delivery_settings import (  # noqa: TC001  fields of a dataclass
    InfluxSettings,
    MqttSettings,
    NotifySettings,
    PageSettings,
)
from logger.errors import PlainError
from logger.units import SECONDS_PER_DAY, STANDARD_ATMOSPHERE_Pa

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime
    from pathlib import Path

Support = Literal["blocked", "standing"]
Gas = Literal["nitrogen", "dry air", "shop air"]
Reference = Literal["gauge", "absolute", "sealed"]
ClockMode = Literal["host", "rig"]
Dimension = Literal["loss_per_s", "sink_m_per_s", "pressure_Pa_per_s", "leak_Pa_m3_per_s"]
ConverterKind = Literal["ratiometric", "current_loop", "thermistor", "pt1000", "digital", "linear"]
ChannelQuantity = Literal["pressure_Pa", "temperature_K", "length_m", "voltage_V"]
Idle = Literal["low", "high"]

QUANTITY_OF_ENDING: Mapping[str, ChannelQuantity] = MappingProxyType(
    {
        "pressure": "pressure_Pa",
        "height": "length_m",
        "gas_temperature": "temperature_K",
        "temperature": "temperature_K",
        "supply_voltage": "voltage_V",
    }
)
"""What a channel measures, by the last part of its name (`front_left.pressure`, `rig.supply_voltage`)."""


SECTION_NAME = re.compile(r"[A-Za-z0-9_-]+")
"""What a section may be called: the name goes into file headers and topics."""


class SettingsError(PlainError, ValueError):
    """A settings file that can't be used; its text is one line: file, key, reason."""

    def __init__(self, file: str, key: str, reason: str) -> None:
        """Keep the three parts; what came from the file may hold line breaks, the message may not."""
        self.file, self.key, self.reason = (" ".join(part.split()) for part in (file, key, reason))
        super().__init__(": ".join(part for part in (self.file, self.key, self.reason) if part))


@dataclass(frozen=True, slots=True)
class RigSettings:
    """Where the rig is and how its time is told."""

    name: str = "rig"
    port: str = "auto"
    baud: int = 115200
    period_ms: int | None = None
    """Sample period to ask the rig for; None leaves the rig's own."""
    clock: ClockMode = "host"
    """"host": the labels follow the wall clock. "rig": they run on rig time alone (time lapse)."""
    begin_utc: datetime | None = None
    """First label with clock = "rig"."""
    longitude_deg: float = 0.0
    """Of the place, east positive: tells when the sun stands highest there."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit on the loss, in the dimension in which somebody thought of it."""

    dimension: Dimension
    value: float
    text: str


DEFAULT_THRESHOLD = Threshold("loss_per_s", 0.02 / SECONDS_PER_DAY, "2 %/day")


@dataclass(frozen=True, slots=True)
class SoakSettings:
    """What kind of soak it is, and what was planned."""

    support: Support = "blocked"
    gas: Gas = "nitrogen"
    threshold: Threshold = DEFAULT_THRESHOLD
    planned_s: float | None = None
    planned_cold_K: float | None = None

    @property
    def planned_hours(self) -> float | None:
        """The planned length in hours, for people."""
        return None if self.planned_s is None else self.planned_s / 3600.0


@dataclass(frozen=True, slots=True)
class PressureSensorSettings:
    """A pressure transducer's datasheet."""

    reference: Reference = "gauge"
    full_scale_Pa: float = 1.6e6
    temperature_coefficient_per_K: float = 2e-4
    """Limit for zero and for span each, of full scale (common practice for cheap parts, no source)."""
    sealed_reference_Pa: float = STANDARD_ATMOSPHERE_Pa


@dataclass(frozen=True, slots=True)
class SectionSettings:
    """One isolated gas volume."""

    gas_column_m: float | None = None
    gas_column_uncertainty: float = 0.1
    reference_height_m: float | None = None
    volume_m3: float | None = None
    """All that is shut off, the rig's own part included."""
    rig_volume_m3: float | None = None
    """The rig's part of it: fitting, transducer and line up to the port that is capped for a blank."""
    encloses: tuple[str, ...] = ()
    threshold: Threshold | None = None
    pressure_sensor: PressureSensorSettings | None = None
    floor_Pa: float | None = None
    """Gauge pressure below which the spring may fold; None leaves it to the analysis."""
    limit_Pa: float | None = None
    """Gauge pressure that must never be exceeded."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """A correction found against a reference: corrected = zero + span·read, or straight between points.

    `points` are (read, true) pairs in the channel's SI quantity, ascending; outside them the last piece goes
    on. With points, zero and span stay at 0 and 1.
    """

    zero: float = 0.0
    span: float = 1.0
    points: tuple[tuple[float, float], ...] = ()
    made_on: date | None = None
    reference: str = ""
    residuals: tuple[float, ...] = ()
    """What was left at each point, SI; these four are for people, no conversion uses them."""
    uncertainty: float | None = None
    """What one corrected reading is good to, 95 %, SI."""
    zero_drift_per_K: float | None = None
    """Measured, of the full scale per kelvin."""
    span_drift_per_K: float | None = None


NO_CALIBRATION = Calibration()


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """How a channel's counts become SI. Which fields count depends on `converter`; see logger/channels.py."""

    converter: ConverterKind
    quantity: ChannelQuantity
    adc_step_V: float = 187.5e-6
    """Volts per count at the converter's pin."""
    divider: float = 1.0
    """Volts at the sensor per volt at the pin."""
    supply_channel: str | None = None
    """Channel that measures the sensor's supply; if the rig has it, it is used and not `supply_V`."""
    supply_V: float = 5.0
    signal: tuple[float, float] = (0.1, 0.9)
    """Signal at the two ends of `range`: shares of the supply (ratiometric), A (current loop), V (linear)."""
    range: tuple[float, float] | None = None
    """What the two ends of `signal` mean, SI."""
    shunt_ohm: float = 100.0
    pull_up_ohm: float = 10e3
    """From the supply to the pin; the thermistor or Pt1000 lies from the pin to ground."""
    lead_ohm: float = 0.0
    steinhart_hart: tuple[float, float, float] | None = None
    step: float = 1.0
    """SI per count (digital)."""
    offset: float = 0.0
    """SI at count 0 (digital)."""
    signed_bits: int | None = None
    """Counts arrive as unsigned words of so many bits that are meant as two's complement (digital)."""
    idle: Idle = "low"
    """Where the pin goes when the signal wire is off: decides which fault band means open."""
    limits: tuple[float, float] | None = None
    """Plausible values, SI; outside they are out_of_range."""
    stuck_after_s: float | None = None
    """Identical counts for so long mean a stuck sensor; None where identical counts are normal."""
    calibration: Calibration = NO_CALIBRATION


@dataclass(frozen=True, slots=True)
class JournalSettings:
    """Where the journal lies and how long it keeps entries."""

    path: Path | None = None
    keep_days: float | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything a settings file says, complete with the defaults."""

    rig: RigSettings = RigSettings()
    soak: SoakSettings = SoakSettings()
    pressure_sensor: PressureSensorSettings = PressureSensorSettings()
    sections: Mapping[str, SectionSettings] = field(default_factory=dict)
    channels: Mapping[str, ChannelSettings] = field(default_factory=dict)
    journal: JournalSettings = JournalSettings()
    mqtt: MqttSettings | None = None
    influx: InfluxSettings | None = None
    notify: NotifySettings | None = None
    page: PageSettings | None = None
    path: Path | None = None
    text: str = ""
    """As it was written, without the tables that hold secrets."""
    fingerprint: str = ""

    def section(self, name: str) -> SectionSettings:
        """The settings of one section; a section that is not named in the file has the defaults."""
        return self.sections.get(name, _DEFAULT_SECTION)

    def sensor_of(self, section: str) -> PressureSensorSettings:
        """The transducer of one section: its own, else the common one."""
        return self.section(section).pressure_sensor or self.pressure_sensor

    def threshold_of(self, section: str) -> Threshold:
        """The threshold of one section: its own, else the soak's."""
        return self.section(section).threshold or self.soak.threshold


_DEFAULT_SECTION = SectionSettings()


# Everybody asks this module for the readers too. They stand above it, so they are fetched when they are called.


def settings_fingerprint(text: str) -> str:
    """See `settings_schema.py`."""
    from logger import settings_schema  # noqa: PLC0415

    return settings_schema.settings_fingerprint(text)


def default_settings() -> Settings:
    """See `settings_schema.py`."""
    from logger import settings_schema  # noqa: PLC0415

    return settings_schema.default_settings()


def load_settings(path: Path | str) -> Settings:
    """See `settings_schema.py`."""
    from logger import settings_schema  # noqa: PLC0415

    return settings_schema.load_settings(path)


def settings_from_text(text: str, path: Path | None = None) -> Settings:
    """See `settings_schema.py`."""
    from logger import settings_schema  # noqa: PLC0415

    return settings_schema.settings_from_text(text, path)
