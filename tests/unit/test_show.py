"""How a soak stands right now: a monitor that hears nothing must never look like one that does."""

from __future__ import annotations

import io
from datetime import datetime
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from analysis.register import Register
from analysis.show import picture
from analysis.soak_model import Soak
from analysis.state import Look, State
from logger.clock import Stamp, us_from_utc, utc_now
from logger.journal import Entry, Journal
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from pathlib import Path

TEXT = '[rig]\nname = "bay-2"\n'
CHANNELS = ("front_left.pressure", "ambient.temperature")
MINUTE_us = 60_000_000


def append(journal: Journal, first: int, count: int, newest_us: int) -> None:
    """Readings a minute apart; the newest has this label."""
    boot = journal.note_boot(
        boot=1, rig="bay-2", firmware="v", period_ms=60_000, channels=CHANNELS, resumed=first > 0
    )
    begin_us = newest_us - (first + count - 1) * MINUTE_us
    if first == 0:
        journal.anchor_boot(boot.id, Stamp(0, begin_us))
    journal.append(
        [
            Entry(0, "D", boot.id, n, n * MINUTE_us, begin_us + n * MINUTE_us, "20000,5000")
            for n in range(first, first + count)
        ]
    )


def filled(folder: Path, *, age_min: int, count: int = 600) -> Path:
    """A journal with a reading a minute, the newest so many minutes old."""
    path = folder / "bay.journal"
    with Journal.open(path, TEXT) as journal:
        append(journal, 0, count, us_from_utc(utc_now()) - age_min * MINUTE_us)
    return path


def state_of(path: Path, text: str = TEXT) -> State:
    with Look(path, settings_from_text(text)) as look:
        return look.state()


def shown(state: State) -> str:
    out = io.StringIO()
    Console(file=out, width=80, highlight=False).print(picture(state))
    return out.getvalue()


def test_fresh_readings_are_called_measuring(tmp_path: Path) -> None:
    state = state_of(filled(tmp_path, age_min=0))
    assert state.measuring
    assert "measuring; the last reading is" in shown(state)


def test_a_plan_has_an_end_and_each_section_a_decision(tmp_path: Path) -> None:
    path = filled(tmp_path, age_min=0)
    state = state_of(path, f'{TEXT}[soak]\nplanned_length = "20 h"\n')
    # ten hours of readings were written, so the plan ends in ten hours
    assert state.planned_end is not None
    left_s = (datetime.fromisoformat(state.planned_end) - utc_now()).total_seconds()
    assert left_s == pytest.approx(10 * 3600.0, abs=150.0)
    said = shown(state)
    assert "planned end " in said
    assert state.decisions["front_left"].words in " ".join(said.split())


def test_old_readings_are_not(tmp_path: Path) -> None:
    state = state_of(filled(tmp_path, age_min=90))
    assert not state.measuring
    assert "NOT MEASURING: the last reading is 90 min old" in shown(state)


def test_in_time_lapse_a_journal_that_lies_there_is_not_called_measuring(tmp_path: Path) -> None:
    path = filled(tmp_path, age_min=0)
    lapse = '[rig]\nname = "bay-2"\nclock = "rig"\nbegin = 2027-01-15T18:00:00Z\n'
    with Look(path, settings_from_text(lapse)) as look:
        assert not look.state().measuring
        assert "NOT SEEN MEASURING" in look.state().heartbeat
        with Journal.open(path, TEXT) as journal:
            append(journal, 600, 1, us_from_utc(utc_now()))
        assert look.state().measuring


def test_a_journal_without_a_sample(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    Journal.open(path, TEXT).close()
    state = state_of(path)
    assert "NOT MEASURING: there is no reading yet" in shown(state)
    assert state.as_dict()["findings"] is None


def test_readings_outside_a_soak_are_said_not_to_be_judged(tmp_path: Path) -> None:
    path = filled(tmp_path, age_min=0)
    with Register.open(path) as register:
        register.begin(Soak(0, "monday", car="x" * 5000, after_entry=0, begun="2027-01-15T18:00:00Z"))
        register.end(300, "2027-01-15T23:00:00Z")
    state = state_of(path)
    assert not state.running
    assert "nothing is judged" in shown(state)
    # and what was judged is no longer so far
    assert " so far" not in shown(state)


@pytest.mark.parametrize("car", ["\x1b[31mred", "x" * 5000, "\u202ekcab"])
def test_nothing_is_wider_than_the_terminal_and_nothing_typed_steers_it(tmp_path: Path, car: str) -> None:
    path = filled(tmp_path, age_min=0)
    with Register.open(path) as register:
        register.begin(Soak(0, "monday", car=car, after_entry=0, begun="2027-01-15T18:00:00Z"))
    said = shown(state_of(path))
    assert max(map(len, said.splitlines())) <= 80
    assert "\x1b" not in said
    assert "\u202e" not in said
