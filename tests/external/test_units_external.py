"""Unit conversions against tables and constants that this project did not make."""

import csv
import doctest
from pathlib import Path

import pytest

from logger import units

DATA = Path(__file__).parent / "data"


def table(name: str) -> list[dict[str, str]]:
    """Rows of a table in data/, whose first lines (#) name the source."""
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", table("leak_units_pv.csv"), ids=lambda row: row["unit"])
def test_leak_rate_units(row: dict[str, str]) -> None:
    # source: head of data/leak_units_pv.csv (exact definitions of atm and Torr)
    assert units.quantity(f"1 {row['unit']}", units.LEAK) == pytest.approx(
        float(row["Pa_m3_per_s"]), rel=1e-12
    )
    dotted = row["unit"].replace(" ", "*")
    assert units.quantity(f"10 {dotted}", units.LEAK) == pytest.approx(float(row["mbar_L_per_s"]), rel=1e-12)


def test_a_micromole_per_second_in_standard_cubic_centimetres() -> None:
    # Berg & Tison 2002 (nist.gov): 1 µmol/s = 1.3448 sccm, at 0 °C and 101325 Pa
    assert 1e-6 / units.SCCM_mol_per_s == pytest.approx(1.3448, abs=5e-5)
    # the same leak is another flow at another temperature; ideal gas, computed: 273.15 / 293.15 = 0.931776
    ratio = units.leak_sccm(1e-3, 293.15) / units.leak_sccm(1e-3, 273.15)
    assert ratio == pytest.approx(0.931776, abs=1e-6)


@pytest.mark.parametrize("row", table("leak_units_molar.csv"), ids=lambda row: row["T_ref_C"])
def test_leak_rates_as_amounts(row: dict[str, str]) -> None:
    temperature_K = float(row["T_ref_C"]) + 273.15
    # a throughput of 1 Pa·m³/s at that temperature, through our standard cm³/min (0 °C) back to mol/s
    ours = units.leak_sccm(1.0, temperature_K) * units.SCCM_mol_per_s
    assert ours == pytest.approx(float(row["mol_s_per_Pa_m3_s"]), rel=1e-9)
    # a "standard" cm³/min meant at that temperature, in ours of 0 °C: 101325 Pa · 1e-6 m³ / 60 s
    theirs = units.leak_sccm(101325.0 * 1e-6 / 60.0, temperature_K)
    assert theirs * units.SCCM_mol_per_s == pytest.approx(float(row["mol_s_per_std_cm3_min"]), rel=1e-9)


def test_a_standard_cubic_centimetre_is_no_throughput() -> None:
    # one sccm of 0 °C is 1.68875e-3 Pa·m³/s at 273.15 K, but 1.81240e-3 at 293.15 K and 1.84331e-3 at 298.15 K
    # (ideal gas, computed by the reference work)
    for temperature_K, throughput in ((273.15, 1.68875e-3), (293.15, 1.81240e-3), (298.15, 1.84331e-3)):
        assert units.leak_sccm(throughput, temperature_K) == pytest.approx(1.0, rel=3e-6)


@pytest.mark.parametrize(
    ("text", "kind", "si", "tolerance"),
    [
        # exact definitions (inch, pound-force, °F, atm): NIST SP 811 (from memory)
        ("1 psi", units.PRESSURE, 6894.757293168, 1e-9),
        ("1 in", units.LENGTH, 0.0254, 1e-15),
        ("14 degF", units.TEMPERATURE, 263.15, 1e-10),
        ("-40 °F", units.TEMPERATURE, 233.15, 1e-10),
        ("1 atm", units.PRESSURE, 101325.0, 0),
        ("760 Torr", units.PRESSURE, 101325.0, 1e-9),
        ("18 degF", units.TEMPERATURE_INTERVAL, 10.0, 1e-10),
        ("0.02 %/degC", units.PER_KELVIN, 2e-4, 1e-18),
        ("2 %/day", units.LOSS, 0.02 / 86400, 1e-18),
        ("2 %/d", units.LOSS, 0.02 / 86400, 1e-18),
        ("0.02/day", units.LOSS, 0.02 / 86400, 1e-18),
        ("14 %/week", units.LOSS, 0.02 / 86400, 1e-18),
        ("5 mm/day", units.SINKING, 0.005 / 86400, 1e-18),
        ("187.5 µV", units.VOLTAGE, 187.5e-6, 1e-18),
        ("187.5 μV", units.VOLTAGE, 187.5e-6, 1e-18),
        ("10 kΩ", units.RESISTANCE, 1e4, 1e-9),
        ("200 cm³", units.VOLUME, 2e-4, 1e-15),
        ("200 cc", units.VOLUME, 2e-4, 1e-15),
    ],
)
def test_quantities(text: str, kind: units.Kind, si: float, tolerance: float) -> None:
    assert units.quantity(text, kind) == pytest.approx(si, rel=0, abs=tolerance)


@pytest.mark.parametrize(
    "text",
    [
        *(
            "",
            "bar",
            "16",
            "16 bar bar2",
            "5 1.0 bar",
            "nan bar",
            "inf bar",
            "16 bra",
            "1e999 bar",
            "16 bar)",
        ),
        *("16 °", "0x10 bar", "1_6 bar", "16 __import__('os')", "16,5 bar", "16 bar; 2"),
    ],
)
def test_what_is_no_pressure_is_refused_with_our_own_error(text: str) -> None:
    with pytest.raises(units.UnitError):
        units.quantity(text, units.PRESSURE)


def test_the_examples_in_the_docstrings() -> None:
    assert doctest.testmod(units).failed == 0
