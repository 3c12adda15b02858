"""`soak correct`: what was said of a soak is put right, what stood before is kept, and the watch reads it again."""

from __future__ import annotations

import json
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import pytest
from test_journal_soak import text, write
from typer.testing import CliRunner

from analysis.alarm_store import AlarmStore
from analysis.commands import build_app
from analysis.live import analyse_journal
from analysis.register import RegisterReader, read_corrections, read_soaks
from analysis.watcher import Watcher
from logger.errors import PlainError
from logger.journal_reader import JournalReader
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from click.testing import Result


def invoke(*words: str) -> Result:
    result = CliRunner().invoke(build_app([words[0]]), [*words])
    if isinstance(result.exception, PlainError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result


def soak(journal: Path, *words: str) -> dict[str, Any]:
    return dict(json.loads(invoke("soak", *words, "-j", str(journal), "--json").stdout))


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Eight hours from 18:00 on; two soaks, 18:30 to 20:00, and 22:00 to 01:00."""
    path = tmp_path / "bay.journal"
    write(path)
    soak(path, "begin", "one", "--at", "2027-01-15T18:30:00Z", "--car", "grey van", "--planned-length", "14 h",
         "--encloses", "rear_left=strut, line", "--threshold", "rear_left=3 %/day")  # fmt: skip
    soak(path, "end", "--at", "2027-01-15T20:00:00Z")
    soak(path, "begin", "two", "--at", "2027-01-15T22:00:00Z")
    soak(path, "end", "--at", "2027-01-16T01:00:00Z")
    return path


def test_what_is_given_is_put_right_and_the_rest_stays(journal: Path) -> None:
    before = soak(journal, "correct", "one", "--begin", "2027-01-15T18:10:00Z", "--name", "first", "--car", "blue van",
                  "--encloses", "front_left=left strut", "--planned-cold", "-8 degC", "--by", "Mara")  # fmt: skip
    [one, two] = read_soaks(journal)
    assert (one.name, one.car, one.begun, one.ended) == (
        "first",
        "blue van",
        "2027-01-15T18:10:00Z",
        "2027-01-15T20:00:00Z",
    )
    assert before == one.as_dict()
    assert (before["planned_hours"], before["planned_cold_degC"]) == (14.0, -8.0)
    assert before["encloses"] == {"rear_left": ["strut", "line"], "front_left": ["left strut"]}
    settings = one.settings(settings_from_text(""))
    assert settings.threshold_of("rear_left").text == "3 %/day"
    assert two.name == "two"
    found = analyse_journal(journal, None, soak="first")
    assert (found["begin"], found["end"]) == ("2027-01-15T18:10:00Z", "2027-01-15T19:59:00Z")


def test_without_a_name_the_last_one_is_meant_and_none_takes_a_plan_back(journal: Path) -> None:
    assert soak(journal, "correct", "--planned-length", "5 h", "--job", "1042")["name"] == "two"
    assert soak(journal, "correct", "--planned-length", "none")["planned_hours"] is None
    assert read_soaks(journal)[1].job == "1042"
    assert analyse_journal(journal, None)["hours"] == pytest.approx(179 / 60, abs=1e-4)
    # earlier and later than it was
    for end, minutes in (("2027-01-16T00:00:00Z", 119), ("2027-01-16T01:30:00Z", 209)):
        soak(journal, "correct", "--end", end)
        assert analyse_journal(journal, None)["hours"] == pytest.approx(minutes / 60, abs=1e-4)


def test_what_stood_before_is_kept(journal: Path) -> None:
    assert read_corrections(journal) == []
    stood = read_soaks(journal)[0]
    soak(journal, "correct", "one", "--car", "blue van", "--by", "Mara")
    soak(journal, "correct", "one", "--end", "2027-01-15T20:30:00Z")
    first, second = read_corrections(journal)
    assert (first.stood, first.who) == (stood, "Mara")
    assert (second.stood.car, second.stood.ended) == ("blue van", "2027-01-15T20:00:00Z")
    said = invoke("soak", "list", "-j", str(journal), "--history").stdout.splitlines()
    assert ["grey" in line for line in said] == [False, True, False, False]
    assert "by Mara: one: 2027-01-15T18:30:00Z to 2027-01-15T20:00:00Z" in said[1]
    assert "grey" not in invoke("soak", "list", "-j", str(journal)).stdout
    listed = invoke("soak", "list", "-j", str(journal), "--history", "--json").stdout.splitlines()
    [one, two] = [json.loads(line) for line in listed]
    assert [h["car"] for h in one["history"]] == ["grey van", "blue van"]
    assert two["history"] == []


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ((), "stands so already"),
        (("one", "--car", "grey van"), "stands so already"),
        (("three", "--car", "x"), r"no soak 'three' \(there: 'one', 'two'\)"),
        (("one", "--begin", "2027-01-15T20:00:00Z"), "no reading between begin, 2027-01-15T20:00:00Z, and end"),
        (("one", "--begin", "2027-01-15T21:00:00Z"), "no reading between"),
        (("one", "--end", "2027-01-15T22:30:00Z"), "'two' begins at 2027-01-15T22:00:00Z"),
        (("two", "--begin", "2027-01-15T19:30:00Z"), "'one' goes on until 2027-01-15T20:00:00Z"),
        (("two", "--begin", "2027-01-15T18:10:00Z", "--end", "2027-01-15T18:20:00Z"), "'one' goes on until"),
        (("one", "--begin", "2027-01-15T17:00:00Z"), "--begin: .* before the journal, whose first entry is of"),
        (("two", "--end", "2999-01-01T00:00:00Z"), "--end: a moment that is yet to come"),
        (("one", "--begin", "early"), "--begin: 'early' is no time"),
        (("one", "--name", "two"), "a soak 'two' already"),
        (("one", "--name", " "), "needs a name"),
        (("one", "--planned-length", "14"), "planned_length: "),
        (("one", "--support", "floating"), "support: 'floating' is none of"),
        (("one", "--encloses", "front_left"), "write section=component"),
    ],
)  # fmt: skip
def test_what_can_t_be_is_refused_and_nothing_is_changed(
    journal: Path, words: tuple[str, ...], reason: str
) -> None:
    stood = read_soaks(journal)
    with pytest.raises(PlainError, match=reason):
        soak(journal, "correct", *words)
    assert read_soaks(journal) == stood
    assert read_corrections(journal) == []


def test_a_running_soak_is_ended_not_corrected_and_without_a_soak_there_is_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path)
    with pytest.raises(PlainError, match="no soak was begun yet"):
        soak(path, "correct", "--car", "x")
    soak(path, "begin", "night", "--at", "2027-01-15T19:00:00Z")
    with pytest.raises(PlainError, match="still runs: end it with 'cornerhold soak end"):
        soak(path, "correct", "--end", "2027-01-15T20:00:00Z")
    assert soak(path, "correct", "--begin", "2027-01-15T18:00:00Z")["begun"] == "2027-01-15T18:00:00Z"


def test_what_falls_out_of_it_is_told(journal: Path) -> None:
    for at in ("2027-01-15T22:05:00Z", "2027-01-15T23:05:00Z"):
        invoke("soak", "note", "load", "-j", str(journal), "--at", at)
    invoke("tape", "add", "rear_left=650 mm", "-j", str(journal), "--at", "2027-01-15T22:10:00Z")
    said = invoke("soak", "correct", "-j", str(journal), "--begin", "2027-01-15T22:30:00Z")
    assert "1 height(s) by hand lie outside" in said.stderr
    assert "1 note(s) lie outside" in said.stderr
    back = invoke("soak", "correct", "-j", str(journal), "--begin", "2027-01-15T22:00:00Z")
    assert back.stderr == ""
    assert "put right: two: 2027-01-15T22:00:00Z to" in back.stdout


# -- the watch -----------------------------------------------------------------------------------------------


@pytest.fixture
def drained(tmp_path: Path) -> Iterator[Callable[[], tuple[Watcher, AlarmStore]]]:
    """A running soak from 18:00 on in which the rear left leaks, and the watch over it."""
    path = tmp_path / "bay.journal"
    write(path)
    soak(path, "begin", "night", "--at", "2027-01-15T18:00:00Z")
    with ExitStack() as stack:
        reader = stack.enter_context(JournalReader(path))
        store = stack.enter_context(AlarmStore.open(path, rig="r"))
        watcher = Watcher(reader, None, stack.enter_context(RegisterReader(path)), store, rig="r")

        def look() -> tuple[Watcher, AlarmStore]:
            watcher.look()
            while watcher.step(0.0, 137):
                pass
            assert text(watcher.findings() or {}) == text(analyse_journal(path, None))
            return watcher, store

        yield look


def test_the_watch_reads_a_corrected_soak_again_and_its_alarms_follow(
    drained: Callable[[], tuple[Watcher, AlarmStore]], tmp_path: Path
) -> None:
    path = tmp_path / "bay.journal"
    _, store = drained()
    # 40 %/day, the simulator's truth
    assert [(a.section, a.kind) for a in store.standing()] == [("rear_left", "leak")]
    # half an hour is too short for any such alarm
    soak(path, "correct", "--begin", "2027-01-16T01:30:00Z")
    watcher, _ = drained()
    assert watcher.findings() is not None
    assert store.standing() == []
    assert [a.kind for a in store.alarms() if a.cleared is None] == []
    soak(path, "correct", "--begin", "2027-01-15T18:00:00Z")
    drained()
    assert [(a.section, a.kind) for a in store.standing()] == [("rear_left", "leak")]


def test_a_new_name_or_plan_reaches_the_watch(
    drained: Callable[[], tuple[Watcher, AlarmStore]], tmp_path: Path
) -> None:
    path = tmp_path / "bay.journal"
    watcher, _ = drained()
    soak(path, "correct", "--name", "van", "--threshold", "rear_left=500 %/day")
    drained()
    said = watcher.findings()
    assert said is not None
    assert said["soak"] == "van"
    assert {s["name"]: s["threshold_per_day"] for s in said["sections"]}["rear_left"] == 5.0


def test_an_ended_soak_whose_end_is_put_later_is_read_to_that_end(
    drained: Callable[[], tuple[Watcher, AlarmStore]], tmp_path: Path
) -> None:
    path = tmp_path / "bay.journal"
    drained()
    soak(path, "end", "--at", "2027-01-15T23:00:00Z")
    watcher, store = drained()
    assert watcher.over
    soak(path, "correct", "--end", "2027-01-16T01:30:00Z")
    drained()
    said = watcher.findings()
    assert said is not None
    assert said["end"] == "2027-01-16T01:29:00Z"
    assert store.standing() == []
