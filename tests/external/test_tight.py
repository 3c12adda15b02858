"""What a tight section will read: against CoolProp, textbook problems, figures of the trade, and simulated tight cars."""

from __future__ import annotations

import doctest
from dataclasses import replace

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from analysis import expectation_words, tight
from analysis.tight import Change, tight_pressure, tight_sink
from logger.settings import PressureSensorSettings
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan

GAUGE = PressureSensorSettings()
ABSOLUTE = PressureSensorSettings(reference="absolute")
# no time, so no creep; the barometer known at both ends
NIGHT = Change(293.15, 263.15, 0.0, 101_325.0, 101_325.0)


@pytest.mark.parametrize(("fluid", "gas"), [("Nitrogen", "nitrogen"), ("Air", "dry air")])
@pytest.mark.parametrize("first_Pa", [3e5, 8e5, 1.5e6])
def test_isochoric_cooling_by_coolprop(fluid: str, gas: str, first_Pa: float) -> None:
    rho = PropsSI("DMOLAR", "T", 293.15, "P", first_Pa, fluid)
    expected = float(PropsSI("P", "T", 263.15, "DMOLAR", rho, fluid))
    assert tight_pressure(first_Pa, NIGHT, ABSOLUTE, gas).value == pytest.approx(expected, abs=10.0)
    gauge = tight_pressure(first_Pa - 101_325.0, NIGHT, GAUGE, gas).value
    assert gauge == pytest.approx(expected - 101_325.0, abs=10.0)


@pytest.mark.parametrize("fluid", ["Nitrogen"])
def test_sink_by_coolprop(fluid: str) -> None:
    first, then = (PropsSI("DMOLAR", "T", T, "P", 9e5, fluid) for T in (293.15, 263.15))
    ours = tight_sink(9e5 - 101_325.0, NIGHT, 0.25, 0.1, "nitrogen").value
    assert ours == pytest.approx(0.25 * (1.0 - first / then), rel=1e-4)


def test_textbook_problems() -> None:
    # OpenStax University Physics 2, 2.1, worked example: a tyre at 7.00e5 Pa and 18 °C comes to 7.41e5 Pa at 35 °C
    warm = replace(NIGHT, from_K=291.15, to_K=308.15)
    assert tight_pressure(7e5, warm, ABSOLUTE, "dry air").value == pytest.approx(7.41e5, rel=1e-3)
    # OpenStax College Physics 13.3, problem 1: 2.50e5 Pa gauge at 35 °C is 1.62 atm gauge at -40 °C (ideal; 0.3 % for Z)
    cold = replace(NIGHT, from_K=308.15, to_K=233.15)
    ours = tight_pressure(2.5e5, cold, GAUGE, "dry air").value
    assert ours / 101_325.0 == pytest.approx(1.62, abs=0.015)


def test_figures_of_the_design() -> None:
    # 33 K of cooling: a standing car on a gas column of 250 mm sinks by 28 mm (rigid body model, ideal gas: 28.1 mm);
    # Z falls by 0.3 % on top, which is 0.7 mm
    night = replace(NIGHT, from_K=293.15, to_K=260.15)
    assert tight_sink(7e5, night, 0.25, 0.1, "nitrogen").value * 1e3 == pytest.approx(28.1 + 0.7, abs=0.1)
    # +20 to -12 °C takes 11 % off the pressure of a blocked one
    blocked = replace(NIGHT, to_K=261.15)
    assert tight_pressure(8e5, blocked, ABSOLUTE, "nitrogen").value == pytest.approx(0.89 * 8e5, rel=3e-3)
    # 20 hPa of barometer over a weekend are 20 hPa on a gauge, none on an absolute transducer
    rising = replace(NIGHT, barometer_then_Pa=103_325.0)
    fall = (
        tight_pressure(7e5, NIGHT, GAUGE, "nitrogen").value
        - tight_pressure(7e5, rising, GAUGE, "nitrogen").value
    )
    assert fall == pytest.approx(2000.0)
    assert (
        tight_pressure(8e5, rising, ABSOLUTE, "nitrogen").value
        == tight_pressure(8e5, NIGHT, ABSOLUTE, "nitrogen").value
    )


def test_signs() -> None:
    dry, wet = (tight_pressure(7e5, NIGHT, GAUGE, gas) for gas in ("dry air", "shop air"))
    # water: between nothing and e_s(20 °C) - e_s(-10 °C) = 2339 - 260 Pa (IAPWS), half of it in the mean
    assert dry.value - wet.value == pytest.approx(0.5 * 2079.0, rel=0.01)
    assert wet.high - wet.low > dry.high - dry.low
    assert tight_pressure(7e5, replace(NIGHT, hours=14.0), GAUGE, "dry air").value < dry.value
    unknown = replace(NIGHT, barometer_then_Pa=None)
    assert tight_pressure(7e5, unknown, GAUGE, "dry air").low < dry.low
    assert tight_sink(7e5, replace(NIGHT, to_K=303.15), 0.25, 0.1, "nitrogen").value < 0.0


@pytest.mark.parametrize("support", ["blocked", "standing"])
def test_simulated_tight_cars_read_what_was_expected(support: str) -> None:
    """The simulator shares no formula with the analysis. 95 % is told; the priors of both are not quite the same."""
    rng = np.random.default_rng(1)
    inside = []
    for seed in range(20):
        simulated = simulate(SoakPlan(support=support, hours=14.0, period_s=120.0), seed)  # type: ignore[arg-type]
        measured = simulated.measured
        air_K = float(np.nanmean(measured["ambient.temperature"][-300:]))
        barometer = measured.get("ambient.pressure")
        ends = (
            (None, None)
            if barometer is None
            else [float(np.nanmean(barometer[part])) for part in (slice(5), slice(-5, None))]
        )
        for i, name in enumerate(simulated.plan.sections):
            # the technician's thermometer is off by 1 K or so
            from_K = float(simulated.truth.gas_K[0, i]) + float(rng.normal(0.0, 1.0))
            change = Change(from_K, air_K, 14.0, *ends)
            pressure, height = (measured.get(f"{name}.{what}") for what in ("pressure", "height"))
            assert pressure is not None
            begin = float(np.nanmedian(pressure[:10]))
            if support == "blocked":
                told, came = (
                    tight_pressure(begin, change, GAUGE, "nitrogen"),
                    float(np.nanmedian(pressure[-10:])),
                )
            else:
                assert height is not None
                told = tight_sink(begin, change, simulated.truth.gas_column_m[name], 0.02, "nitrogen")
                came = float(np.nanmedian(height[:10]) - np.nanmedian(height[-10:]))
            inside.append(told.low <= came <= told.high)
    assert np.mean(inside) > 0.87


@pytest.mark.parametrize("module", [tight, expectation_words], ids=lambda module: module.__name__)
def test_examples_in_the_docstrings(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted > 0
    assert result.failed == 0
