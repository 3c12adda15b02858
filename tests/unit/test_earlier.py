"""What was read before `soak begin` reaches the analysis: how far back, across what, and the same live as later."""

from __future__ import annotations

from contextlib import ExitStack
from copy import deepcopy
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from test_journal_soak import COUNT, PERIOD_us, text, write
from typer.testing import CliRunner

from analysis.commands import build_app
from analysis.live import PORTION, JournalFollower, analyse_journal, chosen
from analysis.register import RegisterReader
from analysis.soak import SoakAnalysis
from analysis.watcher import Watcher
from logger.conversions import open_conversions
from logger.journal_reader import JournalReader
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.before import Before


def run(*words: str) -> None:
    result = CliRunner().invoke(build_app(["soak"]), ["soak", *words, "--json"])
    assert result.exit_code == 0, result.output


def before_of(journal: Path, name: str | None = None, portion: int = PORTION) -> Before | None:
    with JournalReader(journal) as reader:
        follower = JournalFollower(reader, None, *chosen(journal, name))
        while follower.step(portion):
            pass
        assert follower.journal.soak is not None
        return follower.journal.soak.before


def minutes(before: Before | None) -> list[int]:
    return [] if before is None else np.round(before.time_s / 60.0).astype(int).tolist()


def converted(journal: Path) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]:
    """Rig time and good values of all that a journal holds."""
    with JournalReader(journal) as reader:
        [block] = open_conversions(reader, None).convert(reader.read(10_000), reader.boots())
    return block.rig_us, {name: block.good()[:, k] for k, name in enumerate(block.names)}


def test_what_was_read_before_the_begin_is_known_as_the_soak_s_own_rows_are(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path)
    run("begin", "night", "-j", str(path), "--at", "2027-01-15T20:00:00Z")
    before = before_of(path)
    assert before is not None
    # two hours, a row a minute
    assert minutes(before) == list(range(-120, 0))
    rig_us, values = converted(path)
    assert rig_us[:120].tolist() == [n * PERIOD_us for n in range(120)]
    names = {n for n in values if n.endswith(".pressure")} | {"ambient.temperature"}
    assert set(before.values) == names
    for name in names:
        assert np.array_equal(before.values[name], values[name][:120], equal_nan=True)
    assert np.isfinite(before.values["ambient.temperature"]).all()


def test_six_hours_are_looked_back_also_across_another_soak(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path)
    run("begin", "one", "-j", str(path), "--at", "2027-01-15T18:30:00Z")
    run("end", "-j", str(path), "--at", "2027-01-15T23:00:00Z")
    run("begin", "two", "-j", str(path), "--at", "2027-01-16T01:00:00Z")
    # of seven hours that there are
    assert minutes(before_of(path)) == list(range(-360, 0))
    assert minutes(before_of(path, "one")) == list(range(-30, 0))


def test_without_a_soak_or_from_the_first_reading_on_there_is_nothing_before(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path)
    assert before_of(path) is None
    run("begin", "night", "-j", str(path), "--at", "2027-01-15T18:00:00Z")
    assert before_of(path) is None


@pytest.mark.parametrize(
    ("heard", "rebooted_at", "known"),
    [
        # minute numbers; the soak begins at 300
        ([(0, 200), (250, COUNT)], 250, [(0, 200), (250, 300)]),
        ([(0, 180), (250, COUNT)], 250, [(250, 300)]),  # 71 min of silence and a reboot
        ([(0, 180), (250, COUNT)], None, [(0, 180), (250, 300)]),  # of silence alone
        ([(0, 230), (300, COUNT)], 300, []),  # it came up again with the begin
        ([(0, 260), (300, COUNT)], 300, [(0, 260)]),
    ],
)
def test_across_a_long_silence_with_a_reboot_rig_time_is_not_trusted(
    tmp_path: Path, heard: list[tuple[int, int]], rebooted_at: int | None, known: list[tuple[int, int]]
) -> None:
    path = tmp_path / "bay.journal"
    numbers = [n for a, b in heard for n in range(a, b)]
    write(path, numbers=[n for n in numbers if rebooted_at is None or n < rebooted_at])
    if rebooted_at is not None:
        write(path, numbers=[n for n in numbers if n >= rebooted_at], boot=2)
    run("begin", "night", "-j", str(path), "--at", "2027-01-15T23:00:00Z")
    expected = [n - 300 for a, b in known for n in range(a, b)]
    assert minutes(before_of(path)) == expected
    for portion in (1, 7):
        assert minutes(before_of(path, portion=portion)) == expected


def test_the_cut_of_the_reading_changes_no_bit(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path, change=lambda n, fields: ["" if n % 9 == 0 else f for f in fields])
    run("begin", "night", "-j", str(path), "--at", "2027-01-15T21:00:00Z")
    whole = before_of(path)
    assert whole is not None
    for portion in (1, 13, 100):
        cut = before_of(path, portion=portion)
        assert cut is not None
        assert np.array_equal(cut.time_s, whole.time_s)
        assert {n: v.tobytes() for n, v in cut.values.items()} == {
            n: v.tobytes() for n, v in whole.values.items()
        }
        assert text(analyse_journal(path, None, portion)) == text(analyse_journal(path, None))


def test_a_watch_that_was_there_before_the_begin_knows_the_same(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path, numbers=range(200))
    with ExitStack() as stack:
        reader = stack.enter_context(JournalReader(path))
        watcher = Watcher(reader, None, stack.enter_context(RegisterReader(path)), rig="r")

        def drain() -> Any:
            watcher.look()
            while watcher.step(0.0, 37):
                pass
            return watcher.follower.journal.soak

        drain()
        run("begin", "night", "-j", str(path))
        # no row of the soak yet
        assert drain() is None
        write(path, numbers=range(200, COUNT), boot=2)
        live = drain().before
        assert text(watcher.findings() or {}) == text(analyse_journal(path, None))
    replayed = before_of(path)
    assert replayed is not None
    assert minutes(live) == minutes(replayed) == list(range(-200, 0))
    assert all(np.array_equal(live.values[n], v, equal_nan=True) for n, v in replayed.values.items())


def test_a_look_at_a_soak_copies_none_of_it() -> None:
    soak = SoakAnalysis(settings_from_text(""), ("a",))
    given = np.array([-60.0, -30.0])
    soak.prelude(given, {"a.pressure": given + 7e5, "a.height": given, "ambient.temperature": given})
    assert soak.before is not None
    assert set(soak.before.values) == {"a.pressure", "ambient.temperature"}
    assert deepcopy(soak).before is soak.before
    given[0] = 0.0
    assert soak.before.time_s.tolist() == [-60.0, -30.0]
    with pytest.raises(ValueError, match="read-only"):
        soak.before.time_s[0] = 1.0
