"""Who the rig says it is, and whether that will always fit in a line."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from logger.channel_settings import quantity_of
from logger.protocol import MAX_LINE, MAX_PERIOD_MS, MAX_UINT32, Identity, Reason, line_length
from logger.wirecheck.points import Point, fault, note, obeys

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.wirecheck.session import Entry

_LARGEST_SEQ: Final = 99_999_999
"""Eight digits: three years at a sample a second."""


def largest(identity: Identity) -> Identity:
    """The identity with the largest numbers that it will come to carry."""
    return replace(
        identity,
        period_ms=MAX_PERIOD_MS,
        boot=MAX_UINT32,
        first_seq=_LARGEST_SEQ,
        last_seq=_LARGEST_SEQ,
    )


def judge_room(identity: Identity) -> Point:
    """The identity fits in a line today and with the largest numbers."""
    now, then = line_length(identity), line_length(largest(identity))
    names = sum(map(len, identity.channels)) + len(identity.channels) - 1
    if then <= MAX_LINE:
        return obeys("room", f"{now} bytes now, {then} with the largest numbers, {MAX_LINE} are allowed")
    sections = {name.rpartition(".")[0] for name in identity.channels} - {"ambient", "rig"}
    longest = max(sections, key=len, default="")
    advice = f"; shorter section names help (fl for {longest})" if len(longest) > 2 else ""
    return fault(
        "room",
        f"{now} bytes now, but {then} once the numbers have grown, and {MAX_LINE} are allowed: from then on no host "
        f"can read it. The {len(identity.channels)} names take {names}; save {then - MAX_LINE}{advice}",
    )


def judge_names(identity: Identity) -> Point:
    """Names that the host knows what to do with."""
    unknown = [name for name in identity.channels if quantity_of(name) is None]
    if unknown:
        return note(
            "names", f"no standard names, so the host stores but never uses them: {', '.join(unknown)}"
        )
    pressures = [
        name for name in identity.channels if name.endswith(".pressure") and name != "ambient.pressure"
    ]
    if not pressures:
        return note("names", "there is no <section>.pressure among them, so nothing can be judged")
    return obeys("names", ", ".join(identity.channels))


def why_no_identity(entries: Sequence[Entry], bytes_heard: int) -> Point:
    """What stands in place of an identity."""
    heard = [entry for entry in entries if not entry.sent]
    told = [entry for entry in heard if entry.line.startswith(b"I,")]
    for entry in told:
        if entry.fault is not None:
            long = entry.fault.reason is Reason.LENGTH
            advice = ": shorter names are needed, or fewer channels" if long else ""
            return fault("identity", f"its identity is no good ({entry.fault}){advice}", [entry.line])
    if not bytes_heard:
        return fault("identity", "not a byte came: wiring (RX and TX crossed?), power, or the wrong port")
    if not heard:
        return fault("identity", f"{bytes_heard} bytes came, but no line end (LF, 0x0A)")
    if all(entry.fault is not None for entry in heard):
        return fault(
            "identity",
            f"{len(heard)} lines came, none of them with a right check: baud rate, or the sort of CRC?",
            [entry.line for entry in heard],
        )
    return fault("identity", f"{len(heard)} lines came, but no answer to '?'", [e.line for e in heard])
