"""Packs of readings against RFC 8428: its examples, its units, its names."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.channels import Quality, SiBlock
from logger.senml import UNITS, base_name, pack

# RFC 8428, read in its source repository; the file names the commit
RFC: dict[str, Any] = json.loads((Path(__file__).parent / "data" / "senml.json").read_text())
BASE = {"bn", "bt", "bu", "bv", "bs", "bver"}


def resolved(records: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A reader of packs after RFC 8428 section 4.6, for these tests; shares nothing with the writer."""
    base: dict[str, Any] = {}
    out = []
    for record in records:
        base |= {key: record[key] for key in BASE & set(record)}
        whole = {key: value for key, value in record.items() if key not in BASE}
        whole["n"] = base.get("bn", "") + record.get("n", "")
        if "bu" in base and "v" in record:
            whole.setdefault("u", base["bu"])
        if "bt" in base or "t" in record:
            whole["t"] = base.get("bt", 0) + record.get("t", 0)
        out.append(whole)
    return out


EXAMPLES = [example for example in RFC["examples"] if "resolved" in example]


@pytest.mark.parametrize("number", range(len(EXAMPLES)))
def test_the_reader_of_these_tests_reads_the_examples(number: int) -> None:
    found = resolved(EXAMPLES[number]["pack"])
    assert len(found) == len(EXAMPLES[number]["resolved"])
    for mine, theirs in zip(found, EXAMPLES[number]["resolved"], strict=True):
        # their times are relative to a now, where the base time is none
        assert {k: v for k, v in mine.items() if k != "t"} == {k: v for k, v in theirs.items() if k != "t"}
        assert mine.get("t", 0) == pytest.approx(theirs.get("t", 0), abs=1e-3)


def test_the_units_are_registered() -> None:
    assert set(UNITS.values()) | {"count"} <= set(RFC["units"])
    assert not set(UNITS.values()) & set(RFC["not_recommended"])


BEGIN_us = 1_800_036_000_250_000
NAMES = ("front_left.pressure", "front_left.height", "ambient.temperature", "rig.supply_voltage", "x.other")


def block() -> SiBlock:
    values = np.array([[812_400.0, 0.3125, 263.15, 5.01, 7.0], [np.nan, 0.31, 263.05, 5.0, 7.0]])
    quality = np.full(values.shape, int(Quality.GOOD), np.uint8)
    quality[1, 0] = Quality.OPEN
    times = np.array([BEGIN_us, BEGIN_us + 1_500_000])
    return SiBlock(times, times, NAMES, values, quality)


def test_a_pack_says_what_the_block_holds() -> None:
    found = resolved(json.loads(pack(base_name("cornerhold/bay 2"), block(), [41, 42])))
    told = {
        (r["n"].removeprefix("cornerhold/bay_2/"), r["t"]): (r.get("v", r.get("vs")), r.get("u"))
        for r in found
    }
    first, second = BEGIN_us / 1e6, BEGIN_us / 1e6 + 1.5
    assert told == {
        ("entry", first): (41, "count"),
        ("front_left.pressure", first): (812_400.0, "Pa"),
        ("front_left.height", first): (0.3125, "m"),
        ("ambient.temperature", first): (263.15, "K"),
        ("rig.supply_voltage", first): (5.01, "V"),
        ("x.other", first): (7.0, None),
        ("entry", second): (42, "count"),
        ("front_left.pressure.quality", second): ("open", None),
        ("front_left.height", second): (0.31, "m"),
        ("ambient.temperature", second): (263.05, "K"),
        ("rig.supply_voltage", second): (5.0, "V"),
        ("x.other", second): (7.0, None),
    }


def test_a_pack_keeps_the_rules_of_the_format() -> None:
    records = json.loads(pack(base_name("cornerhold/bay-2"), block(), [1, 2]))
    assert records[0]["bt"] >= 2**28, "from there on a time is absolute (section 4.5.3)"
    for record in records:
        assert set(record) <= set(RFC["labels"])
        assert len({"v", "vs", "vb", "vd"} & set(record)) == 1, "exactly one value (section 4.2)"
        # section 4.5.1: which letters a name may have, and what it begins with
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9:./_-]*", records[0]["bn"] + record["n"])
