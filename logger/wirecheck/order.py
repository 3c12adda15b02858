"""What the sequence of samples shows: each once, in order, none missing, the same when sent again."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.protocol import Acknowledge, Identity, Resend, Sample
from logger.wirecheck.points import Point, fault, not_tried, obeys
from logger.wirecheck.session import ANSWER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.wirecheck.session import Entry


@dataclass
class Found:
    """What was found of the order of samples."""

    seen: int = 0
    disorder: list[tuple[str, bytes]] = field(default_factory=list)
    gaps: list[tuple[str, bytes]] = field(default_factory=list)
    changed: list[bytes] = field(default_factory=list)
    sent_again: int = 0


class _Follower:
    """Follows the stream of samples: where one may come from, given what was asked and acknowledged."""

    def __init__(self) -> None:
        self.found = Found()
        self._boot: int | None = None
        self._new_boot(None)
        self._refused = 0

    def _new_boot(self, boot: int | None) -> None:
        self._boot = boot
        self._first: dict[int, Sample] = {}
        self._newest = -1
        self._last: int | None = None
        self._asked_s: float | None = None
        self._gone = -1
        self._taken = -1

    def take(self, entry: Entry) -> None:
        """Follow one more line, said or heard."""
        record = entry.record
        if entry.fault is not None:
            self._refused += 1
        elif isinstance(record, Resend | Acknowledge):
            self._asked(record, entry.at_s)
        elif isinstance(record, Identity):
            if record.boot != self._boot:
                self._new_boot(record.boot)
            self._gone = max(self._gone, record.first_seq - 1)
            self._taken = record.last_seq
        elif isinstance(record, Sample):
            if self._boot is None:
                self._boot = record.boot
            if record.boot == self._boot:  # else `judge_boot` has it
                self._sample(record, entry)

    def _asked(self, words: Resend | Acknowledge, at_s: float) -> None:
        if words.boot != self._boot:
            return
        if isinstance(words, Resend):
            self._asked_s = at_s
        elif words.seq <= max(self._newest, self._taken):
            self._gone = max(self._gone, words.seq)

    def _sample(self, sample: Sample, entry: Entry) -> None:
        found, last = self.found, self._last
        found.seen += 1
        before = self._first.setdefault(sample.seq, sample)
        if before is not sample:
            found.sent_again += 1
            if (before.uptime_ms, before.body) != (sample.uptime_ms, sample.body):
                found.changed.append(entry.line)
        if last is not None and sample.seq > last + 1 and not self._may_jump(last, sample.seq):
            found.gaps.append((f"from {last} to {sample.seq}", entry.line))
        if last is not None and sample.seq <= last and not self._was_asked(entry.at_s):
            what = f"{sample.seq} came after {last}" if sample.seq < last else f"{last} came twice"
            found.disorder.append((f"{what} without being asked for", entry.line))
        self._last, self._refused = sample.seq, 0
        self._newest = max(self._newest, sample.seq)

    def _may_jump(self, last: int, seq: int) -> bool:
        """Whether what lies between was heard and refused, or is acknowledged or gone.

        While old samples are sent again, what is left out there is judged by the dialogue, who knows what it asked for.
        """
        return seq - self._refused <= max(last, self._gone) + 1 or last < self._newest

    def _was_asked(self, at_s: float) -> bool:
        """A request to send again is open; where it leads is judged by the dialogue, once is enough."""
        asked_s, self._asked_s = self._asked_s, None
        return asked_s is not None and at_s - asked_s <= ANSWER_S


def follow(entries: Sequence[Entry]) -> Found:
    """Follow the samples of a whole conversation."""
    follower = _Follower()
    for entry in entries:
        follower.take(entry)
    return follower.found


def judge_order(found: Found) -> list[Point]:
    """The points `order`, `gaps` and `again`."""
    if found.seen < 2:
        return [not_tried(key, "fewer than two samples were heard") for key in ("order", "gaps", "again")]
    points = [obeys("order", f"{found.seen} samples"), obeys("gaps", f"{found.seen} samples")]
    if found.disorder:
        what = f"{len(found.disorder)} of {found.seen} samples: {found.disorder[0][0]}"
        points[0] = fault("order", what, [line for _, line in found.disorder])
    if found.gaps:
        what = f"{len(found.gaps)} times, the first {found.gaps[0][0]}"
        points[1] = fault("gaps", what, [line for _, line in found.gaps])
    if not found.sent_again:
        again = not_tried("again", "no sample came a second time")
    elif found.changed:
        again = fault(
            "again", f"{len(found.changed)} of {found.sent_again} came with another content", found.changed
        )
    else:
        again = obeys("again", f"{found.sent_again} samples came a second time, unchanged")
    return [*points, again]
