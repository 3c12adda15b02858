"""Strict reading of a settings file: every key known, every value possible, or one clear line.

`load_settings` reads a file, `default_settings` is what holds without one.

Tables and keys, all optional (the defaults are those of the dataclasses in `settings.py`):

    [rig]               name, port, baud, period ("1 s"), clock ("host" or "rig"), begin (with clock = "rig"), longitude
    [soak]              support, gas, threshold, planned_length ("14 h"), planned_cold ("-10 degC")
    [pressure_sensor]   reference, full_scale, temperature_coefficient, sealed_reference (if sealed)
    [sections.<name>]   gas_column, gas_column_uncertainty, reference_height, volume, rig_volume, encloses,
                        threshold, floor, limit (gauge pressures), and a table pressure_sensor of its own
    [channels."<name>"] see `channel_settings.py`
    [mqtt], [influx], [notify], [page]    see `read_delivery.py`
    [journal]           path (relative to the settings file), keep ("400 day")

The typed reading of single values is in `settings_table.py`.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from pathlib import Path
from typing import cast

from logger import units
from logger.bounded import file_bytes, toml_of
from logger.channel_settings import read_channels
from logger.read_delivery import (
    SECRET_TABLES,
    read_influx,
    read_mqtt,
    read_notify,
    read_page,
    without_secrets,
)
from logger.settings import (
    SECTION_NAME,
    ClockMode,
    Gas,
    JournalSettings,
    PressureSensorSettings,
    Reference,
    RigSettings,
    SectionSettings,
    Settings,
    SettingsError,
    SoakSettings,
    Support,
)
from logger.settings_table import Table

_RIG_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_. -]{0,39}")


def _rig(table: Table) -> RigSettings:
    name = table.text("name", "rig")
    if not _RIG_NAME.fullmatch(name):
        raise table.error("name", f"'{name}': letters, digits, '_', '-', '.' and blanks only, at most 40")
    period_s = table.optional_quantity("period", units.DURATION, 0.01, 3600.0)
    rig = RigSettings(
        name=name,
        port=table.text("port", "auto"),
        baud=table.whole("baud", 115200, 300, 4_000_000),
        period_ms=None if period_s is None else round(period_s * 1000),
        clock=cast("ClockMode", table.choice("clock", ("host", "rig"), "host")),
        begin_utc=table.moment("begin"),
        longitude_deg=table.number("longitude", 0.0, -180.0, 180.0),
    )
    if rig.begin_utc is not None and rig.clock != "rig":
        raise table.error("begin", 'means something only with clock = "rig"')
    table.finish()
    return rig


def _soak(table: Table) -> SoakSettings:
    base = SoakSettings()
    soak = SoakSettings(
        support=cast("Support", table.choice("support", ("blocked", "standing"), base.support)),
        gas=cast("Gas", table.choice("gas", ("nitrogen", "dry air", "shop air"), base.gas)),
        threshold=table.threshold("threshold") or base.threshold,
        planned_s=table.optional_quantity("planned_length", units.DURATION, 60.0, 90 * 86400.0),
        planned_cold_K=table.optional_quantity("planned_cold", units.TEMPERATURE, 173.15, 333.15),
    )
    table.finish()
    return soak


def _pressure_sensor(table: Table, base: PressureSensorSettings) -> PressureSensorSettings:
    sensor = PressureSensorSettings(
        reference=cast(
            "Reference", table.choice("reference", ("gauge", "absolute", "sealed"), base.reference)
        ),
        full_scale_Pa=table.quantity("full_scale", units.PRESSURE, base.full_scale_Pa, 1e3, 1e8),
        temperature_coefficient_per_K=table.quantity(
            "temperature_coefficient", units.PER_KELVIN, base.temperature_coefficient_per_K, 0.0, 0.01
        ),
        sealed_reference_Pa=table.quantity(
            "sealed_reference", units.PRESSURE, base.sealed_reference_Pa, 5e4, 1.2e5
        ),
    )
    if table.has("sealed_reference") and sensor.reference != "sealed":
        raise table.error("sealed_reference", 'means something only with reference = "sealed"')
    table.finish()
    return sensor


def _section(table: Table, common: PressureSensorSettings) -> SectionSettings:
    own = _pressure_sensor(table.table("pressure_sensor"), common) if table.has("pressure_sensor") else None
    section = SectionSettings(
        gas_column_m=table.optional_quantity("gas_column", units.LENGTH, 1e-3, 10.0),
        gas_column_uncertainty=table.quantity("gas_column_uncertainty", units.FRACTION, 0.1, 1e-6, 1.0),
        reference_height_m=table.optional_quantity("reference_height", units.LENGTH, -5.0, 5.0),
        volume_m3=table.optional_quantity("volume", units.VOLUME, 1e-7, 10.0),
        rig_volume_m3=table.optional_quantity("rig_volume", units.VOLUME, 1e-8, 1.0),
        encloses=table.texts("encloses"),
        threshold=table.threshold("threshold"),
        pressure_sensor=own,
        floor_Pa=table.optional_quantity("floor", units.PRESSURE, 0.0, 1e8),
        limit_Pa=table.optional_quantity("limit", units.PRESSURE, 1e3, 1e8),
    )
    if own is None:
        table.table("pressure_sensor")
    if section.floor_Pa is not None and section.limit_Pa is not None and section.floor_Pa >= section.limit_Pa:
        raise table.error("floor", "must be below the limit")
    volume, part = section.volume_m3, section.rig_volume_m3
    if volume is not None and part is not None and part >= volume:
        raise table.error("rig_volume", "must be smaller than the volume, of which it is a part")
    table.finish()
    return section


def _journal(table: Table, settings_path: Path | None) -> JournalSettings:
    path: Path | None = None
    if table.has("path"):
        path = Path(table.text("path", "")).expanduser()
        if settings_path is not None and not path.is_absolute():
            path = settings_path.parent / path
    else:
        table.text("path", "")
    keep_s = table.optional_quantity("keep", units.DURATION, 86400.0, 100 * 365.25 * 86400.0)
    table.finish()
    return JournalSettings(path, None if keep_s is None else keep_s / 86400.0)


def settings_fingerprint(text: str) -> str:
    """The sha256 of the canonical text: line ends and trailing blanks don't count, everything else does."""
    lines = [line.rstrip() for line in text.lstrip("\ufeff").splitlines()]
    return hashlib.sha256(("\n".join(lines).strip("\n") + "\n").encode()).hexdigest()


