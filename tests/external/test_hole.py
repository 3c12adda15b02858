"""What a loss means as a hole: worked examples of ISO 6358 and of textbooks, integrals by scipy, limits and words."""

from __future__ import annotations

import doctest
import itertools
import math
import re
from pathlib import Path

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.integrate import solve_ivp

from analysis import hole
from analysis.hole import (
    CHOKED,
    CRITICAL_RATIO,
    CHANNEL_LENGTH_m,
    channel_diameter_m,
    hole_of,
    hole_words,
    iso_mass_flow,
    nozzle_flux,
    sonic_conductance,
    viscosity_Pa_s,
)

DAY_S = 86_400.0
AIR_kg_per_mol = 28.96546e-3
R = 8.314462618  # CODATA 2018


def test_critical_ratio_and_choked_flow() -> None:
    # 0.528 and 0.685 as textbooks print them (White, Fluid Mechanics, chapters 3 and 9, read second-hand); more digits
    # computed from the closed forms
    assert pytest.approx(0.5282817877, abs=1e-9) == CRITICAL_RATIO
    assert pytest.approx(0.6847314564, abs=1e-9) == CHOKED


@pytest.mark.parametrize(
    ("conductance", "b", "inside_Pa", "outside_Pa", "inside_K", "flow"),
    [
        # a public worked example of ISO 6358 (teaching file, read): 1 dm³/(s·bar), b = 0.35, 7 bar to 1 bar
        (1e-8, 0.35, 7e5, 1e5, 293.15, 0.008295),
        # the same equation computed independently by the reference work: subsonic, cold, and a wider part
        (1e-8, 0.35, 7e5, 5e5, 293.15, 0.0068698802),
        (1e-8, 0.35, 7e5, 5e5, 263.15, 0.0072509086),
        (2e-9, 0.5, 8e5, 7e5, 293.15, 0.0012540861),
    ],
)
def test_iso_6358(
    conductance: float, b: float, inside_Pa: float, outside_Pa: float, inside_K: float, flow: float
) -> None:
    assert iso_mass_flow(conductance, b, inside_Pa, outside_Pa, inside_K) == pytest.approx(flow, rel=1e-7)


def test_iso_6358_is_smooth_where_it_chokes_and_stops_where_nothing_drives() -> None:
    below, above = (iso_mass_flow(1e-8, 0.35, 7e5, 7e5 * (0.35 + d), 293.15) for d in (-1e-6, 1e-6))
    assert above == pytest.approx(below, rel=1e-9)
    assert iso_mass_flow(1e-8, 0.35, 7e5, 6.999999e5, 293.15) < 2e-3 * below
    assert iso_mass_flow(1e-8, 0.35, 5e5, 5e5, 293.15) == 0.0
    assert iso_mass_flow(1e-8, 0.35, 5e5, 6e5, 293.15) == 0.0


def test_sonic_conductance_of_a_square_millimetre() -> None:
    # ideal nozzle of 1 mm², air at 293.15 K: computed independently by the reference work
    assert sonic_conductance(1e-6) == pytest.approx(1.99195e-9, rel=1e-5)
    # and the two formulas give the same choked flow
    flow = iso_mass_flow(sonic_conductance(1e-6), CRITICAL_RATIO, 8e5, 1e5, 270.0)
    assert flow == pytest.approx(1e-6 * nozzle_flux(8e5, 1e5, 270.0, AIR_kg_per_mol), rel=1e-12)


def test_subsonic_nitrogen() -> None:
    # nitrogen, R = 296.8 J/(kg·K), 450 K, 150 to 100 kPa, 30 cm²: 0.807 kg/s (solved problem, attributed to
    # Fox & McDonald, Introduction to Fluid Mechanics, problem 13.31; read), more digits computed
    flow = 30e-4 * nozzle_flux(150e3, 100e3, 450.0, R / 296.8)
    assert flow == pytest.approx(0.807, abs=5e-4)
    assert flow == pytest.approx(0.806548, rel=1e-6)


def test_the_ellipse_of_the_standard_is_near_the_nozzle() -> None:
    # ISO 6358's ellipse with b = 0.528 and the isentropic nozzle: within 0.5 % of the choked flow, everywhere
    for ratio in (0.3, 0.55, 0.6, 0.7, 0.8, 0.9, 0.99):
        by_ellipse = iso_mass_flow(sonic_conductance(1e-6), CRITICAL_RATIO, 4e5, 4e5 * ratio, 293.15)
        by_nozzle = 1e-6 * nozzle_flux(4e5, 4e5 * ratio, 293.15, AIR_kg_per_mol)
        assert abs(by_ellipse - by_nozzle) < 0.005 * 1e-6 * nozzle_flux(4e5, 0.0, 293.15, AIR_kg_per_mol)


