"""`cornerhold calibrate`: points against a reference to a calibration in the settings."""

from __future__ import annotations

import enum
import json
from datetime import date
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from analysis.calibration_model import Point, Shape
    from logger.settings import ChannelQuantity, ChannelSettings, Settings


_WRITTEN = "written. A logger that is running takes it up when it is started again."


class ShapeName(enum.StrEnum):
    """The shapes, as options."""

    LINE = "line"
    ZERO = "zero"
    POINTS = "points"


def calibrate(  # noqa: PLR0913, PLR0917  the options of a command line
    settings_file: Annotated[Path, typer.Option("--settings", "-s", help="Settings to write into.")],
    channel: Annotated[str, typer.Option("--channel", "-c", help="Channel, like front_left.pressure.")],
    reference: Annotated[
        str,
        typer.Option("--reference", "-r", help="What it was held against, like 'gauge 7, certificate 114'."),
    ],
    typed: Annotated[
        list[str] | None,
        typer.Option("--point", "-p", help="'8.03 bar = 8 bar' (read = true), also '… ± 4 mbar @ -11 degC'."),
    ] = None,
    file: Annotated[
        Path | None,
        typer.Option(
            "--points", help="CSV with read_bar,true_bar and perhaps uncertainty_bar,temperature_degC."
        ),
    ] = None,
    journal: Annotated[
        Path | None, typer.Option("--journal", "-j", help="Journal for --stretch and --run.")
    ] = None,
    stretches: Annotated[
        list[str] | None,
        typer.Option(
            "--stretch", help="'2026-11-02T10:00Z/2026-11-02T10:02Z = 8 bar': mean of the journal then."
        ),
    ] = None,
    runs: Annotated[
        list[str] | None,
        typer.Option(
            "--run", help="'begin/end = 0 bar' (or '= air'): a night open to the air, for the drift."
        ),
    ] = None,
    reference_uncertainty: Annotated[
        str | None,
        typer.Option(
            "--reference-uncertainty", help="Standard uncertainty common to all points, like '2 mbar'."
        ),
    ] = None,
    datasheet: Annotated[
        str | None,
        typer.Option("--datasheet", help="Largest residual allowed, like '0.5 %' of the range or '80 mbar'."),
    ] = None,
    shape: Annotated[
        ShapeName,
        typer.Option("--shape", help="line (zero and span), zero (alone), or pieces through points."),
    ] = ShapeName.LINE,
    at: Annotated[
        list[str] | None, typer.Option("--at", help="Say the correction at this reading too; repeatable.")
    ] = None,
    made_on: Annotated[str | None, typer.Option("--date", help="Day of the calibration; else today.")] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw the residuals (.png, .svg, .pdf).")
    ] = None,
    uncorrected: Annotated[
        bool,
        typer.Option("--uncorrected", help="Readings are as without the calibration that the settings have."),
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", "-n", help="Say all of it, write nothing.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, SI units.")] = False,
) -> None:
    """Calibrate a channel against a reference and write the result into the settings; their comments stay.

    Two points or many, up and down; a reading is what Cornerhold shows for the channel. The fit, its residuals and its
    uncertainty are shown. Points in the wrong order, too few of them, or farther off the fit than the datasheet
    allows are refused, and nothing is written. Points at several temperatures give the drift of zero and span.

    Example: cornerhold calibrate -s bay-2.toml -c front_left.pressure -r "gauge 7" -p "0.02 bar = 0 bar"
    -p "4.03 bar = 4 bar" -p "8.03 bar = 8 bar"
    """
    from analysis import calibration_words as words  # noqa: PLC0415  numpy and scipy are not needed for --help
    from analysis.calibration import calibrate as fit  # noqa: PLC0415
    from analysis.calibration_model import CalibrationError  # noqa: PLC0415
    from analysis.calibration_plot import check_plot, plot_residuals  # noqa: PLC0415
    from analysis.calibration_target import changes, demands_of, find_channel, keep_span  # noqa: PLC0415
    from analysis.settings_editor import edit_file  # noqa: PLC0415
    from logger.settings import NO_CALIBRATION, load_settings  # noqa: PLC0415

    if plot is not None:
        check_plot(plot)
    settings = load_settings(settings_file)
    known = find_channel(settings, channel)
    points = _points(
        settings, channel, known, (typed or [], file, journal, stretches or [], runs or []), uncorrected
    )
    demands = demands_of(settings, channel, known, datasheet, reference_uncertainty)
    if shape is ShapeName.ZERO:
        demands = keep_span(demands, known.calibration)
    places = [_reading(text, known.quantity) for text in at or []]
    day = _day(made_on)
    form: Shape = shape.value
    undone = known.calibration != NO_CALIBRATION and not uncorrected and journal is None
    try:
        found = fit(points, form, demands)
    except CalibrationError as error:
        # the numbers are not those that were typed
        why = " (readings as they are without the calibration that the settings have)" if undone else ""
        raise CalibrationError(f"{error}{why}") from None
    tables, remarks = changes(found, settings, channel, known.quantity, day, reference)
    if not dry_run:
        edit_file(settings_file, tables)
    if plot is not None:
        plot_residuals(found, known.quantity, f"{channel}, {day}", demands.residual_limit, plot)
    if as_json:
        said = words.object_of(found, channel, known.quantity, places)
        said["remarks"] += remarks
        typer.echo(json.dumps({**said, "settings": str(settings_file), "written": not dry_run}))
        return
    _tell(
        [
            *words.sentences(found, known.quantity, demands.full_scale),
            *(words.at_words(found, place, known.quantity) for place in places),
            *remarks,
            f"{settings_file}: {'not written (--dry-run).' if dry_run else _WRITTEN}",
        ],
        words.table_of(found, known.quantity, channel, demands.residual_limit),
    )


