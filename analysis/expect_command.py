"""`cornerhold expect`: what a tight car will read in the cold, and how long it must stand."""

from __future__ import annotations

import json
import re
from pathlib import Path  # noqa: TC003  (typer reads the annotations when it runs)
from typing import Annotated

import typer

from logger.errors import PlainError


def expect(  # noqa: PLR0913, PLR0917  each is an option of the command line
    fill: Annotated[
        list[str],
        typer.Option(help='What the transducers show now: "7 bar" for all, "front_left=7.2 bar" for one.'),
    ],
    forecast: Annotated[str, typer.Option(help='How cold it will be at the reading, like "-12 degC".')],
    settings_file: Annotated[
        Path | None, typer.Option("--settings", "-s", help="Settings (TOML); else the defaults.")
    ] = None,
    fill_temperature: Annotated[
        str, typer.Option(help="Of the gas when it is shut off; fresh gas is warmer than the shop.")
    ] = "20 degC",
    day: Annotated[str | None, typer.Option(help="The day's highest; else 6 K over the forecast.")] = None,
    begin: Annotated[str, typer.Option(help="When it is shut off, by the clock of the place.")] = "18:00",
    length: Annotated[
        str | None, typer.Option(help='After how long it is read; else as planned, or "14 h".')
    ] = None,
    barometer: Annotated[str | None, typer.Option(help='At the shut-off, like "1013 hPa".')] = None,
    barometer_then: Annotated[str | None, typer.Option(help="The same at the reading, by forecast.")] = None,
    fitted: Annotated[
        list[str] | None,
        typer.Option(help="barometer or gas-thermometer, if the rig has one and the settings don't show it."),
    ] = None,
    driven: Annotated[bool, typer.Option("--driven", help="The car comes in from a drive.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """What a tight car will read in the cold, and how long it must stand to tell.

    Blocked sections: the pressure. Standing ones: how far they sink. With the range for a tight section, 95 %.

    Example: cornerhold expect --settings bay-2.toml --fill "7 bar" --forecast "-12 degC" --barometer "1013 hPa"
    """
    from analysis.expectation import Evening, expected  # noqa: PLC0415  what --help does not need
    from analysis.expectation_words import tell  # noqa: PLC0415
    from analysis.tight import COLDEST_K, WARMEST_K  # noqa: PLC0415
    from analysis.typed import read_option  # noqa: PLC0415
    from logger import units  # noqa: PLC0415
    from logger.settings import default_settings, load_settings  # noqa: PLC0415

    settings = default_settings() if settings_file is None else load_settings(settings_file)

    def kelvin(option: str, text: str) -> float:
        return read_option(option, text, units.TEMPERATURE, COLDEST_K, WARMEST_K)

    def hectopascal(option: str, text: str | None) -> float | None:
        return None if text is None else read_option(option, text, units.PRESSURE, 6e4, 1.1e5)

    if barometer_then is not None and barometer is None:
        raise PlainError("--barometer-then: needs --barometer, what it shows now")
    cold = kelvin("--forecast", forecast)
    warmest = cold + 6.0 if day is None else kelvin("--day", day)
    if warmest < cold:
        raise PlainError(f"--day: {day} is colder than the forecast of {forecast}")
    hours = settings.soak.planned_hours or 14.0
    if length is not None:
        hours = read_option("--length", length, units.DURATION, 3600.0, 96 * 3600.0) / 3600.0
    evening = Evening(
        fills=_fills(fill),
        from_K=kelvin("--fill-temperature", fill_temperature),
        cold_K=cold,
        day_K=warmest,
        begin_hour=_hour(begin),
        hours=min(hours, 96.0),
        barometer_Pa=hectopascal("--barometer", barometer),
        barometer_then_Pa=hectopascal("--barometer-then", barometer_then),
        fitted=_fitted(fitted or []),
        driven=driven,
    )
    result = expected(settings, evening)
    if as_json:
        typer.echo(json.dumps(result, allow_nan=False, ensure_ascii=False))
    else:
        tell(result)


def _fills(texts: list[str]) -> dict[str, str]:
    """Return what was typed, by section; "" is for all others."""
    out: dict[str, str] = {}
    for text in texts:
        section, _, value = text.rpartition("=")
        if section.strip() in out:
            raise PlainError(f"--fill: given twice for {section.strip() or 'all'}")
        out[section.strip()] = value.strip()
    return out


def _hour(text: str) -> float:
    match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", text)
    if match is None:
        raise PlainError(f"--begin: '{text}' is no time like 18:00")
    return int(match[1]) + int(match[2]) / 60.0


def _fitted(names: list[str]) -> frozenset[str]:
    known = {"barometer": "barometer", "gas-thermometer": "gas thermometer"}
    for name in names:
        if name not in known:
            raise PlainError(f"--fitted: '{name}' is none of barometer, gas-thermometer")
    return frozenset(known[name] for name in names)
