"""Plots of the study: said against true, and the error against the interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from pathlib import Path

    from tests.study.soaks import Result


def plot_case(case: str, results: list[Result], path: Path) -> None:
    """Draw one case into a PNG file."""
    truth = np.array([r.truth for r in results]) * 100.0
    loss = np.array([r.loss for r in results]) * 100.0
    half = np.array([(r.high - r.low) / 2.0 for r in results]) * 100.0
    inside = np.array([r.low <= r.truth <= r.high for r in results])
    figure = Figure(figsize=(11, 4.5), layout="constrained")
    left, right = figure.subplots(1, 2)
    left.errorbar(
        truth[inside], loss[inside], half[inside], fmt=".", lw=0.6, label="interval holds the truth"
    )
    left.errorbar(truth[~inside], loss[~inside], half[~inside], fmt="x", lw=0.9, label="does not")
    top = max(truth.max(), 1.0)
    left.plot([0, top], [0, top], lw=0.8, color="black")
    left.set(xlabel="true loss, %/day", ylabel="said, %/day", title=case)
    left.legend()
    z = np.sort((loss - truth) / np.maximum(half / 1.96, 1e-12))
    right.plot(z, (np.arange(len(z)) + 0.5) / len(z), label="error in standard deviations")
    grid = np.linspace(-4, 4, 161)
    cumulative = np.cumsum(np.exp(-0.5 * grid**2))
    right.plot(grid, cumulative / cumulative[-1], lw=0.8, color="black", label="normal")
    right.set(xlim=(-5, 5), xlabel="error / standard deviation", ylabel="share of sections")
    right.legend()
    figure.savefig(path, dpi=90)
