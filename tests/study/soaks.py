"""Soaks of the study: drawn by a seed, simulated, analysed as a recording would be, compared with the truth."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

# one soak is one process's work; threads inside numpy would only get into each other's way
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from analysis.findings import findings
from analysis.soak import SoakAnalysis
from analysis.tape import DEVIATION_m, TapeReading
from logger.settings import Settings, settings_from_text
from logger.virtual.draws import Uniform
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan
from logger.virtual.sensors import SensorPriors
from logger.virtual.standing import CORNERS
from logger.virtual.thermal import ThermalPriors
from logger.virtual.transducer import PressureSensorPriors
from logger.virtual.weather import InventedWinter
from tests.study.rivals import oracle, straight_line, two_readings
from tests.study.winters import stretch

if TYPE_CHECKING:
    from logger.virtual.gas import Gas
    from logger.virtual.plan import Simulated
    from logger.virtual.transducer import Reference

DAY_S = 86_400.0

SETTINGS = """
[soak]
support = "{support}"
gas = "{gas}"
threshold = "2 %/day"

[pressure_sensor]
reference = "{reference}"
full_scale = "16 bar"
temperature_coefficient = "0.02 %/K"
"""
COLUMN = """
[sections.{name}]
gas_column = "{column_mm} mm"
gas_column_uncertainty = "10 %"
"""
COLUMNS_MM = {"front_left": 250, "front_right": 250, "rear_left": 230, "rear_right": 230}


@dataclass(frozen=True)
class Case:
    """One kind of soak of the study."""

    name: str
    support: str
    hours: float
    leak: str = "mixed"  # "mixed", "none", "night": 40 %/day from some time of the night on in one section
    gas: Gas = "nitrogen"
    reference: Reference = "gauge"
    barometer: bool = True
    probe: bool = False  # thermometers in the gas
    tape: int = 0  # so many heights by hand (before, after, between) and no height sensors


CASES = {
    "blocked-14": Case("blocked-14", "blocked", 14.0),
    "blocked-62": Case("blocked-62", "blocked", 62.0),
    "standing-14": Case("standing-14", "standing", 14.0),
    "standing-62": Case("standing-62", "standing", 62.0),
    "standing-tape-14": Case("standing-tape-14", "standing", 14.0, tape=2),
    "standing-tape-62": Case("standing-tape-62", "standing", 62.0, tape=2),
    "standing-3-tapes-14": Case("standing-3-tapes-14", "standing", 14.0, tape=3),
    "tight-14": Case("tight-14", "blocked", 14.0, "none"),
    "tight-62": Case("tight-62", "blocked", 62.0, "none"),
    "tight-standing-62": Case("tight-standing-62", "standing", 62.0, "none"),
    "sealed-14": Case("sealed-14", "blocked", 14.0, reference="sealed"),
    "absolute-14": Case("absolute-14", "blocked", 14.0, reference="absolute", barometer=False),
    "no-barometer-14": Case("no-barometer-14", "blocked", 14.0, barometer=False),
    "no-barometer-62": Case("no-barometer-62", "blocked", 62.0, barometer=False),
    "probe-14": Case("probe-14", "blocked", 14.0, probe=True),
    "probe-standing-14": Case("probe-standing-14", "standing", 14.0, probe=True),
    "shop-air-14": Case("shop-air-14", "blocked", 14.0, gas="shop air"),
    "shop-air-62": Case("shop-air-62", "blocked", 62.0, gas="shop air"),
    "night-leak": Case("night-leak", "blocked", 14.0, "night"),
}


@dataclass(frozen=True)
class Result:
    """One section of one soak: truth and what was said of it; losses per day."""

    seed: int
    section: str
    truth: float
    loss: float
    low: float
    high: float
    verdict: str
    over: float
    two_readings: float
    straight_line: float
    oracle: float
    leak_alarm_h: float  # hours from the begin of the leak to the alarm; NaN = no alarm
    coldest_error_K: float
    onset_degC: float = np.nan  # of a leak that opens in the cold, true and as said with its interval
    onset_said_degC: float = np.nan
    onset_low_degC: float = np.nan
    onset_high_degC: float = np.nan


def settings_of(case: Case) -> Settings:
    """Return the settings that go with a case."""
    text = SETTINGS.format(support=case.support, gas=case.gas, reference=case.reference)
    if case.support == "standing":
        text += "".join(COLUMN.format(name=n, column_mm=c) for n, c in COLUMNS_MM.items())
    return settings_from_text(text)


def leaks_of(case: Case, rng: np.random.Generator) -> tuple[Leak, ...]:
    """Draw who leaks and how."""
    if case.leak == "none":
        return ()
    if case.leak == "night":
        begin = rng.uniform(0.3, 0.75) * case.hours * 3600.0
        return (Leak(str(rng.choice(CORNERS)), 0.40 / DAY_S, begin_s=begin),)
    leaks = []
    for corner in CORNERS:
        if rng.random() < 0.55:
            continue
        loss = float(np.exp(rng.uniform(np.log(0.003), np.log(0.2)))) / DAY_S
        kind = rng.random()
        if kind < 0.35:
            leaks.append(Leak(corner, loss))
        elif kind < 0.6:
            leaks.append(Leak(corner, loss, law="porous"))
        elif kind < 0.85:
            onset = 273.15 + rng.uniform(-8.0, 2.0)
            leaks.append(Leak(corner, loss, below_K=onset, hysteresis_K=float(rng.choice([0.0, 1.0]))))
        else:
            leaks.append(Leak(corner, loss, begin_s=float(rng.uniform(0.2, 0.8) * case.hours * 3600.0)))
    return tuple(leaks)


def plan_of(case: Case, seed: int) -> SoakPlan:
    """Draw a soak. The thermal disturbance is drawn smaller than the virtual rig's default; see README.md."""
    rng = np.random.default_rng((seed, 7))
    weather = stretch(case.hours, rng) if rng.random() < 0.7 else InventedWinter()
    return SoakPlan(
        support=case.support,
        hours=case.hours,
        weather=weather,
        leaks=leaks_of(case, rng),
        thermal=ThermalPriors(wander_sd_K=Uniform(0.05, 0.4), shared_sd_K=Uniform(0.0, 0.15)),
        pressure_sensor=PressureSensorPriors(reference=case.reference, air_share=Uniform(0.4, 1.0)),
        gas=case.gas,
        sensors=SensorPriors(barometer=case.barometer, gas_thermometer=case.probe),
    )


