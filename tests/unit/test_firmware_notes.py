"""The examples in the protocol's page are what the code reads and writes."""

import re
from pathlib import Path

import pytest

from logger import protocol
from logger.wirecheck.identity import largest

PAGE = Path(__file__).parents[2] / "firmware_notes" / "line-protocol.md"


def _block(kind: str) -> list[str]:
    blocks = re.findall(rf"^```{kind}\n(.*?)^```$", PAGE.read_text(), re.MULTILINE | re.DOTALL)
    return "".join(blocks).splitlines()


@pytest.mark.parametrize("example", _block("wire"))
def test_each_example_line_is_a_record_and_its_record_is_that_line(example: str) -> None:
    speaker, line = re.fullmatch(r"(rig|host) +(.*)", example).groups()
    decode = {"rig": protocol.decode_rig, "host": protocol.decode_host}[speaker]
    assert protocol.encode(decode(line.encode())) == line.encode() + b"\n"


@pytest.mark.parametrize("example", _block("refused"))
def test_each_refused_line_is_refused_for_the_reason_given(example: str) -> None:
    reason, line = re.fullmatch(r"(\w+) +(.*)", example).groups()
    with pytest.raises(protocol.LineFault) as refused:
        protocol.decode_rig(line.encode())
    assert refused.value.reason == reason


def test_there_are_examples_of_every_kind_of_line() -> None:
    kinds = {re.split(r"[,*]", example.split(None, 1)[1])[0] for example in _block("wire")}
    assert kinds == set("IDE?RPA")


def test_the_page_states_the_limits_that_the_code_keeps() -> None:
    text = PAGE.read_text()
    assert f"at most {protocol.MAX_LINE} bytes" in text
    assert f"`boot` | 0 … {protocol.MAX_UINT32} |" in text
    assert f"`seq` | 0 … {protocol.MAX_SEQ} |" in text
    assert f"`uptime_ms` | 0 … {protocol.MAX_UINT32} |" in text
    assert f"`period_ms` | {protocol.MIN_PERIOD_MS} … {protocol.MAX_PERIOD_MS} |" in text


def test_the_page_states_the_check_values() -> None:
    # CRC catalogue, CRC-16/IBM-3740: 0x29B1 over "123456789", 0xFFFF over nothing
    assert protocol.crc16(b"123456789") == 0x29B1
    assert protocol.crc16(b"") == 0xFFFF
    assert all(value in PAGE.read_text() for value in ("`29B1`", "`FFFF`"))


def test_the_page_counts_the_identity_right() -> None:
    text = PAGE.read_text()
    naming = (("front_left", "front_right", "rear_left", "rear_right"), ("fl", "fr", "rl", "rr"))
    common = ("ambient.temperature", "ambient.pressure", "rig.supply_voltage")
    rows = re.findall(
        r"^\| (pressure[^|]*) \| \**(\d+), (\S+) [^|]*\| \**(\d+), (\S+) ?[^|]*\|$",
        text.replace("fits |", "fits  |"),
        re.MULTILINE,
    )
    assert len(rows) == 4
    for quantities, *cells in rows:
        for sections, told, word in zip(naming, cells[::2], cells[1::2], strict=True):
            names = tuple(
                f"{section}.{quantity.replace(' ', '_')}"
                for section in sections
                for quantity in quantities.split(", ")
            )
            who = protocol.Identity(1, "bay-2", "1.0.0", 1000, 1, 0, -1, names + common)
            length = protocol.line_length(largest(who))
            assert int(told) == length
            assert word.startswith("fits") == (length <= protocol.MAX_LINE)
    bare = protocol.Identity(1, "bay-2", "1.0.0", 1000, 1, 0, -1, ("",))
    assert f"takes {protocol.line_length(largest(bare))} bytes" in text
