"""A weekend of four corners at 1 Hz from CSV, in one run with a state-space fit by statsmodels on the same readings.

Seconds say nothing on a shared machine: the ratio is what is held. statsmodels fits a local level with a trend and the
air's temperature as a regressor by maximum likelihood: less physics, a common tool. It gets the rows of one section, and
stops after so few iterations that it has hardly begun; for comparison, what it takes on five-minute means is printed too.
"""

from __future__ import annotations

import subprocess
import sys
import time
import warnings
from typing import TYPE_CHECKING

import numpy as np
from statsmodels.tsa.statespace.structural import UnobservedComponents

from analysis.recording import read_recording
from logger.virtual.draws import Fixed
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan
from logger.virtual.transducer import PressureSensorPriors

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
HOURS, BIN_S, ITERATIONS = 62.0, 300, 1


def weekend(path: Path) -> int:
    """Write the recording: simulated by the minute, in between on straight lines with fresh noise. Returns its rows."""
    # noise and steps come after the lines are drawn, spikes and stuck values not at all: a line would smear them
    clean = PressureSensorPriors(noise_Pa=Fixed(0.0), spikes_per_sample=0.0, stuck_per_day=0.0, step_Pa=0.0)
    simulated = simulate(SoakPlan(hours=HOURS, pressure_sensor=clean), 11)
    rng = np.random.default_rng(11)
    time_s = np.arange(0.0, HOURS * 3600.0)
    columns = {}
    for name in simulated.plan.sections:
        reading = simulated.measured[f"{name}.pressure"]
        good = np.isfinite(reading)
        smooth = np.interp(time_s, simulated.time_s[good], reading[good])
        columns[f"{name}.pressure_kPa"] = (smooth + 700.0 * rng.standard_normal(len(time_s))) / 1e3
    for channel, head, scale, zero in (
        ("ambient.temperature", "ambient.temperature_degC", 1.0, 273.15),
        ("ambient.pressure", "ambient.pressure_kPa", 1e-3, 0.0),
    ):
        reading = simulated.measured[channel]
        good = np.isfinite(reading)
        columns[head] = np.interp(time_s, simulated.time_s[good], reading[good]) * scale - zero
    table = np.column_stack([time_s, *columns.values()])
    np.savetxt(path, table, fmt="%.4f", delimiter=",", header=",".join(("elapsed_s", *columns)), comments="")
    return len(table)


def fitted_s(values: Mapping[str, np.ndarray], section: str, iterations: int) -> float:
    """Return how long statsmodels takes."""
    absolute = values[f"{section}.pressure"] + values["ambient.pressure"]
    amount = 1e3 * np.log(absolute / values["ambient.temperature"])
    begun = time.perf_counter()
    model = UnobservedComponents(amount, level="lltrend", exog=values["ambient.temperature"] - 273.15)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that it has not converged is meant
        model.fit(disp=False, maxiter=iterations, cov_type="none")
    return time.perf_counter() - begun


def test_a_weekend_beside_statsmodels(tmp_path: Path) -> None:
    file = tmp_path / "weekend.csv"
    rows = weekend(file)
    begun = time.perf_counter()
    done = subprocess.run(
        [*COMMAND, "analyse", "--json", str(file)], capture_output=True, text=True, check=True, timeout=300
    )
    ours_s = time.perf_counter() - begun
    assert done.stdout.count('"loss_per_day"') == 4

    readings = read_recording(file)
    bins = rows // BIN_S
    mean = {name: v[: bins * BIN_S].reshape(bins, BIN_S).mean(axis=1) for name, v in readings.values.items()}
    rough_s = sum(fitted_s(mean, name, 50) for name in readings.sections)
    theirs_s = fitted_s(readings.values, readings.sections[0], ITERATIONS)
    print(
        f"\n{rows} rows, 4 sections: whole process {ours_s:.2f} s; statsmodels from memory: one section, {ITERATIONS} "
        f"iteration {theirs_s:.2f} s; five-minute means of four sections, whole fits {rough_s:.2f} s"
    )
    assert ours_s < 4.0 * theirs_s
