"""Our own half of the protocol, and the virtual rig's, held against the file that we give to others."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from logger import protocol
from logger.framing import LineSplitter
from logger.virtual.wire import FIRMWARE, RigWire

VECTORS = json.loads((Path(__file__).parents[2] / "firmware_notes" / "vectors.json").read_text())
KINDS = {
    protocol.Identity: "identity",
    protocol.Sample: "sample",
    protocol.RigEvent: "event",
    protocol.Identify: "identify",
    protocol.Resend: "resend",
    protocol.SetPeriod: "period",
    protocol.Acknowledge: "acknowledge",
}
DECODE = {"rig": protocol.decode_rig, "host": protocol.decode_host}


def named(kind: str, by: str) -> list[Any]:
    return [pytest.param(vector, id=f"{n} {vector[by]}"[:60]) for n, vector in enumerate(VECTORS[kind])]


def meaning(record: protocol.RigRecord | protocol.HostCommand) -> dict[str, Any]:
    if isinstance(record, protocol.Sample):  # its values are read only when they are asked for
        fields = {
            "boot": record.boot,
            "seq": record.seq,
            "uptime_ms": record.uptime_ms,
            "values": record.values,
        }
    else:
        fields = asdict(record)
    return json.loads(json.dumps({"kind": KINDS[type(record)], **fields}))


@pytest.mark.parametrize("vector", named("crc", "hex"))
def test_check(vector: dict[str, Any]) -> None:
    assert f"{protocol.crc16(bytes.fromhex(vector['hex'])):04X}" == vector["crc"]


@pytest.mark.parametrize("speaker", ["rig", "host"])
def test_good_lines_mean_what_the_file_says(speaker: str) -> None:
    assert len(VECTORS[speaker]) >= 7
    for vector in VECTORS[speaker]:
        record = DECODE[speaker](vector["line"].encode())
        assert meaning(record) == vector["means"]
        content, _, digits = vector["line"].rpartition("*")
        assert protocol.encode(record) == f"{content}*{digits.upper()}\n".encode()


@pytest.mark.parametrize("vector", named("refused", "note"))
def test_bad_lines_are_refused_for_the_reason_in_the_file(vector: dict[str, Any]) -> None:
    line = bytes.fromhex(vector["hex"]) if "hex" in vector else vector["line"].encode()
    with pytest.raises(protocol.LineFault) as refused:
        DECODE[vector["from"]](line)
    assert refused.value.reason == vector["reason"]


def test_every_reason_for_refusal_has_a_vector() -> None:
    assert {vector["reason"] for vector in VECTORS["refused"]} == set(protocol.Reason)


@pytest.mark.parametrize("vector", named("framing", "note"))
def test_streams_are_cut_as_the_file_says(vector: dict[str, Any]) -> None:
    splitter = LineSplitter()
    lines: list[bytes] = []
    for piece in vector["pieces"]:
        text = piece if isinstance(piece, str) else piece["repeat"] * piece["times"]
        lines += splitter.feed(text.encode())
    assert [line.decode() for line in lines] == vector["lines"]
    assert splitter.overlong == vector["overlong"]


@pytest.mark.parametrize("vector", named("conversations", "name"))
def test_the_virtual_rig_answers_as_the_file_says(vector: dict[str, Any]) -> None:
    options = vector["rig"]
    assert options["firmware"] == FIRMWARE
    uptime_ms = options["uptime_ms"]
    rig = RigWire(
        options["rig"],
        options["channels"],
        options["period_ms"],
        options["boot"],
        depth=options["depth"],
        uptime_ms=uptime_ms,
    )
    for step in vector["steps"]:
        if "sample" in step:
            values = tuple(step["sample"])
            rig.take(values, step["uptime_ms"] - uptime_ms)
            uptime_ms = step["uptime_ms"]
        elif "host" in step:
            rig.hear(step["host"].encode())
        elif "rig" in step:
            said = [rig.next_line() for _ in step["rig"]]
            assert said == [line.encode() + b"\n" for line in step["rig"]]
        else:
            assert step == {"quiet": True}
            assert rig.next_line() is None
