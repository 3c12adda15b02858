"""The line protocol between the rig and the host, version 1: lines to frozen records and back.

A line is ASCII, its fields separated by commas, then ``*`` and four hex digits of CRC-16/IBM-3740 over the
bytes before the ``*``. Nothing here knows a port, a clock or a task: `decode_rig` reads what a rig says,
`decode_host` what a host says, `encode` writes either. Whatever bytes arrive, the answer is a record or a
`LineFault` that says why not.

Numbers are decimal without leading zeros, sign only where it can be negative, so a record and its line
determine each other: ``encode(decode_rig(line))`` is the line again (but for CRC digits in lower case).
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

VERSION: Final = 1
MAX_LINE: Final = 250
"""Longest line in bytes, CRC included and line end not."""

MAX_UINT32: Final = 2**32 - 1
MAX_SEQ: Final = 2**53 - 1
"""Sequence numbers stay exact in a float64 and in JSON; at 1 kHz that is 285,000 years."""
MIN_PERIOD_MS: Final = 1
MAX_PERIOD_MS: Final = 3_600_000

OVER: Final = "+"
UNDER: Final = "-"

Value = int | str | None
"""A raw count, OVER, UNDER, or None for a channel that was not read."""


class Reason(StrEnum):
    """Why a line was refused."""

    FRAME = "frame"  # no '*' and four hex digits at the end
    CRC = "crc"
    LENGTH = "length"
    ASCII = "ascii"  # a byte that is not printable ASCII
    KIND = "kind"  # first field unknown
    FIELDS = "fields"  # too many or too few
    NUMBER = "number"  # not a number, or out of its range
    TEXT = "text"  # a text or name that can't be
    VERSION = "version"  # an identity in another protocol version


class LineFault(ValueError):  # noqa: N818 - a fault of the line, counted as such; no error of the program
    """A line that is no record; `reason` is what the fault counters are kept by."""

    def __init__(self, reason: Reason, detail: str = "") -> None:
        """Say `reason`, and `detail` for a person."""
        super().__init__(f"{reason.value}: {detail}" if detail else reason.value)
        self.reason: Final = reason


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the rig is, and which samples it still holds (none: ``first_seq == last_seq + 1``)."""

    version: int
    rig: str
    firmware: str
    period_ms: int
    boot: int
    first_seq: int
    last_seq: int
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample: a value per channel, in the order of the identity's channels."""

    boot: int
    seq: int
    uptime_ms: int
    values: tuple[Value, ...]
    _body: str | None = field(default=None, compare=False, repr=False)

    # Most samples go from the line into the journal without anyone looking at a single value. So a decoded one
    # keeps the (checked) text and leaves the slot of `values` empty until it is asked for.

    def __getattr__(self, name: str) -> tuple[Value, ...]:
        """Called for an empty slot: read the values from the text and keep them."""
        if name != "values" or self._body is None:
            raise AttributeError(name)
        values = parse_value_fields(self._body)
        _set_values(self, values)
        return values

    @property
    def body(self) -> str:
        """The value fields as they stand in the line: ``1234,,+,987``."""
        return value_fields(self.values) if self._body is None else self._body

    @property
    def width(self) -> int:
        """How many values."""
        return len(self.values) if self._body is None else self._body.count(",") + 1


@dataclass(frozen=True, slots=True)
class RigEvent:
    """Something happened at the rig: a brownout, a converter fault, a watchdog reset."""

    boot: int
    uptime_ms: int
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Identify:
    """Host asks: who are you, what do you hold."""


@dataclass(frozen=True, slots=True)
class Resend:
    """Host asks: send everything again from `seq` on."""

    boot: int
    seq: int


@dataclass(frozen=True, slots=True)
class SetPeriod:
    """Host asks: sample every `period_ms`."""

    period_ms: int


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Host says: samples up to and with `seq` are safe on disk, forget them."""

    boot: int
    seq: int


RigRecord = Identity | Sample | RigEvent
HostCommand = Identify | Resend | SetPeriod | Acknowledge

# ---------------------------------------------------------------- lines to records

# Possessive, for there is nothing to be found by trying again: that saves a third of the time.
_NATURAL = rb"(?>[1-9][0-9]{0,15}+|0)"
_COUNT = rb"(?>[1-9][0-9]{0,9}+|-[1-9][0-9]{0,9}+|0|[+-]?)"
# One C-level pass checks the whole sample, so that int() below can't meet what it would wrongly accept
# ("1_000", " 12", "+5").
_SAMPLE = re.compile(
    rb"D,("
    + _NATURAL
    + rb"),("
    + _NATURAL
    + rb"),("
    + _NATURAL
    + rb"),("
    + _COUNT
    + rb"(?:,"
    + _COUNT
    + rb")*)"
)
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]{0,15})")
_PRINTABLE = re.compile(rb"[ -~]*")
_CRC_DIGITS = re.compile(rb"[0-9A-Fa-f]{4}")


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, initial value 0xFFFF, not reflected, no final xor.

    `binascii.crc_hqx` runs the same polynomial in C with the initial value free.
    Source: the CRC catalogue's entry of that name; held against it in tests/external.
    """
    return crc_hqx(data, 0xFFFF)


