"""Since when a section is decided, or when it will be, for those who look at a soak that runs.

Beside the findings, which don't depend on when somebody looked. A verdict's beginning is found by looking every half hour
of the soak, so it may be told half an hour late.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.judging import Judged, hours_of, judge, label_of, long_enough_s, not_before_s, too_wide
from analysis.settle import moment_at
from analysis.verdict import SHORTEST_h, doubts
from analysis.wording import short_time

if TYPE_CHECKING:
    from analysis.outlook import Outlook
    from analysis.soak import SoakAnalysis

EVERY_s: Final = 1800.0


@dataclass(frozen=True)
class Decision:
    """One section's: `since` if it is decided, `expected` if the time can be told; both UTC with Z."""

    since: str | None
    expected: str | None
    words: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {"since": self.since, "expected": self.expected, "words": self.words}


class History:
    """Since when each section's verdict has been what it is."""

    def __init__(self) -> None:
        """Nothing was looked at yet."""
        self._since: dict[str, tuple[str, float]] = {}
        self._looked_s = -math.inf

    def pass_by(self, soak: SoakAnalysis) -> None:
        """Look at a soak on the way to its present, if half an hour has passed since the last look."""
        if soak.last_s - self._looked_s < EVERY_s:
            return
        for i in range(len(soak.sections)):
            self.note(soak, i, judge(soak, i))

    def note(self, soak: SoakAnalysis, i: int, judged: Judged) -> None:
        """Take a section's verdict at the present moment of a soak."""
        name, verdict, now_s = soak.sections[i], judged.verdict, soak.last_s
        if self._since.get(name, ("", 0.0))[0] != verdict:
            end_s = long_enough_s(soak, judged)
            # before the end nothing is tight, and mostly it is nothing else that was missing
            at_the_end = verdict == "tight" and self._looked_s < end_s <= now_s
            self._since[name] = (verdict, end_s if at_the_end else now_s)
        if i == len(soak.sections) - 1:
            self._looked_s = now_s

    def since_s(self, name: str) -> float:
        """Since when its verdict has been what it was at the last look."""
        return self._since[name][1]


def planned_end(soak: SoakAnalysis) -> str | None:
    """When the soak will have lasted as long as planned, UTC with Z; None without a plan."""
    planned_h = soak.settings.soak.planned_hours
    return None if planned_h is None else label_of(soak, _begin_s(soak) + 3600.0 * planned_h)


def decisions(
    soak: SoakAnalysis, outlook: Outlook | None, history: History, *, running: bool
) -> dict[str, Decision]:
    """Return each section's; `soak` closed (a snapshot), `outlook` as the findings took it."""
    out: dict[str, Decision] = {}
    for i, name in enumerate(soak.sections):
        judged = judge(soak, i)
        history.note(soak, i, judged)
        if judged.verdict != "undecided":
            since = label_of(soak, history.since_s(name))
            # nothing is decided for good before the end
            so_far = "decided so far, since" if running else "decided since"
            out[name] = Decision(since, None, f"{so_far} {short_time(since)} UTC")
        elif not running:
            out[name] = Decision(None, None, "the soak is over, and it stayed undecided")
        else:
            out[name] = _awaited(soak, i, judged, outlook)
    return out


def _begin_s(soak: SoakAnalysis) -> float:
    return 0.0 if math.isnan(soak.first_s) else soak.first_s


def _awaited(soak: SoakAnalysis, i: int, judged: Judged, outlook: Outlook | None) -> Decision:
    """When a section that is undecided will be decided."""
    over = judged.conditions.probability_over
    if over is None:
        return _no_time(_what_is_missing(soak, i))
    if judged.conditions.contradiction is not None:
        return _no_time("not with these readings, see the notes")
    if over <= 1.0 - judged.conditions.confidence:
        return _by_plan(soak, judged)
    if judged.conditions.by_hand:
        return _no_time("perhaps with the next height by hand")
    if outlook is None or too_wide(judged):
        return _no_time("too early to say when")
    return _by_outlook(soak, judged, float(outlook.decided_s[i]))


def _what_is_missing(soak: SoakAnalysis, i: int) -> str:
    """Return what a section needs of which nothing is known."""
    if soak.standing and not np.isfinite(soak.first[len(soak.sections) + i]):
        return "with heights by hand, of the begin and of the end"
    early = hours_of(soak) < SHORTEST_h
    return "too early to say when" if early else "not with these readings, see the notes"


def _by_plan(soak: SoakAnalysis, judged: Judged) -> Decision:
    """The loss is known to be under the limit; what is missing for "tight"?"""
    if doubts(judged.conditions):
        return _no_time("standing longer alone won't do, see the notes")
    end_s = long_enough_s(soak, judged)
    if soak.last_s >= end_s:
        return _no_time(
            "when it has got as cold as planned" if judged.conditions.too_warm else "see the notes"
        )
    end = label_of(soak, end_s)
    what = (
        "when it has stood long enough" if judged.conditions.planned_hours is None else "at the planned end"
    )
    return Decision(None, end, f"{what}, {short_time(end)} UTC{_if_cold(judged)}")


def _by_outlook(soak: SoakAnalysis, judged: Judged, at_s: float) -> Decision:
    """The loss is not known well enough yet, and will be, as foretold, at `at_s`."""
    if not math.isfinite(at_s):
        return _no_time("not within four days: too near to the limit")
    towards_tight = judged.loss_per_s is not None and judged.loss_per_s < judged.limit_per_s
    at_s = max(at_s, not_before_s(soak, judged))
    if soak.begin_utc is None:
        return Decision(None, None, f"about {moment_at(at_s, None)}")
    expected = f"{np.datetime64(moment_at(at_s, soak.begin_utc)[:16].replace(' ', 'T'), 's')}Z"
    cold = _if_cold(judged) if towards_tight else ""
    return Decision(None, expected, f"about {short_time(expected)} UTC{cold}")


def _if_cold(judged: Judged) -> str:
    return ", if it gets as cold as planned" if judged.conditions.too_warm else ""


def _no_time(words: str) -> Decision:
    return Decision(None, None, words)
