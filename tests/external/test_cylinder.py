"""Cylinder contents against the reference equations (CoolProp), published densities and a printed cylinder table."""

from __future__ import annotations

import doctest
import json

import pytest
from CoolProp.CoolProp import PropsSI
from typer.testing import CliRunner

from analysis import cylinder, typed
from analysis.commands import build_app, main
from analysis.cylinder import AIR, NITROGEN, Coefficients, density, fills_left, nominal_volume_m3
from analysis.gas import GAS_CONSTANT_J_PER_MOL_K

FT3 = 0.3048**3
INCH3 = 0.0254**3
PSI = 6894.757293168362
NTP_K = (70.0 - 32.0) / 1.8 + 273.15


@pytest.mark.parametrize(("fluid", "gas"), [("Nitrogen", NITROGEN), ("Air", AIR)])
def test_compressibility_up_to_cylinder_pressures(fluid: str, gas: Coefficients) -> None:
    worst = 0.0
    # between the points of the fit too
    for temperature_K in (250.0, 263.15, 277.3, 293.15, 311.7, 335.0):
        for pressure_Pa in (1e5, 7e5, 2.3e6, 6.1e6, 12.7e6, 20e6, 23.4e6, 30e6, 35e6):
            expected = float(PropsSI("DMOLAR", "T", temperature_K, "P", pressure_Pa, fluid))
            ours = density(pressure_Pa, temperature_K, gas)
            scale = pressure_Pa / (GAS_CONSTANT_J_PER_MOL_K * temperature_K)
            worst = max(worst, abs(scale / ours - scale / expected))
    assert worst <= 1e-4  # what the design asks for
    assert worst <= 6e-5  # what the module says of itself


def test_published_density() -> None:
    # nitrogen, 300 K, 8 MPa: 3.2057 mol/L, Jacobsen et al. 1986 (another equation), quoted by a public test collection
    assert density(8e6, 300.0, NITROGEN) == pytest.approx(3205.7, rel=3e-4)


@pytest.mark.parametrize(
    ("inches3", "rated_ft3", "real_ft3"),
    # internal volume and rating read in a published cylinder table (3000 psi); real content: CoolProp 8, air, 70 °F
    [(673.0, 79.87, 77.3715), (680.0, 80.70, 78.1762)],
)
def test_an_80_cubic_foot_cylinder(inches3: float, rated_ft3: float, real_ft3: float) -> None:
    volume = inches3 * INCH3
    # the printed rating is the ideal gas's
    assert nominal_volume_m3(rated_ft3 * FT3, 3000.0 * PSI) == pytest.approx(volume, rel=1e-4)
    scf_mol = density(14.7 * PSI, NTP_K, AIR) * FT3
    holds = volume * density(3014.7 * PSI, NTP_K, AIR)
    # the reference counts real gas at 14.7 psi too, which is denser by 0.04 % than the ideal 1.17304 mol
    assert holds / scf_mol == pytest.approx(real_ft3, rel=1e-4)
    assert scf_mol == pytest.approx(1.17304, rel=5e-4)


@pytest.mark.parametrize(("psig", "litres"), [(2015.0, 16.680025), (2216.0, 15.281128)])
def test_the_nitrogen_size_of_80_cubic_feet(psig: float, litres: float) -> None:
    # water volume that 80 standard cubic feet of nitrogen need, by CoolProp 8 (catalogue figure not found)
    scf_mol = density(14.7 * PSI, NTP_K, NITROGEN) * FT3
    needed = 80.0 * scf_mol / density((psig + 14.7) * PSI, NTP_K, NITROGEN)
    assert needed * 1000.0 == pytest.approx(litres, rel=2e-5)
    # by its name alone we take a smaller one, so nobody runs out early
    assert nominal_volume_m3(80.0 * FT3, psig * PSI) < needed


def test_an_ideal_gas_example() -> None:
    # OpenStax Chemistry 2e 9.2, worked example: 13.2 L at 153 atm and 27 °C are 667 L at 3.13 atm and 37 °C, ideal.
    # Real air holds more at 153 atm and 300 K (Z = 0.987 by CoolProp 8) and is all but ideal at 3 atm.
    amount = 13.2 * density(153 * 101_325.0, 300.15, AIR)
    litres = amount / density(3.13 * 101_325.0, 310.15, AIR)
    Z = (
        153
        * 101_325.0
        / (float(PropsSI("DMOLAR", "T", 300.15, "P", 153 * 101_325.0, "Air")) * 8.31451 * 300.15)
    )
    assert litres * Z == pytest.approx(667.0, rel=2e-3)


def test_fills_by_emptying_step_by_step() -> None:
    """The count against a cylinder that is really emptied fill by fill, with CoolProp's densities."""

    def rho(pressure_Pa: float, temperature_K: float) -> float:
        return float(PropsSI("DMOLAR", "T", temperature_K, "P", pressure_Pa, "Nitrogen"))

    left, count = 0.010 * rho(120e5, 283.15), 0
    while left - 0.0136 * (rho(8e5, 293.15) - rho(1e5, 293.15)) >= 0.010 * rho(11e5, 283.15):
        left -= 0.0136 * (rho(8e5, 293.15) - rho(1e5, 293.15))
        count += 1
    ours = fills_left(
        0.010, 120e5, 283.15, NITROGEN, filled_m3=0.0136, fill_Pa=8e5, from_Pa=1e5, fill_temperature_K=293.15
    )
    assert ours.fills == count > 5


def test_an_empty_cylinder_has_no_fill() -> None:
    ours = fills_left(
        0.01, 9e5, 293.15, NITROGEN, filled_m3=0.0034, fill_Pa=8e5, from_Pa=1e5, fill_temperature_K=293.15
    )
    assert (ours.fills, ours.usable_mol) == (0, 0.0)


@pytest.mark.parametrize("module", [cylinder, typed], ids=lambda module: module.__name__)
def test_examples_in_the_docstrings(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted > 0
    assert result.failed == 0


LINE = ["cylinder", "--fill", "7 bar", "--filled", "4 x 3.4 L"]


def test_the_command() -> None:
    app = build_app(["cylinder"])
    words = CliRunner().invoke(app, [*LINE, "--volume", "10 L", "--pressure", "120 bar"])
    assert words.exit_code == 0
    assert "fills left" in words.output
    data = CliRunner().invoke(
        app, [*LINE, "--content", "80 ft3", "--rated", "2216 psi", "--pressure", "120 bar", "--json"]
    )
    said = json.loads(data.output)
    assert said["fills_range"][0] <= said["fills"] <= said["fills_range"][1]
    assert said["fills"] == int(said["usable_mol"] / said["fill_mol"])


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--volume", "10 L", "--pressure", "1740 bar"], "did you mean 1740 psi?"),
        (["--volume", "10 mL", "--pressure", "120 bar"], "did you mean 10 L?"),
        (["--pressure", "120 bar"], "--volume"),
        (["--volume", "10 L", "--pressure", "120 bar", "--from", "7 bar"], "not below the fill"),
        (["--volume", "10 L", "--pressure", "120 bar", "--gas", "helium"], "nitrogen or dry air"),
        (["--volume", "10 L", "--pressure", "120 bar", "--temperature", "293"], "has no unit"),
    ],
)
def test_bad_input_gets_a_sentence(
    more: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([*LINE, *more])
    assert ended.value.code == 1
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1
