"""The watch: whose readings are judged, when it is blind, and that a restart raises nothing twice."""

from __future__ import annotations

import json
import threading
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest
from test_journal_soak import COUNT, PERIOD_us, counted, on_time, write
from typer.testing import CliRunner

from analysis.alarm_store import AlarmStore, Changes, read_alarms
from analysis.alarm_words import letter_of
from analysis.commands import build_app
from analysis.register import Register, RegisterReader
from analysis.soak_model import Soak, plan_text
from analysis.tape_register import Height
from analysis.watcher import UNKNOWN_SECTION, Watcher
from logger.errors import PlainError
from logger.journal import Entry, Journal
from logger.journal_reader import JournalReader
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PATIENCE_s = 3 * 60.0 + 30.0  # the three sample periods and 30 s; a sample a minute
TIME_LAPSE = settings_from_text('[rig]\nclock = "rig"\n')  # labels of 2027 say nothing about now
SECTIONS = {"front_left", "front_right", "rear_left", "rear_right"}


class Watch:
    """A watcher with its files, and what it told."""

    def __init__(self, journal: Path) -> None:
        self.told: list[tuple[str, str, str]] = []
        self.stack = ExitStack()
        reader = self.stack.enter_context(JournalReader(journal))
        register = self.stack.enter_context(RegisterReader(journal))
        self.store = self.stack.enter_context(AlarmStore.open(journal, rig="bay"))
        self.watcher = Watcher(reader, TIME_LAPSE, register, self.store, rig="bay", on_changes=self._take)
        self.now_s = 1000.0
        self.drain()

    def _take(self, changes: Changes) -> None:
        self.told += [("raised", alarm.kind, alarm.section) for alarm in changes.raised]
        self.told += [("acknowledged", alarm.kind, alarm.section) for alarm in changes.acknowledged]
        self.told += [("cleared", alarm.kind, alarm.section) for alarm in changes.cleared]

    def drain(self, limit: int = 2000) -> None:
        while self.watcher.step(self.now_s, limit):
            pass
        self.watcher.step(self.now_s, limit)

    def wait(self, seconds: float) -> None:
        self.now_s += seconds
        self.drain()

    def sections(self, what: str, kind: str) -> set[str]:
        return {section for w, k, section in self.told if (w, k) == (what, kind)}


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return tmp_path / "bay.journal"


@pytest.fixture
def watch(journal: Path) -> Iterator[Watch]:
    write(journal)
    opened = Watch(journal)
    yield opened
    opened.stack.close()


def begin(journal: Path, name: str, after: int) -> None:
    with Register.open(journal) as register:
        register.begin(Soak(0, name, after_entry=after, plan=plan_text(TIME_LAPSE.soak, {})))


def end(journal: Path, last: int) -> None:
    with Register.open(journal) as register:
        register.end(last, "2027-01-16T00:00:00Z")


def test_the_leak_is_raised_with_its_evidence(watch: Watch) -> None:
    # 40 %/day, the simulator's truth
    assert watch.told == [("raised", "leak", "rear_left")]
    [alarm] = watch.store.standing()
    assert alarm.evidence["loss_per_day"] == pytest.approx(0.4, rel=0.3)
    low, high = alarm.evidence["loss_per_day_interval95"]
    # one soak of one seed: whether the interval holds the truth as often as it says is for the study
    assert low - 0.02 < 0.4 < high + 0.02
    assert alarm.evidence["probability_over_threshold"] > 0.99
    assert alarm.sentence.startswith("rear_left leaks: ")
    assert "limit 2 %/day" in alarm.sentence
    assert "UTC" in alarm.sentence


def test_a_restart_raises_nothing_twice_in_any_portions(journal: Path, watch: Watch) -> None:
    watch.stack.close()
    again = Watch(journal)
    again.drain(limit=37)
    assert again.told == []
    assert len(again.store.alarms()) == 1
    again.stack.close()


def test_silence_is_blind_for_every_section_in_time_and_once(watch: Watch) -> None:
    watch.wait(PATIENCE_s - 0.1)
    assert watch.sections("raised", "blind") == set()
    watch.wait(0.2)
    assert watch.sections("raised", "blind") == SECTIONS
    watch.wait(3600.0)
    assert [what for what, kind, _ in watch.told if kind == "blind"] == ["raised"] * 4


def test_blindness_lasts_over_a_restart(journal: Path, watch: Watch) -> None:
    watch.wait(PATIENCE_s + 1.0)
    watch.stack.close()
    again = Watch(journal)
    again.wait(PATIENCE_s + 1.0)
    assert again.told == []
    again.stack.close()


