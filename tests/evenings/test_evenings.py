"""The catalogue's short form: each evening once. Nothing confidently wrong may be said, and no false alarm raised.

Five seeds, both supports, long and short are what `python -m tests.evenings` plays; its table is in README.md. An evening
that physics can't tell is played all the same: it must give an answer, and the page says what would tell it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.evenings.catalogue import Row, rows, short_rows
from tests.evenings.judge import BROKE, hear, honest
from tests.evenings.live import LIVE, listen, live_row
from tests.evenings.night import FL, Night

if TYPE_CHECKING:
    from collections.abc import Iterable

    from _pytest.mark import ParameterSet

SEED = 810_000
SHORT = short_rows()
TOO_LONG_h = 30.0  # a weekend takes as long as four nights
LIVE_SHORT = LIVE[::2]


def named(rows: Iterable[Row]) -> list[ParameterSet]:
    return [
        pytest.param(row, id=row.name, marks=[pytest.mark.long] if row.hours > TOO_LONG_h else [])
        for row in rows
    ]


@pytest.mark.parametrize("row", named(row for row in SHORT if row.open is None))
def test_nothing_wrong_is_said_of_an_evening(row: Row) -> None:
    said = hear(row, SEED)
    wrong = [f"{x.section}: {x.verdict} {x.told}, true {100 * x.lost_per_day:.2f}" for x in said if x.wrong]
    # with a wrong thermometer an alarm may be told if it is taken back; how seldom, the page counts
    thermometer = row.air_is_wrong or row.name.startswith("probes_")
    allowed = {x.section for x in said if thermometer and x.taken_back == len(x.false_alarms)}
    false = [
        f"{x.section}: {', '.join(x.false_alarms)}"
        for x in said
        if x.false_alarms and x.section not in allowed
    ]
    assert wrong == []
    assert false == []


@pytest.mark.parametrize("row", named(row for row in SHORT if row.open is not None))
def test_what_physics_cannot_tell_gets_an_answer(row: Row) -> None:
    assert {one.verdict for one in hear(row, SEED)} <= {"tight", "leaking", "undecided"}
    assert row.open


@pytest.mark.parametrize("name", LIVE_SHORT)
def test_live_says_what_is_said_of_the_recording(name: str) -> None:
    heard = listen(live_row(name, 60.0), SEED)
    assert heard.other_verdicts == []
    assert heard.other_alarms == []


def test_the_truth_counts_steps_and_what_was_put_in_makes_no_room() -> None:
    night = Night(1, name="truth")
    night.drop(FL, 8.0, 3.0)
    night.fill(FL, 20.0, 6.0)
    lost = night.record().lost_per_day
    # -ln 0.92 in 14 h, by hand
    assert lost[FL] == pytest.approx(0.08338 * 24.0 / 14.0, abs=1e-4)
    assert max(value for name, value in lost.items() if name != FL) == pytest.approx(0.0, abs=1e-9)


def test_a_confident_verdict_is_wrong_beyond_a_factor_of_two() -> None:
    assert honest(0.0) == {"tight", "undecided"}
    assert honest(0.03) == {"tight", "leaking", "undecided"}
    assert honest(0.05) == {"leaking", "undecided"}


def test_the_catalogue_is_large_enough_and_each_row_can_be_told_from_the_others() -> None:
    assert len(SHORT) >= 60
    assert {row.support for row in rows()} == {"blocked", "standing"}
    assert {row.hours for row in rows()} >= {14.0, 62.0}
    assert len({row.what for row in SHORT}) == len(SHORT)


def test_a_program_that_breaks_is_counted_as_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("tests.evenings.judge.straight", breaks)
    said = hear(SHORT[0], SEED)
    assert all(one.wrong and one.verdict == BROKE for one in said)
