"""How it stands with the mirrors is seen where a person looks: page, `show` and JSON; and a restart changes no point."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from io import StringIO
from typing import TYPE_CHECKING

import pytest
from fastapi.testclient import TestClient
from rich.console import Console

from analysis.alarm_store import LAYOUT, MOST_POINTS, AlarmStore, alarms_path
from analysis.database import Database
from analysis.mirrors import mirrors_of
from analysis.page import make_app
from analysis.page_guard import Guard
from analysis.page_rigs import Rigs, Watched
from analysis.show import picture
from analysis.state import Look
from logger.clock import Stamp
from logger.cursor_file import CursorFile
from logger.influx_readings import PORTION, ReadingsSource
from logger.journal import Entry, Journal
from logger.journal_reader import JournalReader
from logger.mirror_state import FINDINGS, READINGS, MirrorState, StateFile
from logger.readings_mirror import cursor_path
from logger.settings import settings_from_text
from tests.page_journals import RIG, append

if TYPE_CHECKING:
    from pathlib import Path

TROUBLE = MirrorState(
    READINGS,
    entry=7,
    trouble="no answer <b>",
    since="2027-01-15T18:00:00Z",
    refused=2,
    refused_words="too <i>old",
)
SAID = "InfluxDB gets no readings since 2027-01-15 18:00 UTC (no answer <b>); they wait in the journal"


def short_journal(folder: Path) -> Path:
    path = folder / f"{RIG}.journal"
    with Journal.open(path, '[rig]\nname = "bay-2"\n') as journal:
        append(journal, 0, 5)
    return path


def test_a_mirror_in_trouble_is_seen_and_one_that_is_well_is_quiet(tmp_path: Path) -> None:
    path = short_journal(tmp_path)
    StateFile(path, READINGS).save(TROUBLE)
    StateFile(path, FINDINGS).save(MirrorState(FINDINGS, entry=3))
    with Look(path, None) as look:
        state = look.state()
    assert state.as_dict()["mirrors"] == [
        {"well": False, "sentence": f"{SAID}; it refused 2 points: “too <i>old”"},
        {"well": True, "sentence": "InfluxDB has the findings and alarms"},
    ]
    out = StringIO()
    Console(file=out, width=300).print(picture(state))
    assert SAID in out.getvalue()
    rigs = Rigs((Watched(RIG, path, None),))
    rigs.look(RIG)
    client = TestClient(
        make_app(rigs, Guard(None, lambda: 0.0), only_loopback=True), base_url="http://127.0.0.1"
    )
    text = client.get("/").text
    assert (
        '<p class="open pad">InfluxDB gets no readings since 2027-01-15 18:00 UTC (no answer &lt;b&gt;)'
        in text
    )
    assert '<p class="quiet">InfluxDB has the findings and alarms</p>' in text
    rigs.close()


@pytest.mark.parametrize(("text", "count"), [("", 0), ("[influx]\n", 1)])
def test_a_mirror_that_is_set_and_does_not_run_is_missed(tmp_path: Path, text: str, count: int) -> None:
    path = short_journal(tmp_path)
    with Look(path, settings_from_text(text)) as look:
        mirrors = look.state().mirrors
    assert len(mirrors) == count
    assert all(not well and "was the logger started before" in words for well, words in mirrors)


def test_how_far_the_broker_is_behind_is_said(tmp_path: Path) -> None:
    path = short_journal(tmp_path)  # five readings, a minute apart
    with JournalReader(path) as reader:
        assert mirrors_of(reader, settings_from_text("")) == ()

        def said(confirmed: int | None) -> tuple[bool, str]:
            if confirmed is not None:
                CursorFile(cursor_path(path)).save(confirmed)
            [found] = mirrors_of(reader, settings_from_text("[mqtt]\n"))
            return found

        assert not said(None)[0]
        assert said(0) == (False, "The broker lacks all readings; they wait in the journal")
        newest = reader.newest_id()
        assert said(newest - 3) == (
            False,
            "The broker lacks the readings of the last 3 min; they wait in the journal",
        )
        assert said(newest) == (True, "The broker has the readings")


# -- a restart -----------------------------------------------------------------------------------------------


async def lines_from(path: Path, state: MirrorState) -> tuple[list[str], list[MirrorState]]:
    """All lines after a state, and the state after each portion."""
    source, lines, states = ReadingsSource(path, "bay"), [], []
    state = await source.open(state)
    while (portion := await source.next(state)) is not None:
        lines += portion.lines
        state = portion.state
        states.append(state)
    source.close()
    return lines, states


def test_wherever_it_is_stopped_the_points_are_the_same(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    with Journal.open(path, "") as journal:
        names = ("a.pressure", "rig.supply_voltage")
        boot = journal.note_boot(
            boot=1, rig="bay", firmware="v", period_ms=1000, channels=names, resumed=False
        )
        journal.anchor_boot(boot.id, Stamp(0, 0))
        # a transducer that stands still is called stuck after twenty minutes; the supply goes and its last reading holds;
        # the clock is set back on the way
        journal.append(
            [
                Entry(0, "D", boot.id, n, n * 1_000_000, (n - 3000 * (n > 2500)) * 1_000_000 + 10**15,
                      f"{13_000 if n > 500 else 13_000 + n},{26_666 - n // 400 if n < 3000 else ''}")
                for n in range(4 * PORTION + 1700)
            ]
        )  # fmt: skip
    whole, states = asyncio.run(lines_from(path, MirrorState()))
    assert sum('pressure_quality="stuck"' in line for line in whole) > 1000
    assert {line.partition("clock=")[2][0] for line in whole} == {"0", "1"}
    after = {state.entry: 2 * state.entry for state in states}
    for state in states[1::2]:
        again, _ = asyncio.run(lines_from(path, state))
        assert set(again) == set(whole[after[state.entry] :])
    # a place in another journal is none
    other, _ = asyncio.run(lines_from(path, replace(states[0], entry_utc_us=5)))
    assert other == whole


def test_what_the_journal_let_go_before_it_was_mirrored_is_told(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    with Journal.open(path, "") as journal:
        boot = journal.note_boot(
            boot=1, rig="bay", firmware="v", period_ms=1000, channels=("a.pressure",), resumed=False
        )
        journal.anchor_boot(boot.id, Stamp(0, 0))
        journal.append([Entry(0, "D", boot.id, n, n * 10**9, n * 10**9, "13000") for n in range(300)])
        _, states = asyncio.run(lines_from(path, MirrorState()))
        assert states[-1].missed == 0
        # 1000 s apart: of a day's keeping 87 samples are left
        gone = journal.retention(1.0)
        early = MirrorState(entry=100, entry_utc_us=99 * 10**9)
        _, states = asyncio.run(lines_from(path, early))
        assert states[-1].missed == gone - 100


def test_a_book_of_alarms_of_the_version_before_is_brought_up_to_date(tmp_path: Path) -> None:
    before = replace(LAYOUT, migrations=LAYOUT.migrations[:1])
    path = tmp_path / "bay.journal"
    Database.open_to_write(alarms_path(path), before).close()
    with AlarmStore.open(path, rig="bay") as store:
        store.add_points([f"m v={n}" for n in range(3)])
        assert store.points(2) == [(1, "m v=0"), (2, "m v=1")]
        store.points_written(2)
        assert store.points_waiting() == 1
        # not without end: the oldest go
        store.add_points([f"m v={n}" for n in range(MOST_POINTS)])
        assert store.points_waiting() == MOST_POINTS
        assert store.points(1) == [(4, "m v=0")]