def tape_of(case: Case, simulated: Simulated, seed: int) -> list[TapeReading]:
    """Draw the heights by hand: within the first and the last 15 min, a third one between; ±1 mm each."""
    rng = np.random.default_rng((seed, 11))
    end_s = case.hours * 3600.0
    times = (rng.uniform(60.0, 900.0), end_s - rng.uniform(0.0, 900.0), rng.uniform(0.3, 0.7) * end_s)
    height = simulated.truth.height_m
    if height is None:
        return []
    return [
        TapeReading(
            at_s, name, float(np.interp(at_s, simulated.time_s, height[:, i]) + rng.normal(0.0, DEVIATION_m))
        )
        for at_s in times[: case.tape]
        for i, name in enumerate(CORNERS)
    ]


def run(job: tuple[str, int]) -> list[Result]:
    """Simulate and analyse one soak."""
    case, seed = CASES[job[0]], job[1]
    simulated = simulate(plan_of(case, seed), seed)
    measured = {k: v for k, v in simulated.measured.items() if not (case.tape and k.endswith(".height"))}
    rows = np.any([np.isfinite(v) for v in measured.values()], axis=0)
    soak = SoakAnalysis(
        settings_of(case),
        CORNERS,
        begin_utc=np.datetime64(simulated.plan.begin_utc.replace(tzinfo=None), "us"),
        tape=tape_of(case, simulated, seed),
    )
    soak.feed(simulated.time_s[rows], {k: v[rows] for k, v in measured.items()})
    soak.finish()
    said = findings(soak, f"{case.name}-{seed}")
    out = []
    begin_of = {leak.section: leak.begin_s for leak in simulated.plan.leaks}
    for section in said["sections"]:
        name = section["name"]
        low, high = section["loss_per_day_interval95"]
        column = simulated.truth.gas_column_m.get(name) if case.support == "standing" else None
        onsets = [x.below_K for x in simulated.plan.leaks if x.section == name and x.below_K is not None]
        onset_low, onset_high = section["cold_onset_interval95_degC"] or (np.nan, np.nan)
        alarms = [a.raised_s for a in soak.book.of(name) if a.kind == "leak"]
        out.append(
            Result(
                seed=seed,
                section=name,
                truth=simulated.truth.loss_per_s[name] * DAY_S,
                loss=section["loss_per_day"],
                low=low,
                high=high,
                verdict=section["verdict"],
                over=section["probability_over_threshold"],
                two_readings=two_readings(simulated, name),
                straight_line=straight_line(simulated, name),
                oracle=oracle(simulated, name, column),
                leak_alarm_h=(alarms[0] - begin_of.get(name, 0.0)) / 3600.0 if alarms else np.nan,
                coldest_error_K=section["coldest_gas_degC"] + 273.15 - simulated.truth.coldest_gas_K[name],
                onset_degC=onsets[0] - 273.15 if onsets else np.nan,
                onset_said_degC=np.nan if section["cold_onset_degC"] is None else section["cold_onset_degC"],
                onset_low_degC=onset_low,
                onset_high_degC=onset_high,
            )
        )
    return out
