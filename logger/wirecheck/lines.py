"""What the lines themselves show, whatever was asked."""

from __future__ import annotations

from binascii import crc_hqx
from typing import TYPE_CHECKING, Final

from logger.protocol import Identity, Reason, RigEvent, Sample
from logger.wirecheck.points import Point, fault, not_tried, obeys

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from logger.wirecheck.session import Entry

RAILS: Final = {bits: (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) for bits in (16, 18, 24, 32)}
"""Ends of the range of signed converters: a count that stands exactly there should have been a mark."""


def judge_check(entries: Sequence[Entry]) -> Point:
    """Every line heard has the right CRC; a wrong one is looked at for the usual mistakes."""
    heard = [entry for entry in entries if not entry.sent]
    wrong = [e for e in heard if e.fault is not None and e.fault.reason in {Reason.CRC, Reason.FRAME}]
    if not heard:
        return not_tried("check", "no line was heard")
    if not wrong:
        return obeys("check", f"{len(heard)} lines")
    share = f"{len(wrong)} of {len(heard)} lines have a wrong check or none"
    mistakes = [mistake for entry in wrong if (mistake := crc_mistake(entry.line))]
    usual = max(set(mistakes), key=mistakes.count) if mistakes else ""
    if usual and mistakes.count(usual) * 2 > len(wrong):
        share += f"; they would be right {usual}"
    elif len(wrong) * 20 < len(heard):
        share += "; so few may be a bad cable, ground or baud rate"
    return fault("check", share, [entry.line for entry in wrong])


def crc_mistake(line: bytes) -> str:
    """Which usual mistake makes the check of this line, if one does.

    >>> crc_mistake(b"123456789*31C3")
    'with the initial value 0 (it has to be FFFF)'
    """
    content, star, digits = line[:-5], line[-5:-4], line[-4:]
    try:
        said = int(digits, 16)
    except ValueError:
        return ""
    if star != b"*":
        return ""
    right = crc_hqx(content, 0xFFFF)
    mistakes: dict[str, Callable[[], int]] = {
        "with the initial value 0 (it has to be FFFF)": lambda: crc_hqx(content, 0),
        "with its two bytes exchanged": lambda: right >> 8 | (right & 0xFF) << 8,
        "with all bits inverted at the end (they must not be)": lambda: right ^ 0xFFFF,
        "over the '*' too (it ends before it)": lambda: crc_hqx(content + b"*", 0xFFFF),
        "as the reflected sort of CRC (Modbus)": lambda: _modbus(content),
        "as the reflected sort of CRC (X-25)": lambda: _reflected(content, 0x8408) ^ 0xFFFF,
    }
    return next((name for name, made in mistakes.items() if made() == said), "")


def _reflected(data: bytes, polynomial: int) -> int:
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (polynomial if value & 1 else 0)
    return value


def _modbus(data: bytes) -> int:
    return _reflected(data, 0xA001)


def judge_form(entries: Sequence[Entry]) -> Point:
    """Lines with a right check are records of this protocol, and their check is in upper case."""
    heard = [entry for entry in entries if not entry.sent]
    wrong = [e for e in heard if e.fault is not None and e.fault.reason not in {Reason.CRC, Reason.FRAME}]
    if not heard:
        return not_tried("form", "no line was heard")
    if wrong:
        reasons = [str(entry.fault) for entry in wrong]
        return fault(
            "form", f"{len(wrong)} of {len(heard)} lines, the first: {reasons[0]}", [e.line for e in wrong]
        )
    lower = [e.line for e in heard if e.record is not None and e.line[-4:] != e.line[-4:].upper()]
    if lower:
        return fault("form", f"{len(lower)} checks are in lower case; they are sent in upper case", lower)
    return obeys("form", f"{len(heard)} lines")


def judge_values(entries: Sequence[Entry]) -> Point:
    """Each sample has a value per channel name."""
    width, seen, wrong = None, 0, []
    for entry in entries:
        if isinstance(entry.record, Identity):
            width = len(entry.record.channels)
        elif isinstance(entry.record, Sample) and width is not None:
            seen += 1
            if entry.record.width != width:
                wrong.append(entry)
    if not seen or width is None:
        return not_tried("values", "no samples after an identity")
    if wrong:
        first = wrong[0].record
        found = first.width if isinstance(first, Sample) else 0
        return fault(
            "values",
            f"{len(wrong)} of {seen} samples have {found} values for {width} channel names",
            [entry.line for entry in wrong],
        )
    return obeys("values", f"{seen} samples of {width} values")


def judge_boot(entries: Sequence[Entry]) -> Point:
    """Samples and events carry the boot number of the identity before them.

    Behind a line that came damaged nothing is held against it: that may have been the identity of another boot.
    """
    boot, seen, damaged, wrong = None, 0, False, []
    for entry in entries:
        if isinstance(entry.record, Identity):
            boot, damaged = entry.record.boot, False
        elif isinstance(entry.record, Sample | RigEvent) and boot is not None:
            seen += 1
            if entry.record.boot != boot and not damaged:
                wrong.append(entry.line)
        damaged = damaged or entry.fault is not None
    if not seen:
        return not_tried("boot", "no samples after an identity")
    if wrong:
        return fault(
            "boot", f"{len(wrong)} of {seen} lines carry another boot than the identity's {boot}", wrong
        )
    return obeys("boot", f"{seen} lines of boot {boot}")


def judge_range(entries: Sequence[Entry]) -> Point:
    """An identity's range ends with the newest sample: not before one that had been sent already."""
    newest, boot, told, short = -1, None, 0, []
    for entry in entries:
        record = entry.record
        if isinstance(record, Identity):
            if record.boot != boot:
                boot, newest = record.boot, -1
            told += newest >= 0
            if record.last_seq < newest:
                short.append((record.last_seq, newest, entry.line))
        elif isinstance(record, Sample) and record.boot == boot:
            newest = max(newest, record.seq)
    if not told:
        return not_tried("range", "no identity after samples")
    if short:
        last, sent, _ = short[0]
        what = f"{len(short)} of {told} times: it says {last} is the newest, and had sent {sent}"
        return fault("range", what, [line for _, _, line in short])
    return obeys("range", f"{told} identities after samples")


def judge_marks(entries: Sequence[Entry]) -> Point:
    """No count stands at the end of a converter's range, where a mark belongs."""
    rails = {end for ends in RAILS.values() for end in ends}
    samples = [(entry.line, entry.record) for entry in entries if isinstance(entry.record, Sample)]
    railed = [(line, value) for line, sample in samples for value in sample.values if value in rails]
    marks = sum(value in {"+", "-"} for _, sample in samples for value in sample.values)
    if railed:
        value = int(str(railed[0][1]))
        bits = next(bits for bits, ends in RAILS.items() if value in ends)
        mark = "+" if value > 0 else "-"
        return fault(
            "marks",
            f"the count {value} is the end of a {bits} bit converter: '{mark}' belongs there",
            [line for line, _ in railed],
        )
    if marks:
        return obeys("marks", f"{marks} marks, and no count at the end of a converter's range")
    return not_tried("marks", "no input was beyond its range; --marks waits while you drive one there")