def default_settings() -> Settings:
    """What holds without a settings file."""
    return Settings(fingerprint=settings_fingerprint(""))


def load_settings(path: Path | str) -> Settings:
    """Read a settings file; raises SettingsError with file, key and reason."""
    path = Path(path)
    try:
        raw = file_bytes(path)
    except OSError as error:
        raise SettingsError(str(path), "", f"can't be read: {error.strerror or error}") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(str(path), "", f"is not UTF-8 text (byte {error.start})") from None
    return settings_from_text(text, path)


def settings_from_text(text: str, path: Path | None = None) -> Settings:
    """Read settings from their text (as stored in a journal); `path` names the file in error messages."""
    file = str(path) if path is not None else "settings"
    text = text.removeprefix("\ufeff")
    try:
        data = toml_of(text)
    except ValueError as error:
        raise SettingsError(file, "", f"is no valid TOML: {error}") from None
    top = Table(data, file)
    sensor = _pressure_sensor(top.table("pressure_sensor"), PressureSensorSettings())
    sections: dict[str, SectionSettings] = {}
    table = top.table("sections")
    for name in table.names():
        if not SECTION_NAME.fullmatch(name):
            raise table.error(name, "a section's name has letters, digits, '_' and '-' only")
        sections[name] = _section(table.table(name), sensor)
    public = without_secrets(text) if any(name in data for name in SECRET_TABLES) else text
    if public is None:
        names = ", ".join(f"[{name}]" for name in SECRET_TABLES)
        reason = f"these hold secrets and must each stand as a table of their own, under {names}"
        raise SettingsError(file, ", ".join(SECRET_TABLES), reason)
    settings = Settings(
        rig=_rig(top.table("rig")),
        soak=_soak(top.table("soak")),
        pressure_sensor=sensor,
        sections=sections,
        journal=_journal(top.table("journal"), path),
        mqtt=read_mqtt(top.table("mqtt", secret=True), path) if top.has("mqtt") else None,
        influx=read_influx(top.table("influx", secret=True), path) if top.has("influx") else None,
        notify=read_notify(top.table("notify", secret=True)) if top.has("notify") else None,
        page=read_page(top.table("page", secret=True)) if top.has("page") else None,
        path=path,
        text=public,
        fingerprint=settings_fingerprint(public),
    )
    settings = replace(settings, channels=read_channels(top.table("channels"), settings))
    for name in SECRET_TABLES:
        top.table(name)
    top.finish()
    return settings
