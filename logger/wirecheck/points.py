"""A point of the protocol, what was found of it, and the report of all."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from logger.protocol import Identity

MOST_EXAMPLES: Final = 3


class Verdict(StrEnum):
    """What was found of a point."""

    OBEYS = "obeys"
    FAULT = "fault"
    NOTE = "note"  # allowed, but worth a look
    NOT_TRIED = "not tried"


TITLES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "port": "opening the port doesn't restart it",
        "identity": "says who it is",
        "room": "its identity will always fit in a line",
        "names": "its channels have standard names",
        "check": "every line has the right check",
        "form": "fields, numbers and texts are as they should be",
        "values": "as many values as channel names",
        "boot": "samples and events carry the boot of the identity",
        "range": "its identity tells what it holds",
        "order": "samples in order, each sent once",
        "gaps": "no sample is missing",
        "timing": "samples on time, without drift",
        "unhindered": "sampling doesn't wait for the line",
        "clock": "uptime is in milliseconds",
        "marks": "an input beyond its range is marked",
        "period": "takes another period and says so",
        "resume": "sends again from where it is asked",
        "again": "what is sent again is what was sent first",
        "acknowledge": "forgets what is safe, and only that",
        "strangers": "another boot, or samples that don't exist yet, change nothing",
        "junk": "junk and damaged commands change nothing",
        "flood": "survives a flood",
        "depth": "the buffer is as deep as stated, and the oldest goes",
        "reboot": "a restart is a new boot, said at once",
    }
)
"""The points in the order of the report."""


@dataclass(frozen=True, slots=True)
class Point:
    """One point: its key in `TITLES`, the verdict, the evidence in a sentence, and lines that show it."""

    key: str
    verdict: Verdict
    evidence: str
    examples: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """What is asked of the rig."""
        return TITLES[self.key]

    def as_dict(self) -> dict[str, object]:
        """For JSON."""
        return {
            "point": self.key,
            "title": self.title,
            "verdict": self.verdict.value,
            "evidence": self.evidence,
            "lines": list(self.examples),
        }


def obeys(key: str, evidence: str) -> Point:
    """A point that was tried and held."""
    return Point(key, Verdict.OBEYS, evidence)


def fault(key: str, evidence: str, examples: Sequence[bytes] = ()) -> Point:
    """A point that didn't hold, with lines that show it."""
    return Point(key, Verdict.FAULT, evidence, tuple(map(shown, examples[:MOST_EXAMPLES])))


def note(key: str, evidence: str) -> Point:
    """Allowed, but worth a look."""
    return Point(key, Verdict.NOTE, evidence)


def not_tried(key: str, why: str) -> Point:
    """A point of which nothing is known."""
    return Point(key, Verdict.NOT_TRIED, why)


def shown(line: bytes) -> str:
    r"""A line for a person: what is not printable as an escape.

    >>> shown(b"caf\xe9")
    'caf\\xe9'
    """
    text = line.decode("ascii", "backslashreplace")
    return "".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in text)[:300]


class BrokenError(Exception):
    """An attempt met a fault; it ends there."""

    def __init__(self, evidence: str, examples: Sequence[bytes] = ()) -> None:
        """Say what was met, with lines that show it."""
        super().__init__(evidence)
        self.evidence, self.examples = evidence, tuple(examples)


def insist(holds: bool, evidence: str, examples: Sequence[bytes] = ()) -> None:
    """Go on if it holds, else end the attempt with this evidence."""
    if not holds:
        raise BrokenError(evidence, examples)


@dataclass
class Report:
    """All that was found."""

    port: str
    identity: Identity | None = None
    points: list[Point] = field(default_factory=list)

    def add(self, point: Point | None) -> None:
        """Keep a point; of two about the same key a fault wins, else the later one."""
        if point is None:
            return
        known = next((n for n, old in enumerate(self.points) if old.key == point.key), None)
        if known is None:
            self.points.append(point)
        elif self.points[known].verdict is not Verdict.FAULT:
            self.points[known] = point

    def finish(self) -> None:
        """Put the points in order; those that nothing was found of are not tried."""
        found = {point.key: point for point in self.points}
        self.points = [found.get(key) or not_tried(key, "it didn't come to that") for key in TITLES]

    def of(self, verdict: Verdict) -> list[Point]:
        """The points with this verdict."""
        return [point for point in self.points if point.verdict is verdict]

    def has(self, key: str) -> bool:
        """Whether something was found of this point."""
        return any(point.key == key for point in self.points)

    def has_fault(self, key: str) -> bool:
        """Whether the point of this key is at fault."""
        return any(point.key == key for point in self.of(Verdict.FAULT))

    @property
    def sentence(self) -> str:
        """The whole in a line."""
        faults, untried = self.of(Verdict.FAULT), self.of(Verdict.NOT_TRIED)
        rest = f"; not tried: {', '.join(point.key for point in untried)}" if untried else ""
        if faults:
            return f"does not obey protocol 1 ({', '.join(point.key for point in faults)}){rest}"
        if not self.of(Verdict.OBEYS):
            return "nothing could be tried"
        return f"obeys protocol 1 as far as it was tried{rest}" if untried else "obeys protocol 1"

    @property
    def obeys(self) -> bool:
        """Whether something was tried and no point was at fault."""
        return not self.of(Verdict.FAULT) and bool(self.of(Verdict.OBEYS))

    def as_dict(self) -> dict[str, object]:
        """For JSON."""
        identity = self.identity
        return {
            "cornerhold": "wire-check/1",
            "port": self.port,
            "rig": identity.rig if identity else None,
            "firmware": identity.firmware if identity else None,
            "obeys": self.obeys,
            "sentence": self.sentence,
            "points": [point.as_dict() for point in self.points],
        }
