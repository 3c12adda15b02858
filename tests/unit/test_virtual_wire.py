"""The rig's half of the protocol: ring buffer, resend, acknowledge, boots, uptime that wraps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.protocol import (
    Acknowledge,
    HostCommand,
    Identify,
    Identity,
    Resend,
    RigEvent,
    RigRecord,
    Sample,
    SetPeriod,
    decode_rig,
    encode,
)
from logger.virtual.buffer import RingBuffer
from logger.virtual.wire import FIRMWARE, RigWire, fitting_channels

CORNERS = ("front_left", "front_right", "rear_left", "rear_right")


def rig(**changes: int) -> RigWire:
    return RigWire("bay-2", ("a.pressure", "ambient.temperature"), 1000, boot=7, **changes)


def said(wire: RigWire) -> list[RigRecord]:
    records = []
    while (line := wire.next_line()) is not None:
        records.append(decode_rig(line))
    return records


def seqs(wire: RigWire) -> list[int]:
    return [record.seq for record in said(wire) if isinstance(record, Sample)]


def tell(wire: RigWire, command: HostCommand) -> None:
    wire.hear(encode(command).rstrip(b"\n"))


def take(wire: RigWire, count: int) -> None:
    for _ in range(count):
        wire.take((1, 2), 1000)


def test_boot_says_who_and_that_nothing_is_held() -> None:
    (identity,) = said(rig())
    assert identity == Identity(1, "bay-2", FIRMWARE, 1000, 7, 0, -1, ("a.pressure", "ambient.temperature"))


def test_samples_go_out_once_in_order() -> None:
    wire = rig()
    take(wire, 3)
    assert seqs(wire) == [0, 1, 2]
    assert seqs(wire) == []
    take(wire, 1)
    assert seqs(wire) == [3]


def test_resend_begins_where_asked_and_goes_on_with_the_new() -> None:
    wire = rig()
    take(wire, 5)
    said(wire)
    tell(wire, Resend(7, 2))
    take(wire, 1)
    assert seqs(wire) == [2, 3, 4, 5]


def test_resend_of_what_is_gone_begins_with_the_oldest_and_of_what_will_be_does_nothing() -> None:
    wire = rig(depth=3)
    take(wire, 5)
    said(wire)
    tell(wire, Resend(7, 0))
    assert seqs(wire) == [2, 3, 4]
    tell(wire, Resend(7, 99))
    assert said(wire) == []


def test_resend_of_another_boot_is_answered_with_the_identity() -> None:
    wire = rig()
    take(wire, 2)
    said(wire)
    tell(wire, Resend(6, 0))
    (identity,) = said(wire)
    assert isinstance(identity, Identity)
    assert (identity.boot, identity.first_seq, identity.last_seq) == (7, 0, 1)


def test_acknowledged_samples_are_forgotten_others_not() -> None:
    wire = rig()
    take(wire, 4)
    tell(wire, Acknowledge(6, 3))  # another boot
    tell(wire, Acknowledge(7, 9))  # not yet taken
    assert len(wire.buffer) == 4
    tell(wire, Acknowledge(7, 1))
    assert (wire.buffer.first_seq, wire.buffer.last_seq) == (2, 3)
    said(wire)
    tell(wire, Resend(7, 0))
    assert seqs(wire) == [2, 3]


def test_a_full_ring_drops_the_oldest_and_says_so_once() -> None:
    wire = rig(depth=3)
    take(wire, 7)
    records = said(wire)
    assert [record.seq for record in records if isinstance(record, Sample)] == [4, 5, 6]
    assert [record.code for record in records if isinstance(record, RigEvent)] == ["overwritten"]
    assert wire.buffer.overwritten == 4
    tell(wire, Acknowledge(7, 6))
    take(wire, 4)
    assert [record.code for record in said(wire) if isinstance(record, RigEvent)] == ["overwritten"]


def test_period_is_set_and_told() -> None:
    wire = rig()
    said(wire)
    tell(wire, SetPeriod(250))
    (identity,) = said(wire)
    assert isinstance(identity, Identity)
    assert identity.period_ms == wire.period_ms == 250


def test_uptime_wraps_after_32_bits() -> None:
    wire = rig(uptime_ms=2**32 - 1500)
    take(wire, 3)
    ups = [record.uptime_ms for record in said(wire) if isinstance(record, Sample)]
    assert ups == [2**32 - 500, 500, 1500]


def test_reboot_loses_the_buffer_and_counts_from_zero() -> None:
    wire = rig()
    take(wire, 3)
    wire.reboot(8, "watchdog", "stuck, it was")
    take(wire, 1)
    identity, event, sample = said(wire)
    assert isinstance(identity, Identity)
    assert (identity.boot, identity.first_seq, identity.last_seq) == (8, 0, -1)
    assert isinstance(event, RigEvent)
    assert (event.boot, event.code) == (8, "watchdog")
    assert isinstance(sample, Sample)
    assert (sample.boot, sample.seq) == (8, 0)


def test_junk_is_counted_and_changes_nothing() -> None:
    wire = rig()
    said(wire)
    for line in (b"?*0000", b"", b"R,7*ABCD", b"\xff\xfe", b"?"):
        wire.hear(line)
    assert wire.faulty_lines == 5
    assert wire.heard_commands == 0
    assert said(wire) == []


@given(
    st.lists(
        st.one_of(
            st.just("take"),
            st.just("read"),
            st.builds(Resend, st.just(7), st.integers(0, 30)),
            st.builds(Acknowledge, st.just(7), st.integers(0, 30)),
            st.builds(Identify),
        ),
        max_size=60,
    )
)
def test_whatever_the_host_does_the_ring_holds_the_newest_unacknowledged(steps: list[object]) -> None:
    wire, taken, safe = rig(depth=8), 0, -1
    for step in steps:
        if step == "take":
            take(wire, 1)
            taken += 1
        elif step == "read":
            wire.next_line()
        else:
            tell(wire, step)  # type: ignore[arg-type]
            if isinstance(step, Acknowledge) and step.seq < taken:
                safe = max(safe, step.seq)
    first = max(safe + 1, taken - 8)
    assert wire.buffer.last_seq == taken - 1
    assert len(wire.buffer) == taken - first
    if taken > first:
        tell(wire, Resend(7, 0))
        assert seqs(wire) == list(range(first, taken))


def test_a_buffer_refuses_gaps_and_no_room() -> None:
    ring = RingBuffer(2)
    with pytest.raises(ValueError, match="can't follow"):
        ring.push(Sample(1, 5, 0, (1,)))
    with pytest.raises(ValueError, match="room"):
        RingBuffer(0)
    assert ring.get(0) is None
    assert (ring.first_seq, ring.last_seq) == (0, -1)


def test_an_identity_that_would_outgrow_a_line_goes_without_the_supply() -> None:
    names = [f"{c}.{q}" for c in CORNERS for q in ("pressure", "height")]
    names += ["ambient.temperature", "ambient.pressure", "rig.supply_voltage"]
    assert fitting_channels("bay-2", names) == tuple(names[:-1])
    assert fitting_channels("bay-2", names[:4]) == tuple(names[:4])
    with pytest.raises(ValueError, match="shorten"):
        fitting_channels("bay-2", names + [f"{c}.gas_temperature" for c in CORNERS])