def test_a_tank_that_empties_through_a_hole() -> None:
    # White, Fluid Mechanics, chapter 9 (attribution from memory; answers read on a question page): air, 1.5 m³ at
    # 800 kPa and 20 °C, 0.75 cm², temperature held: 0.141 kg/s at first, 500 kPa after 47.343 s
    volume_m3, area_m2, warm_K = 1.5, 0.75e-4, 293.15
    assert area_m2 * nozzle_flux(800e3, 101325.0, warm_K, AIR_kg_per_mol) == pytest.approx(0.1417, abs=1e-4)
    gas_J_per_kg_K = R / AIR_kg_per_mol

    def emptying(_time: float, pressure: list[float]) -> list[float]:
        flow = area_m2 * nozzle_flux(pressure[0], 101325.0, warm_K, AIR_kg_per_mol)
        return [-flow * gas_J_per_kg_K * warm_K / volume_m3]

    run = solve_ivp(emptying, (0.0, 47.343), [800e3], rtol=1e-9)
    assert run.y[0, -1] == pytest.approx(500e3, rel=2e-4)


def test_the_hole_that_is_found_is_the_hole_that_leaked() -> None:
    """From a hole to the loss by the blow-down law, and back."""
    # while choked and at constant temperature p = p0·exp(-t/tau), tau = V/(0.6847·A·√(R_s·T)): the loss is 1/tau
    # (White, problem 4.23, form read); the rest of the difference is the real gas, 0.3 % of n
    diameter_m, volume_m3, temperature_K = 12e-6, 3.2e-3, 293.15
    speed = math.sqrt(R / 28.01348e-3 * temperature_K)
    loss_per_s = 0.684731 * math.pi / 4.0 * diameter_m**2 * speed / volume_m3
    found = hole_of(loss_per_s, 8e5, volume_m3, temperature_K, 1e5)
    assert found.choked
    assert found.diameter_m == pytest.approx(diameter_m, rel=2e-3)
    # the pressure does not matter as long as the hole is choked
    assert hole_of(loss_per_s, 4e5, volume_m3, temperature_K, 1e5).diameter_m == pytest.approx(
        diameter_m, rel=2e-3
    )


def test_near_the_outer_pressure_the_same_loss_is_a_wider_hole() -> None:
    wide, choked = (hole_of(1e-6, p, 3.2e-3, 280.0, 1e5) for p in (1.2e5, 8e5))
    assert not wide.choked
    assert wide.diameter_m > choked.diameter_m


@pytest.mark.parametrize("gas", ["nitrogen", "dry air"])
def test_flow_of_a_loss(gas: str) -> None:
    # amount by the reference equation of state (CoolProp), not ours
    fluid = {"nitrogen": "Nitrogen", "dry air": "Air"}[gas]
    found = hole_of(0.02 / DAY_S, 8e5, 3.2e-3, 270.0, 101325.0, gas)
    amount_mol = PropsSI("Dmolar", "T", 270.0, "P", 8e5, fluid) * 3.2e-3
    assert found.flow_mol_per_s == pytest.approx(amount_mol * 0.02 / DAY_S, rel=2e-5)
    # 1 µmol/s = 1.3448 sccm (Berg & Tison 2002, nist.gov)
    assert found.flow_sccm == pytest.approx(found.flow_mol_per_s * 1e6 * 1.3448, rel=1e-4)
    # 24055 cm³/mol at 20 °C and 101325 Pa (ideal gas, computed)
    assert found.flow_cm3_per_min == pytest.approx(found.flow_mol_per_s * 24055.1 * 60.0, rel=1e-5)
    # a bubble of 3 mm is 14.137 mm³ by geometry
    assert found.bubble_every_s == pytest.approx(14.137e-3 * 60.0 / found.flow_cm3_per_min, rel=1e-4)


@pytest.mark.parametrize("gas", ["nitrogen", "dry air"])
@pytest.mark.parametrize("temperature_K", [240.0, 263.15, 293.15, 330.0])
def test_viscosity(gas: str, temperature_K: float) -> None:
    fluid = {"nitrogen": "Nitrogen", "dry air": "Air"}[gas]
    theirs = PropsSI("V", "T", temperature_K, "P", 5e5, fluid)
    assert viscosity_Pa_s(temperature_K, gas) == pytest.approx(theirs, rel=0.01)