def test_readings_that_come_after_all_end_it_without_a_second_alarm(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path, numbers=range(100))
    watch = Watch(path)
    watch.wait(PATIENCE_s + 1.0)
    assert watch.sections("raised", "blind") == SECTIONS
    more(path, range(160, 200))
    watch.wait(1.0)
    assert watch.sections("cleared", "blind") == SECTIONS
    blind = [alarm for alarm in watch.store.alarms() if alarm.kind == "blind"]
    assert len(blind) == 4
    # the analysis has found it at the same time of the rig: the last sample and the patience after it
    raised = {
        alarm.raised_s for alarm in watch.watcher.follower.journal.soak.book.alarms if alarm.kind == "blind"
    }
    assert raised == {99 * 60.0 + PATIENCE_s}
    assert {alarm.raised_us for alarm in blind} == {round((99 * 60.0 + PATIENCE_s) * 1e6)}
    watch.stack.close()


def more(path: Path, numbers: range, settings_text: str = "") -> None:
    """Append more samples of the same boot."""
    bodies = counted("blocked")[1]
    with Journal.open(path, settings_text) as journal:
        boot = journal.boots()[-1]
        journal.append([Entry(0, "D", boot.id, n, n * PERIOD_us, on_time(n), bodies[n]) for n in numbers])


def test_a_backlog_that_fills_the_gap_ends_it_too(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path, numbers=range(100))
    watch = Watch(path)
    watch.wait(PATIENCE_s + 600.0)
    more(path, range(100, 120))
    watch.wait(1.0)
    assert watch.sections("cleared", "blind") == SECTIONS
    assert all(alarm.cleared for alarm in watch.store.alarms() if alarm.kind == "blind")
    watch.stack.close()


def test_a_rig_that_never_spoke_is_blind(journal: Path) -> None:
    Journal.open(journal).close()
    watch = Watch(journal)
    watch.wait(31.0)
    assert watch.told == [("raised", "blind", UNKNOWN_SECTION)]
    write(journal, numbers=range(20))
    watch.wait(1.0)
    assert watch.told[1:] == [("cleared", "blind", UNKNOWN_SECTION)]
    watch.stack.close()


def test_nothing_is_judged_outside_a_soak(journal: Path) -> None:
    write(journal)
    begin(journal, "first", 0)
    end(journal, 30)
    watch = Watch(journal)
    assert not watch.watcher.running
    watch.wait(10 * PATIENCE_s)
    assert watch.told == []
    said = watch.watcher.findings()
    assert said is not None
    assert (said["soak"], said["hours"]) == ("first", pytest.approx(29 / 60, abs=1e-4))
    # the next one begins, and its silence counts
    begin(journal, "second", COUNT - 5)
    assert watch.watcher.look()
    watch.drain()
    watch.wait(PATIENCE_s + 1.0)
    assert watch.sections("raised", "blind") == SECTIONS
    end(journal, COUNT)
    assert not watch.watcher.look()
    watch.drain()
    assert watch.sections("cleared", "blind") == SECTIONS
    watch.wait(10 * PATIENCE_s)
    assert len(watch.told) == 8
    watch.stack.close()


def test_the_first_soak_of_a_journal_ends_the_judging_of_all_of_it(journal: Path, watch: Watch) -> None:
    assert watch.told == [("raised", "leak", "rear_left")]
    begin(journal, "first", COUNT)
    assert watch.watcher.look()
    watch.drain()
    assert watch.told[1:] == [("cleared", "leak", "rear_left")]


def test_settings_that_change_midway_clear_and_raise_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path, numbers=range(400))
    with ExitStack() as stack:
        reader = stack.enter_context(JournalReader(path))
        store = stack.enter_context(AlarmStore.open(path, rig="bay"))
        register = stack.enter_context(RegisterReader(path))
        told: list[Changes] = []
        watcher = Watcher(reader, None, register, store, on_changes=told.append)
        while watcher.step(0.0):
            pass
        assert [[alarm.kind for alarm in changes.raised] for changes in told] == [["leak"]]
        # the analysis begins anew by the logger's new settings
        more(path, range(400, COUNT), '[soak]\nthreshold = "3 %/day"\n')
        while watcher.step(1.0):
            pass
        said = watcher.findings()
        assert said is not None
        assert said["sections"][0]["threshold_per_day"] == 0.03
        assert len(told) == 1