def decode_rig(line: bytes) -> RigRecord:
    """Read one line from a rig (with or without its line end); raise `LineFault` if it is no record."""
    content = _checked(line)
    match = _SAMPLE.fullmatch(content)
    if match is not None:
        return _sample(match)
    fields = _fields(content)
    match fields[0]:
        case "I":
            return _identity(fields)
        case "E":
            return _event(fields)
        case "D":
            raise _sample_fault(fields)
        case other:
            raise LineFault(Reason.KIND, f"a rig doesn't say {other[:16]!r}")


def decode_host(line: bytes) -> HostCommand:
    """Read one line from a host (with or without its line end); raise `LineFault` if it is no command."""
    fields = _fields(_checked(line))
    match fields:
        case ["?"]:
            return Identify()
        case ["R", boot, seq]:
            return Resend(_number(boot, 0, MAX_UINT32), _number(seq, 0, MAX_SEQ))
        case ["P", period]:
            return SetPeriod(_number(period, MIN_PERIOD_MS, MAX_PERIOD_MS))
        case ["A", boot, seq]:
            return Acknowledge(_number(boot, 0, MAX_UINT32), _number(seq, 0, MAX_SEQ))
        case ["?" | "R" | "P" | "A", *_]:
            raise LineFault(Reason.FIELDS, f"{fields[0]} with {len(fields)} fields")
        case _:
            raise LineFault(Reason.KIND, f"a host doesn't say {fields[0][:16]!r}")


def _checked(line: bytes) -> bytes:
    """The bytes that the CRC protects, once it is right."""
    line = line.rstrip(b"\r\n")
    if len(line) > MAX_LINE:
        raise LineFault(Reason.LENGTH, f"{len(line)} bytes, at most {MAX_LINE} allowed")
    content, star, digits = line[:-5], line[-5:-4], line[-4:]
    if star != b"*" or _CRC_DIGITS.fullmatch(digits) is None:
        raise LineFault(Reason.FRAME, "no '*' and four hex digits at the end")
    if crc_hqx(content, 0xFFFF) != int(digits, 16):
        raise LineFault(Reason.CRC, f"computed {crc16(content):04X}, the line says {digits.decode()}")
    return content


def _fields(content: bytes) -> list[str]:
    if _PRINTABLE.fullmatch(content) is None:
        raise LineFault(Reason.ASCII, "a byte that is not printable ASCII")
    if b"*" in content:
        raise LineFault(Reason.TEXT, "a '*' inside the line")
    return content.decode("ascii").split(",")


def _number(text: str, lowest: int, highest: int) -> int:
    if _NUMBER.fullmatch(text) is None or text == "-0":
        raise LineFault(Reason.NUMBER, f"{text[:24]!r} is not a decimal number")
    number = int(text)
    if not lowest <= number <= highest:
        raise LineFault(Reason.NUMBER, f"{number} is outside {lowest} to {highest}")
    return number


def _sample(match: re.Match[bytes]) -> Sample:
    boot, seq, uptime_ms = int(match[1]), int(match[2]), int(match[3])
    if boot > MAX_UINT32 or uptime_ms > MAX_UINT32 or seq > MAX_SEQ:
        raise LineFault(Reason.NUMBER, "boot, seq or uptime out of range")
    sample = object.__new__(Sample)
    _set_boot(sample, boot)
    _set_seq(sample, seq)
    _set_uptime_ms(sample, uptime_ms)
    _set_body(sample, match[4].decode("ascii"))
    return sample


# A frozen dataclass fills its fields by name, through `object.__setattr__`; its slots can be filled directly.
_set_boot, _set_seq, _set_uptime_ms, _set_values, _set_body = (
    vars(Sample)[name].__set__ for name in ("boot", "seq", "uptime_ms", "values", "_body")
)


def parse_value_fields(body: str) -> tuple[Value, ...]:
    """Read the value fields of a sample that has passed `decode_rig`: the inverse of `value_fields`."""
    texts = body.split(",")
    try:
        return tuple(map(int, texts))
    except ValueError:
        return tuple(_value(text) for text in texts)


def _value(text: str) -> Value:
    if not text:
        return None
    return text if text in {OVER, UNDER} else int(text)


