"""What the uptimes show: is the rig on time, does it drift, does it wait for its line, is it counting milliseconds?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from logger.protocol import Identity, Sample
from logger.wirecheck.points import Point, fault, not_tried, obeys

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.wirecheck.session import Entry

FEWEST: Final = 8
DRIFT: Final = 1e-3
"""Share of the period by which samples may be longer apart (own choice; a rig that sleeps a period after each
sample is late by what measuring takes, some per cent)."""
JITTER: Final = (0.05, 10.0)
"""Nine of ten samples lie within this share of the period, or so many ms if that is more (own choice)."""
HELD_UP: Final = (3.0, 300.0)
"""Lateness beyond half a period may add up to so many periods, or so many ms if that is more (own choice)."""
CLOCK: Final = 0.01
"""Error of the rig's clock against ours; a crystal is 200 times better, an uptime in ticks of 1/1024 s is worse."""
_WRAP: Final = 2**32
_MOST: Final = 400


@dataclass(frozen=True, slots=True)
class Timing:
    """Samples of one period, in ms: typical step, lateness of nine in ten, of the worst, what longer steps add up to."""

    count: int
    step_ms: float
    jitter_ms: float
    worst_ms: float
    held_up_ms: float
    backwards: int


def measure(samples: Sequence[Sample], period_ms: int) -> Timing | None:
    """How samples of one boot lie in time; None if they are too few.

    The typical step is the median of the slopes between all pairs (Theil and Sen), so that a few samples that
    were held up don't bend it. The uptime is unwrapped at 32 bits.
    """
    first = {sample.seq: sample.uptime_ms for sample in samples}
    if len(first) < FEWEST:
        return None
    seqs = np.array(sorted(first))
    uptimes = np.array([first[seq] for seq in seqs], np.int64)
    steps = (np.diff(uptimes) + _WRAP // 2) % _WRAP - _WRAP // 2
    at_ms = np.concatenate(([0], np.cumsum(steps))).astype(float)
    few = np.unique(np.linspace(0, len(seqs) - 1, min(len(seqs), _MOST)).astype(int))
    i, j = np.triu_indices(len(few), 1)
    step_ms = float(np.median((at_ms[few][j] - at_ms[few][i]) / (seqs[few][j] - seqs[few][i])))
    late = np.abs(at_ms - step_ms * (seqs - seqs[0]))
    late = np.abs(late - np.median(late))
    per_sample = steps / np.diff(seqs)
    long_steps = steps[per_sample > 1.5 * period_ms] - period_ms * np.diff(seqs)[per_sample > 1.5 * period_ms]
    return Timing(
        len(seqs),
        step_ms,
        float(np.quantile(late, 0.9)),
        float(late.max()),
        float(long_steps.sum()),
        int((steps <= 0).sum()),
    )


def judge_timing(samples: Sequence[Sample], period_ms: int, lines: Sequence[bytes] = ()) -> Point:
    """Samples of one period lie on a grid of it."""
    found = measure(samples, period_ms)
    if found is None:
        return not_tried("timing", f"fewer than {FEWEST} samples of one period")
    said = (
        f"{found.count} samples, {found.step_ms:.2f} ms apart for a period of {period_ms} ms; nine in ten within "
        f"{found.jitter_ms:.0f} ms, the worst {found.worst_ms:.0f} ms off"
    )
    if found.backwards:
        return fault(
            "timing", f"the uptime stands or goes back {found.backwards} times between samples", lines
        )
    off = found.step_ms / period_ms - 1.0
    if abs(off) > DRIFT and abs(off) * period_ms * found.count > 3.0:
        return fault("timing", f"{said}: it drifts by {100 * off:+.2f} %, or another period runs", lines)
    if found.jitter_ms > max(JITTER[0] * period_ms, JITTER[1]):
        return fault("timing", f"{said}: too uneven", lines)
    return obeys("timing", said)


def judge_unhindered(samples: Sequence[Sample], period_ms: int) -> Point:
    """While the line was full, samples were taken all the same."""
    found = measure(samples, period_ms)
    if found is None:
        return not_tried("unhindered", f"fewer than {FEWEST} samples while the line was full")
    if found.held_up_ms > max(HELD_UP[0] * period_ms, HELD_UP[1]):
        return fault(
            "unhindered",
            f"{found.held_up_ms:.0f} ms without samples while samples were sent again or commands came in",
        )
    return obeys("unhindered", f"{found.count} samples; held up by {found.held_up_ms:.0f} ms in all")


def judge_clock(entries: Sequence[Entry]) -> Point:
    """The uptime goes on as our clock does.

    A sample can be late on its way and never early, so the quickest one of the first and of the last third of the
    time tells where the rig's clock stands against ours. What was taken before the port was opened comes late.
    """
    came = [(e.at_s * 1e3, e.record) for e in entries if isinstance(e.record, Sample)]
    came = [(at_ms, sample) for at_ms, sample in came if sample.boot == came[-1][1].boot]
    if len(came) < FEWEST:
        return not_tried("clock", "too few samples")
    begin = came[0][1].uptime_ms
    ours_ms = np.array([at_ms for at_ms, _ in came])
    theirs_ms = np.array([float((sample.uptime_ms - begin) % _WRAP) for _, sample in came])
    behind_ms = ours_ms - theirs_ms
    whole_ms = ours_ms[-1] - ours_ms[0]
    if whole_ms < 3000:
        return not_tried("clock", f"only {whole_ms / 1e3:.1f} s of samples")
    first, last = ours_ms <= ours_ms[0] + whole_ms / 3, ours_ms >= ours_ms[-1] - whole_ms / 3
    early_at, late_at = (np.flatnonzero(part)[np.argmin(behind_ms[part])] for part in (first, last))
    ours, theirs = ours_ms[late_at] - ours_ms[early_at], theirs_ms[late_at] - theirs_ms[early_at]
    said = f"{theirs:.0f} ms by the rig in {ours:.0f} ms by this computer"
    # the quickest of a third may be late by some hundredths of a second all the same
    if abs(theirs - ours) > CLOCK * ours + 30.0:
        return fault("clock", f"{said}: {100 * (theirs / ours - 1.0):+.1f} %")
    return obeys("clock", said)


def of_period(entries: Sequence[Entry]) -> tuple[list[Sample], int]:
    """The samples after the last identity with another period or boot than the one before, and that period.

    The first sample after a change may still be on the old grid: it is left out.
    """
    samples: list[Sample] = []
    key: tuple[int, int] | None = None
    for entry in entries:
        if isinstance(entry.record, Identity):
            if key != (entry.record.period_ms, entry.record.boot):
                key = entry.record.period_ms, entry.record.boot
                samples = []
        elif isinstance(entry.record, Sample):
            samples.append(entry.record)
    return samples[1:], key[0] if key else 0
