"""The figures in the integrator's pages, worked anew, and the table of faults held against the conversion."""

from __future__ import annotations

import math
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from logger.channels import Quality, convert_block
from logger.samples import SampleBlock
from logger.settings import default_settings

NOTES = Path(__file__).parents[2] / "firmware_notes"
PARTS, WIRING, BRING_UP, FAULTS = (
    " ".join((NOTES / name).read_text().split())
    for name in ("parts.md", "wiring.md", "bring-up.md", "faults.md")
)
SUPPLY = 26667  # 5 V at 187.5 µV


def quality_of(cell: str) -> str:
    """What the host says of a count of a 16 bar transducer with 5 V of supply."""
    count = {"": np.nan, "+": np.nan}.get(cell, float(cell) if cell.isdigit() else np.nan)
    raw = np.array([[count, SUPPLY]])
    none = np.zeros((1, 2), np.bool_)
    over = np.array([[cell == "+", False]])
    time_us = np.array([0], np.int64)
    block = SampleBlock(time_us, time_us, ("fl.pressure", "rig.supply_voltage"), raw, over, none)
    quality = convert_block(block, default_settings()).quality[0, 0]
    return Quality(int(quality)).name.lower().replace("_", " ")


def fault_rows() -> list[tuple[str, str, str]]:
    text = (NOTES / "faults.md").read_text()
    rows = re.findall(r"^\| ([^|]+) \| (\d+|\+|) ?\| ([a-z ]+) \|$", text, re.MULTILINE)
    return [(what, count.strip(), quality) for what, count, quality in rows if quality != "quality"]


def test_the_table_of_faults_has_every_quality_that_one_sample_can_show() -> None:
    assert {quality for _, _, quality in fault_rows()} == {"open", "short", "out of range", "missing"}


@pytest.mark.parametrize(("what", "count", "quality"), fault_rows())
def test_each_fault_in_the_table_is_called_what_the_host_calls_it(
    what: str, count: str, quality: str
) -> None:
    assert quality_of(count) == quality, what


@pytest.mark.parametrize(
    ("volts", "said"), [(0.0, "open"), (0.5, "0 bar"), (2.5, "8 bar"), (4.5, "16 bar"), (5.0, "short")]
)
def test_the_counts_to_expect_at_the_bench(volts: float, said: str) -> None:
    count = round(volts / 187.5e-6)
    assert re.search(rf"\| {count} \| {said} \|", BRING_UP)
    quality = quality_of(str(count))
    assert quality == (said if said in {"open", "short"} else "good")


def test_the_stored_energy() -> None:
    joules = 11e5 * 0.003 * math.log(11 / 1.01)
    assert f"= {joules / 1e3:.1f} kJ" in PARTS
    assert joules / (80 * 9.81) == pytest.approx(10, abs=0.5)  # metres of fall of 80 kg


def test_the_ladder_of_pressures() -> None:
    in_the_sun = (8 + 1.01) * 313.15 / 263.15 - 1.01
    assert f"| {in_the_sun:.1f} | (8 + 1.01) × 313.15/263.15 − 1.01" in PARTS
    table = (
        (NOTES / "parts.md")
        .read_text()
        .partition("**The ladder of pressures.**")[2]
        .partition("## Sensors")[0]
    )
    steps = [float(step) for step in re.findall(r"^\| [^|]+ \| (?:≥ )?([\d.]+) \|", table, re.MULTILINE)]
    assert len(steps) == 7
    assert steps == sorted(steps)
    assert steps[-1] == 4 * steps[2]  # burst over relief


def test_the_battery() -> None:
    energy = 0.25 * 70
    for share in (1.0, 0.85, 0.5, 0.8):
        energy /= share
        assert f"{energy:.1f} Wh" in PARTS
    assert f"{energy / 12:.1f} Ah at 12 V" in PARTS
    assert f"= {0.25 * 70} Wh" in WIRING


def test_the_filter() -> None:
    cells = {}
    for ohm in (1e3, 10e3):
        corner_Hz = 1 / (2 * math.pi * ohm * 10e-6)
        hum = 1 / math.hypot(1, 50 / corner_Hz)
        cells[ohm] = (
            f"{corner_Hz:.3g} Hz",
            f"{100 * hum:.2g} %",
            f"{ohm * 10e-6 * math.log(65536):.2g} s",
            f"{100 * ohm / 10e6:g} %",
        )
    for first, second in zip(*cells.values(), strict=True):
        assert f"| {first} | {second} |" in WIRING


@pytest.mark.parametrize("name", ["gas-side.svg", "wiring.svg"])
def test_the_drawings_are_drawings_and_are_shown(name: str) -> None:
    root = ET.fromstring((NOTES / name).read_text())  # noqa: S314  our own file
    assert root.tag.endswith("svg")
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    texts = [node for node in root.iter() if node.tag.endswith("}text")]
    assert len(texts) > 10
    assert all(0 <= float(t.attrib["x"]) <= width and 0 <= float(t.attrib["y"]) <= height for t in texts)
    assert f"]({name})" in PARTS + WIRING
