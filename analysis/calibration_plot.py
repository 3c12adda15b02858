"""The residuals of a calibration as a picture."""

from __future__ import annotations

import itertools
from importlib.util import find_spec
from typing import TYPE_CHECKING

import numpy as np

from analysis.quantities import DISPLAYS
from logger.errors import PlainError
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.calibration_model import Calibrated
    from logger.settings import ChannelQuantity

_FORMATS = (".png", ".svg", ".pdf")
_FAR = 1 / 3
"""Limits of the datasheet farther away than this would press the residuals flat: they are told, not drawn."""


def check_plot(path: Path) -> None:
    """Refuse a picture that can't be drawn, before anything else is done."""
    if path.suffix.lower() not in _FORMATS:
        raise PlainError(f"{path}: a picture ends in {', '.join(_FORMATS)}")
    if not path.absolute().parent.is_dir():
        raise PlainError(f"{path}: there is no such folder")
    if find_spec("matplotlib") is None:
        raise PlainError("--plot needs matplotlib, which is not there: pip install matplotlib")


def plot_residuals(
    found: Calibrated, quantity: ChannelQuantity, title: str, limit: float, path: Path
) -> None:
    """Draw residuals over what was read: on the way up and down, with the uncertainty of the fit and the limits."""
    from matplotlib.figure import Figure  # noqa: PLC0415  see check_plot

    display = DISPLAYS[quantity]
    read = np.array([point.read for point in found.points])
    true = np.array([point.true for point in found.points])
    x = (read - display.offset) / display.factor
    residual = found.residuals / display.factor
    figure = Figure(figsize=(8.0, 4.5), layout="constrained")
    axes = figure.subplots()
    around = np.linspace(read.min(), read.max(), 101) if len(set(read.tolist())) > 1 else read
    band = np.array([found.expanded_at(float(r)) for r in around]) / display.factor
    if np.isfinite(band).all():
        axes.fill_between(
            (around - display.offset) / display.factor,
            -band,
            band,
            color="0.85",
            label="one corrected reading, 95 %",
        )
    axes.axhline(0.0, color="0.3", linewidth=0.8)
    highest = max(float(abs(residual).max()), float(np.nan_to_num(band).max()))
    allowed = limit / display.factor
    note = f"the datasheet allows ±{allowed:g} {display.difference_unit}"
    if highest > _FAR * allowed:
        for sign in (-1.0, 1.0):
            axes.axhline(sign * allowed, color="tab:red", linestyle="--", linewidth=1.0)
        note += " (red)"
    kelvins = [point.temperature_K for point in found.points if point.temperature_K is not None]
    shades = [t - ZERO_CELSIUS_K for t in kelvins] if found.drift is not None else None
    up = np.concatenate(([True], _rising(true)))
    for way, marker, label in ((up, "^", "on the way up"), (~up, "v", "on the way down")):
        if not way.any():
            continue
        if shades is None:
            axes.scatter(x[way], residual[way], marker=marker, label=label, color="tab:blue")
            continue
        drawn = axes.scatter(
            x[way],
            residual[way],
            marker=marker,
            label=label,
            c=np.array(shades)[way],
            cmap="coolwarm",
            edgecolors="0.2",
            linewidths=0.6,
            vmin=min(shades),
            vmax=max(shades),
        )
        if way is up:
            figure.colorbar(drawn, label="temperature, °C")
    unit = display.unit.replace("degC", "°C")
    axes.set(xlabel=f"read, {unit}", ylabel=f"residual, {display.difference_unit}", title=title)
    axes.margins(x=0.05, y=0.15)
    figure.legend(loc="outside lower center", ncols=3, fontsize=8, title=note, title_fontsize=8)
    figure.savefig(path, dpi=150)


def _rising(true: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each point but the first was reached from below; a repeat goes on as before."""
    rising, ways = True, []
    for before, here in itertools.pairwise(true.tolist()):
        rising = rising if here == before else here > before
        ways.append(rising)
    return np.array(ways, np.bool_)