def test_an_acknowledgement_by_command_is_taken_once(journal: Path, watch: Watch) -> None:
    [(name, alarm)] = read_alarms(journal)
    assert alarm.state == "raised"
    with Register.open(journal) as register:
        register.acknowledge(["of somebody else", name, name], "Mara")
    # a register alone begins no soak
    assert not watch.watcher.look()
    watch.watcher.look()
    assert [(a.state, a.acknowledged_by) for _, a in read_alarms(journal)] == [("acknowledged", "Mara")]
    assert watch.told == [("raised", "leak", "rear_left"), ("acknowledged", "leak", "rear_left")]


def test_a_dead_transducer_is_told_with_its_trouble(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    place = counted("blocked")[0].index("front_left.pressure")

    def off(number: int, fields: list[str]) -> list[str]:
        if number > 60:
            fields[place] = "0"  # the wire is off: the pin goes to ground
        return fields

    write(path, numbers=range(100), change=off)
    watch = Watch(path)
    [alarm] = [one for one in watch.store.standing() if one.section == "front_left"]
    assert alarm.kind == "sensor"
    assert alarm.sentence.startswith(
        "The pressure sensor of front_left gives no usable reading (open) since "
    )
    watch.stack.close()


def test_the_command_lists_and_acknowledges(journal: Path, watch: Watch) -> None:
    def said(*words: str) -> str:
        done = CliRunner().invoke(build_app(["alarms"]), ["alarms", "-j", str(journal), *words])
        if done.exception is not None:
            raise done.exception
        return done.output

    name = watch.store.name_of(watch.store.standing()[0])
    assert said().startswith(f"{name}  leak raised: rear_left leaks: ")
    with pytest.raises(PlainError, match="no alarm 'x' stands"):
        said("--acknowledge", "x")
    stop = threading.Event()

    def watching() -> None:
        while not stop.wait(0.01):
            watch.watcher.look()

    thread = threading.Thread(target=watching)
    thread.start()
    try:
        assert said("--acknowledge", "all", "--by", "Mara").startswith(f"{name}  leak acknowledged by Mara: ")
    finally:
        stop.set()
        thread.join()
    [one] = [json.loads(line) for line in said("--json").splitlines()]
    assert (one["alarm"], one["state"], one["section"]) == (name, "acknowledged", "rear_left")
    watch.store.close_soaks(5)
    assert said() == "no alarm stands\n"
    assert "leak cleared" in said("--all")


def test_what_a_start_finds_on_its_way_is_told_together(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path, numbers=[*range(50), *range(90, 140), *range(200, 250), *range(300, 450)])
    calls: list[Changes] = []
    with ExitStack() as stack:
        reader = stack.enter_context(JournalReader(path))
        store = stack.enter_context(AlarmStore.open(path, rig="bay"))
        register = stack.enter_context(RegisterReader(path))
        watcher = Watcher(reader, TIME_LAPSE, register, store, on_changes=calls.append)
        while watcher.step(0.0, limit=20):
            assert len(calls) == 0 or watcher.follower.journal.newest_us == 449 * PERIOD_us
        watcher.step(0.0)
        [changes] = calls
        assert sorted({alarm.kind for alarm in changes.raised}) == ["blind", "leak"]
        assert len([alarm for alarm in changes.raised if alarm.kind == "blind"]) == 3 * 4
        _, body = letter_of(changes.raised, "bay")
    # three times blind, each for all corners, each said to be over, and the leak that stands
    lines = body.splitlines()
    assert len(lines) == 4
    assert len([line for line in lines if "front_left, front_right, rear_left and rear_right" in line]) == 3
    assert len([line for line in lines if "(Over since " in line]) == 3


def test_a_height_entered_meanwhile_has_the_soak_read_again_and_tells_nothing_twice(
    watch: Watch, journal: Path
) -> None:
    watch.wait(PATIENCE_s + 1.0)
    told, taken = list(watch.told), watch.watcher.times_taken_up
    assert watch.sections("raised", "leak") == {"rear_left"}
    assert watch.sections("raised", "blind") == SECTIONS
    with Register.open(journal) as register:
        register.add_heights([Height(0, "rear_left", 0.65, 1e-3, 10, 600_000_000, "", "")])
    watch.watcher.look()
    assert watch.watcher.times_taken_up == taken + 1
    watch.drain(limit=100)
    # the rig is as silent as it was
    assert {alarm.kind for alarm in watch.store.standing()} >= {"blind", "leak"}
    assert watch.told == told
    watch.watcher.look()
    assert watch.watcher.times_taken_up == taken + 1
