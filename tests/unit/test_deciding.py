"""Since when a section is decided, or when it will be: held against what the findings said at those times."""

from __future__ import annotations

import functools
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from analysis.deciding import Decision, EVERY_s, History, decisions, planned_end
from analysis.findings import Ahead, findings
from analysis.judging import judge
from analysis.soak import SoakAnalysis
from logger.settings import settings_from_text
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import Simulated, SoakPlan

if TYPE_CHECKING:
    from numpy.typing import NDArray

SECTIONS = ("front_left", "rear_left")
BEGIN = datetime(2027, 1, 15, 18, tzinfo=UTC)
HOURS = 14.0
BLOCKED = '[soak]\nsupport = "blocked"\n'


@functools.cache
def simulated(loss_per_day: float) -> Simulated:
    leak = Leak("front_left", loss_per_day / 86400.0)
    plan = SoakPlan(hours=HOURS, leaks=(leak,), sections=SECTIONS, begin_utc=BEGIN, period_s=30.0)
    return simulate(plan, 3)


def rows(loss_per_day: float, until_h: float) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    soak = simulated(loss_per_day)
    some = np.any([np.isfinite(v) for v in soak.measured.values()], axis=0) & (soak.time_s <= until_h * 3600)
    return soak.time_s[some], {name: v[some] for name, v in soak.measured.items()}


def followed(text: str, loss_per_day: float, until_h: float, history: History) -> SoakAnalysis:
    """A soak fed as it comes from a journal, half an hour at a time."""
    begin = np.datetime64(BEGIN.replace(tzinfo=None), "us")
    soak = SoakAnalysis(settings_from_text(text), SECTIONS, begin_utc=begin)
    time_s, values = rows(loss_per_day, until_h)
    for part in np.array_split(np.arange(len(time_s)), max(int(until_h * 2), 1)):
        soak.feed(time_s[part], {name: v[part] for name, v in values.items()})
        history.pass_by(soak)
    soak.finish()
    return soak


def decided(
    text: str, loss_per_day: float, until_h: float = HOURS, *, running: bool = True
) -> tuple[dict[str, Decision], list[str]]:
    """The decisions, and the first section's notes."""
    history = History()
    soak = followed(text, loss_per_day, until_h, history)
    ahead = Ahead(soak)
    said = findings(soak, "x", (), ahead)
    return decisions(soak, ahead.outlook, history, running=running), said["sections"][0]["notes"]


def verdict_at(text: str, loss_per_day: float, until_h: float) -> str:
    soak = followed(text, loss_per_day, until_h, History())
    return str(findings(soak, "x")["sections"][0]["verdict"])


def test_a_leaking_section_is_decided_since_its_findings_said_so() -> None:
    decision = decided(BLOCKED, 0.12)[0]["front_left"]
    assert decision.since is not None
    assert decision.expected is None
    hours = (datetime.fromisoformat(decision.since) - BEGIN) / timedelta(hours=1)
    step_h = EVERY_s / 3600.0
    assert 0.0 < hours < HOURS - 1.0
    assert verdict_at(BLOCKED, 0.12, hours) == "leaking"
    assert verdict_at(BLOCKED, 0.12, hours - 1.1 * step_h) == "undecided"


def test_a_section_that_holds_is_decided_at_the_planned_end() -> None:
    text = f'{BLOCKED}planned_length = "20 h"\nthreshold = "8 %/day"\n'
    found, notes = decided(text, 0.0)
    assert "The soak lasted 14.0 h of 20.0 h." in notes
    assert found["front_left"] == Decision(
        None, "2027-01-16T14:00:00Z", "at the planned end, Sat 16 Jan 14:00 UTC"
    )
    cold = decided(f'{text}planned_cold = "-40 degC"\n', 0.0)[0]["front_left"]
    assert cold.words.endswith("UTC, if it gets as cold as planned")
    assert planned_end(followed(text, 0.0, 1.0, History())) == "2027-01-16T14:00:00Z"
    assert planned_end(followed(BLOCKED, 0.0, 1.0, History())) is None


def test_a_section_near_the_limit_is_decided_when_the_notes_say_so() -> None:
    found, notes = decided(f'{BLOCKED}threshold = "6 %/day"\n', 0.04, 9.0)
    note = next(note for note in notes if "until about" in note)
    expected = found["front_left"].expected
    assert expected is not None
    assert expected[:16].replace("T", " ") in note
    assert found["front_left"].words.startswith("about ")


def test_no_time_is_told_where_none_is_known() -> None:
    assert decided(BLOCKED, 0.0, 0.5)[0]["front_left"].words == "too early to say when"
    standing = decided('[soak]\nsupport = "standing"\n', 0.0)[0]["front_left"]
    assert standing == Decision(None, None, "with heights by hand, of the begin and of the end")


def test_a_soak_that_is_over_is_not_promised_a_decision() -> None:
    text = f'{BLOCKED}planned_length = "20 h"\n'
    assert (
        decided(text, 0.0, running=False)[0]["front_left"].words
        == "the soak is over, and it stayed undecided"
    )


def test_a_verdict_that_changes_back_begins_anew() -> None:
    history = History()
    soak = followed(BLOCKED, 0.12, 1.0, History())
    judged = judge(soak, 0)
    for hour, verdict in ((5, "undecided"), (6, "leaking"), (7, "undecided"), (8, "leaking"), (9, "leaking")):
        soak.last_s = 3600.0 * hour
        history.note(soak, 0, replace(judged, verdict=verdict))  # type: ignore[arg-type]
    assert history.since_s("front_left") == 8 * 3600.0


def test_what_is_tight_when_the_time_is_over_is_so_since_then() -> None:
    text = f'{BLOCKED}planned_length = "12.7 h"\nthreshold = "8 %/day"\n'
    assert decided(text, 0.0)[0]["front_left"].since == "2027-01-16T06:42:00Z"