def _tell(lines: list[str], table: object) -> None:
    import textwrap  # noqa: PLC0415  with rich, only where it is shown

    from rich.console import Console  # noqa: PLC0415

    console = Console()
    console.print(table)
    for line in lines:
        console.print(textwrap.fill(line, console.width), markup=False, highlight=False)


def _points(
    settings: Settings,
    name: str,
    channel: ChannelSettings,
    sources: tuple[list[str], Path | None, Path | None, list[str], list[str]],
    uncorrected: bool,
) -> list[Point]:
    """All points in the order typed, file, journal; without the calibration that the settings have by now."""
    from analysis.calibration_journal import points_from_journal, typed_stretch  # noqa: PLC0415  see calibrate
    from analysis.calibration_points import (  # noqa: PLC0415
        points_from_file,
        typed_point,
        without,
    )

    typed, file, journal, stretches, runs = sources
    if bool(stretches or runs) != (journal is not None):
        raise typer.BadParameter("--journal goes with --stretch or --run, and they with it")
    if not (typed or file or journal):
        raise typer.BadParameter("give points by --point, --points, --stretch or --run")
    points = [typed_point(text, channel.quantity) for text in typed]
    if file is not None:
        points += points_from_file(file, channel.quantity)
    if not uncorrected:
        points = without(channel.calibration, points)
    if journal is not None:
        held = [typed_stretch(text, channel.quantity) for text in stretches]
        drifting = [typed_stretch(text, channel.quantity, run=True) for text in runs]
        points += points_from_journal(journal, held, drifting, settings, name, channel)
    return points


def _reading(text: str, quantity: ChannelQuantity) -> float:
    from analysis.quantities import DISPLAYS  # noqa: PLC0415  see calibrate
    from logger import units  # noqa: PLC0415

    try:
        return units.quantity(text, DISPLAYS[quantity].kind)
    except units.UnitError as error:
        raise typer.BadParameter(str(error), param_hint="--at") from None


def _day(text: str | None) -> date:
    from logger.clock import host_now, utc_from_us  # noqa: PLC0415  see calibrate

    if text is None:
        return utc_from_us(host_now().utc_us).date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"'{text}' is no date like 2026-11-02", param_hint="--date") from None