def _sample_fault(fields: list[str]) -> LineFault:
    """Say what kept a D line from being a sample."""
    if len(fields) < 5:
        return LineFault(Reason.FIELDS, f"D with {len(fields)} fields")
    return LineFault(Reason.NUMBER, "a field of the sample is not a decimal number")


def _identity(fields: list[str]) -> Identity:
    # The version is looked at before the fields are counted: another version may well have more of them.
    if len(fields) > 1 and fields[1] != str(VERSION):
        raise LineFault(Reason.VERSION, f"the rig speaks version {fields[1][:16]!r}, this program {VERSION}")
    if len(fields) != 9:
        raise LineFault(Reason.FIELDS, f"I with {len(fields)} fields")
    _, _, rig, firmware, period, boot, first, last, names = fields
    channels = tuple(names.split("|"))
    if not all(channels) or len(set(channels)) != len(channels):
        raise LineFault(Reason.TEXT, "a channel name is empty or used twice")
    if not rig:
        raise LineFault(Reason.TEXT, "the rig has no name")
    first_seq, last_seq = _number(first, 0, MAX_SEQ), _number(last, -1, MAX_SEQ)
    if first_seq > last_seq + 1:
        raise LineFault(Reason.NUMBER, f"holds samples from {first_seq} to {last_seq}")
    return Identity(
        version=VERSION,
        rig=rig,
        firmware=firmware,
        period_ms=_number(period, MIN_PERIOD_MS, MAX_PERIOD_MS),
        boot=_number(boot, 0, MAX_UINT32),
        first_seq=first_seq,
        last_seq=last_seq,
        channels=channels,
    )


def _event(fields: list[str]) -> RigEvent:
    if len(fields) != 5:
        raise LineFault(Reason.FIELDS, f"E with {len(fields)} fields")
    _, boot, uptime_ms, code, text = fields
    if not code:
        raise LineFault(Reason.TEXT, "an event without a code")
    return RigEvent(_number(boot, 0, MAX_UINT32), _number(uptime_ms, 0, MAX_UINT32), code, text)


# ---------------------------------------------------------------- records to lines

_UNSAFE = re.compile(r"[^ -~]")
_STAND_INS = str.maketrans({",": ";", "*": "#", "\n": " ", "\r": " ", "\t": " "})


def clean_text(text: str) -> str:
    """Text as a field can carry it: ``;`` for commas, ``#`` for stars, spaces for line ends, ASCII only."""
    return _UNSAFE.sub("?", text.translate(_STAND_INS))


def value_fields(values: tuple[Value, ...]) -> str:
    """Write the value fields of a sample: ``(1234, None, "+", 987)`` becomes ``1234,,+,987``."""
    return ",".join(["" if value is None else str(value) for value in values])


def encode(record: RigRecord | HostCommand) -> bytes:
    """Write a record as a line with its CRC and LF; `LineFault` if it would be longer than a line may be."""
    content = _content(record)
    if len(content) + 5 > MAX_LINE:
        raise LineFault(
            Reason.LENGTH, f"{type(record).__name__} of {len(content) + 5} bytes, at most {MAX_LINE}"
        )
    data = content.encode("ascii")
    return b"%b*%04X\n" % (data, crc16(data))


def line_length(record: RigRecord | HostCommand) -> int:
    """Bytes that a record's line takes, CRC included and LF not; it may be more than a line can have.

    >>> line_length(Identify())
    6
    """
    return len(_content(record)) + 5


def _content(record: RigRecord | HostCommand) -> str:
    match record:
        case Sample():
            return f"D,{record.boot},{record.seq},{record.uptime_ms},{record.body}"
        case Identity():
            return _identity_content(record)
        case RigEvent(boot, uptime_ms, code, text):
            # A long story is cut, not refused: that something happened matters more than its last words.
            return f"E,{boot},{uptime_ms},{clean_text(code)},{clean_text(text)}"[: MAX_LINE - 5]
        case _:
            return _command_content(record)


def _command_content(command: HostCommand) -> str:
    match command:
        case Identify():
            return "?"
        case Resend(boot, seq):
            return f"R,{boot},{seq}"
        case SetPeriod(period_ms):
            return f"P,{period_ms}"
        case Acknowledge(boot, seq):
            return f"A,{boot},{seq}"


def _identity_content(identity: Identity) -> str:
    names = "|".join(clean_text(name).replace("|", "/") for name in identity.channels)
    return (
        f"I,{identity.version},{clean_text(identity.rig)},{clean_text(identity.firmware)},{identity.period_ms},"
        f"{identity.boot},{identity.first_seq},{identity.last_seq},{names}"
    )
