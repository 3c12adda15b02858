"""The CRC against the catalogue's check value, published codewords, and an independent library."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from logger.protocol import Acknowledge, Sample, crc16, encode


def test_check_value_of_the_catalogue() -> None:
    # CRC catalogue, entry CRC-16/IBM-3740: check("123456789") = 0x29B1
    assert crc16(b"123456789") == 0x29B1
    # of an empty message nothing but the initial value is left
    assert crc16(b"") == 0xFFFF


# Codewords (data, CRC high byte first) that the CRC catalogue lists for CRC-16/IBM-3740
# (from the AUTOSAR CRC specification's table for the same polynomial and initial value).
@pytest.mark.parametrize(
    "codeword",
    [
        "00000000 84C0",
        "F20183 D374",
        "0FAA0055 2023",
        "00FF5511 B8F9",
        "332255AABBCCDDEEFF F53F",
        "926B55 0745",
        "FFFFFFFF 1D0F",
        "FE00000001 F1D3",
    ],
)
def test_published_codewords(codeword: str) -> None:
    data, crc = codeword.split()
    assert crc16(bytes.fromhex(data)) == int(crc, 16)
    # appended high byte first, an unreflected CRC without final xor leaves nothing over
    assert crc16(bytes.fromhex(data + crc)) == 0


@given(st.binary(max_size=300))
def test_same_as_crccheck(data: bytes) -> None:
    assert crc16(data) == Crc16Ibm3740.calc(data)


def test_the_digits_in_a_line_are_those_of_crccheck() -> None:
    for record in (Sample(7, 12, 12_000, (1234, None, "+")), Acknowledge(4_294_967_295, 0)):
        content, digits = encode(record).rstrip(b"\n").split(b"*")
        assert int(digits, 16) == Crc16Ibm3740.calc(content)


def test_the_checks_in_the_test_vectors_are_those_of_crccheck() -> None:
    vectors = json.loads((Path(__file__).parents[2] / "firmware_notes" / "vectors.json").read_text())
    lines = [vector["line"] for kind in ("rig", "host") for vector in vectors[kind]]
    for talk in vectors["conversations"]:
        lines += [line for step in talk["steps"] for line in step.get("rig", [])]
    lines += [line for story in vectors["times"] for line in story["lines"]]
    assert len(lines) > 130
    for line in lines:
        content, _, digits = line.rpartition("*")
        assert int(digits, 16) == Crc16Ibm3740.calc(content.encode()), line