def test_a_channel_by_integration_along_it() -> None:
    # the incompressible law of Hagen and Poiseuille in each slice, dp/dx = -128·µ·Q/(π·d⁴) with Q = n'·R·T/p
    flow, warm_K = 2.4e-7, 283.0
    diameter = channel_diameter_m(flow, 8e5, 1e5, warm_K, "nitrogen")
    friction = 128.0 * viscosity_Pa_s(warm_K, "nitrogen") / (math.pi * diameter**4)

    def falling(_x: float, pressure: list[float]) -> list[float]:
        return [-friction * flow * R * warm_K / pressure[0]]

    run = solve_ivp(falling, (0.0, CHANNEL_LENGTH_m), [8e5], rtol=1e-10, atol=1e-3)
    assert run.y[0, -1] == pytest.approx(1e5, rel=1e-4)


def test_a_fast_flow_is_no_channel() -> None:
    assert channel_diameter_m(1e-3, 8e5, 1e5, 293.15, "nitrogen") is None
    torn = hole_of(100.0 / DAY_S, 8e5, 3.2e-3, 293.15, 1e5)
    assert torn.channel_m is None
    assert "channel" not in hole_words(torn)


@pytest.mark.parametrize(
    ("loss_per_day", "inside_Pa"), [(0.0, 8e5), (-0.01, 8e5), (float("nan"), 8e5), (0.02, 1e5), (0.02, 0.9e5)]
)
def test_nothing_flows_nothing_is_said(loss_per_day: float, inside_Pa: float) -> None:
    assert hole_of(loss_per_day / DAY_S, inside_Pa, 3.2e-3, 293.15, 1e5) is None


def test_a_greater_loss_is_a_greater_hole_with_more_bubbles() -> None:
    losses = [10.0**k for k in (-5, -4, -3, -2, -1, 0)]
    holes = [hole_of(loss / DAY_S, 8e5, 3.2e-3, 293.15, 1e5) for loss in losses]
    for small, large in itertools.pairwise(holes):
        # ten times the flow, ten times the area
        assert large.diameter_m == pytest.approx(small.diameter_m * math.sqrt(10.0))
        assert large.bubble_every_s < small.bubble_every_s
        assert large.conductance > small.conductance


def test_water_closes_what_is_fine_enough() -> None:
    # the law of Young and Laplace for a round hole, 4·γ/d, with the surface tension of CoolProp (IAPWS R1-76)
    tension = PropsSI("I", "T", 293.15, "Q", 0, "Water")
    assert pytest.approx(tension, rel=1e-3) == hole.WATER_TENSION_N_per_m
    widest_m = 4.0 * tension / 7e5
    for loss_per_s in np.geomspace(1e-10, 1e-6, 41):
        found = hole_of(float(loss_per_s), 8e5, 3.2e-3, 293.15, 1e5)
        if abs(found.diameter_m / widest_m - 1.0) > 2e-3:
            assert found.water_closes == (found.diameter_m < widest_m)
        assert ("water can close" in hole_words(found)) == found.water_closes


def test_the_table_in_the_readme_is_what_the_formulas_say() -> None:
    """3 L at 8 bar absolute, 20 °C: each row against the closed forms above."""
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    rows = re.findall(r"^\| ([\d.]+) %/day \| ([\d.]+) cm³ \| ([\d.]+) µm \| (.*) \|$", readme, re.MULTILINE)
    assert len(rows) == 4
    for loss, volume, diameter, bubbles in rows:
        found = hole_of(float(loss) / 100.0 / DAY_S, 8e5, 3e-3, 293.15, 101325.0)
        assert found.flow_cm3_per_min == pytest.approx(float(volume), rel=0.05)
        assert found.diameter_m * 1e6 == pytest.approx(float(diameter), rel=0.15)
        words = hole_words(found)
        assert bubbles in words.replace(" of 3 mm", "").replace("3 mm ", "")


@pytest.mark.parametrize(
    ("loss_per_day", "words"),
    [
        # how each size of flow is said; the numbers are those of hole_of above
        (1e-6, "less than one 3 mm bubble in three hours"),
        (1e-5, "hole of less than 0.1 µm"),
        (3000.0, "hole of 840 µm"),
        (6000.0, "hole of 1.2 mm"),
        (1e-7, "less than one 3 mm bubble in three hours"),
        (1e-4, "a 3 mm bubble every 8 min"),
        (5e-3, "a 3 mm bubble every 10 s"),
        (0.1, "2 bubbles of 3 mm a second"),
        (5.0, "a stream of bubbles"),
        (100.0, "1.8 L of gas a minute"),
        (5e-4, "hole of 0.3 µm"),
    ],
)
def test_words(loss_per_day: float, words: str) -> None:
    assert words in hole_words(hole_of(loss_per_day / DAY_S, 8e5, 3.2e-3, 293.15, 101325.0))


def test_the_examples_in_the_docstrings() -> None:
    result = doctest.testmod(hole)
    assert result.attempted > 0
    assert result.failed == 0
