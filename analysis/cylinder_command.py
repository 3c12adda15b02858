"""`cornerhold cylinder`: how many fills are left in a cylinder."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from logger.errors import PlainError


def cylinder(  # noqa: PLR0913, PLR0917  each is an option of the command line
    pressure: Annotated[str, typer.Option(help='Gauge pressure of the cylinder, like "120 bar".')],
    fill: Annotated[str, typer.Option(help='Gauge pressure of a fill, like "7 bar".')],
    filled: Annotated[str, typer.Option(help='Volume of all that is filled once, hose included: "4 L".')],
    volume: Annotated[
        str | None, typer.Option(help='Water volume of the cylinder (stamped on it), like "10 L".')
    ] = None,
    content: Annotated[
        str | None, typer.Option(help='Or its nominal content, like "80 ft3", with --rated.')
    ] = None,
    rated: Annotated[str | None, typer.Option(help='The pressure of that content, like "2216 psi".')] = None,
    from_pressure: Annotated[
        str, typer.Option("--from", help="Gauge pressure from which a fill starts.")
    ] = "0 bar",
    temperature: Annotated[str, typer.Option(help="Of the cylinder where it stands.")] = "20 degC",
    fill_temperature: Annotated[str, typer.Option(help="Of the gas in what is filled.")] = "20 degC",
    gas: Annotated[str, typer.Option(help="nitrogen or dry air.")] = "nitrogen",
    gauge_error: Annotated[
        str, typer.Option(help="What the cylinder's gauge may be wrong by, either way.")
    ] = "8 bar",
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """How many fills are left in a cylinder, with real gas.

    The cylinder is left with 3 bar over the fill, which a regulator needs. Never fill without a regulator and a relief
    valve that are made for it.

    Example: cornerhold cylinder --volume "10 L" --pressure "120 bar" --fill "7 bar" --filled "4 x 3.4 L"
    """
    from analysis.cylinder import (  # noqa: PLC0415  what --help does not need is loaded when needed
        COLDEST_K,
        GASES,
        WARMEST_K,
        HIGHEST_Pa,
        NOMINAL_Pa,
        fills_left,
        nominal_volume_m3,
    )
    from analysis.typed import read_option  # noqa: PLC0415
    from logger import units  # noqa: PLC0415

    if gas not in GASES:
        raise PlainError(f"--gas: '{gas}' comes in no cylinder here; nitrogen or dry air")
    if (volume is None) == (content is None or rated is None):
        raise PlainError('give --volume "10 L", or --content "80 ft3" together with --rated "2216 psi"')
    if volume is not None:
        water_m3 = read_option("--volume", volume, units.VOLUME, 5e-4, 0.2)
    else:
        nominal = read_option("--content", str(content), units.VOLUME, 0.05, 60.0)
        water_m3 = nominal_volume_m3(nominal, read_option("--rated", str(rated), units.PRESSURE, 5e6, 32e6))
    highest = HIGHEST_Pa - NOMINAL_Pa
    gauge = read_option("--pressure", pressure, units.PRESSURE, 0.0, highest)
    error = read_option("--gauge-error", gauge_error, units.PRESSURE, 0.0, 5e6)
    target = read_option("--fill", fill, units.PRESSURE, 2e4, 2.5e6)
    start = read_option("--from", from_pressure, units.PRESSURE, 0.0, 2.5e6)
    if start >= target:
        raise PlainError(f"--from: {from_pressure} is not below the fill of {fill}")
    atmosphere = units.STANDARD_ATMOSPHERE_Pa
    conditions = {
        "temperature_K": read_option("--temperature", temperature, units.TEMPERATURE, COLDEST_K, WARMEST_K),
        "fill_temperature_K": read_option(
            "--fill-temperature", fill_temperature, units.TEMPERATURE, COLDEST_K, WARMEST_K
        ),
        "filled_m3": _filled(filled),
        "fill_Pa": target + atmosphere,
        "from_Pa": start + atmosphere,
    }
    low, best, high = (
        fills_left(water_m3, min(max(p, 0.0), highest) + atmosphere, gas=GASES[gas], **conditions)
        for p in (gauge - error, gauge, gauge + error)
    )
    if as_json:
        said = {
            "gas": gas,
            "cylinder_volume_m3": round(water_m3, 7),
            "holds_mol": round(best.holds_mol, 4),
            "usable_mol": round(best.usable_mol, 4),
            "fill_mol": round(best.fill_mol, 6),
            "fills": best.fills,
            "fills_range": [low.fills, high.fills],
        }
        typer.echo(json.dumps(said))
        return
    typer.echo(
        f"{_times(best.fills)} left ({low.fills} to {high.fills}, as the gauge is good to {gauge_error}): "
        f"each takes {best.fill_mol:.2f} mol, and {best.usable_mol:.1f} of {best.holds_mol:.1f} mol can be used."
    )
    if best.fills_ideal != best.fills:
        typer.echo(f"Reckoned without the real gas it would have been {best.fills_ideal}.")
    if low.fills == 0:
        typer.echo("Have another cylinder at hand.")


def _times(fills: int) -> str:
    return {0: "No fill", 1: "1 fill"}.get(fills, f"{fills} fills")


def _filled(text: str) -> float:
    """Read "3.4 L" or "4 x 3.4 L"."""
    from analysis.typed import read_option  # noqa: PLC0415
    from logger import units  # noqa: PLC0415

    times, x, each = text.partition("x")
    if not x:
        return read_option("--filled", text, units.VOLUME, 1e-5, 0.2)
    if not times.strip().isdecimal() or not 1 <= int(times) <= 16:
        raise PlainError(f"--filled: '{text}' is not like '4 x 3.4 L'")
    return int(times) * read_option("--filled", each.strip(), units.VOLUME, 1e-5, 0.2)
