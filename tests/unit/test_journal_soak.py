"""From entries of a journal to findings: the same however it is cut, whatever the host's clock did, live or later."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from analysis.live import JournalFollower, JournalSoak, analyse_journal
from logger.clock import Stamp
from logger.conversions import Conversions
from logger.errors import PlainError
from logger.journal import Entry, Journal, sample_body
from logger.journal_reader import JournalReader
from logger.settings import default_settings, load_settings, settings_from_text
from logger.virtual.counts import values_of
from logger.virtual.leaks import Leak
from logger.virtual.plan import SoakPlan
from logger.virtual.scenario import Scenario

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from logger.virtual.plan import Support

BEGIN_us = 1_800_036_000_000_000  # 2027-01-15T18:00:00Z (GNU date)
DAY_us = 86_400_000_000
HOURS = 8.0
PERIOD_us = 60_000_000
COUNT = 481  # a sample a minute for 8 h, both ends
NIGHT = SoakPlan(hours=HOURS, leaks=(Leak("rear_left", 0.4 / 86400.0),))


@cache
def counted(support: Support) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Channels, and the bodies of the samples, of a simulated soak."""
    table = Scenario(replace(NIGHT, support=support), 7).table()
    bodies = tuple(sample_body(values_of(row)) for row in table.counts)
    assert len(bodies) == COUNT
    return table.channels, bodies


def on_time(number: int) -> int:
    return BEGIN_us + number * PERIOD_us


def write(
    path: Path,
    support: Support = "blocked",
    numbers: Iterable[int] = range(COUNT),
    *,
    label: Callable[[int], int] = on_time,
    settings_text: str = "",
    boot: int = 1,
    others: tuple[Entry, ...] = (),
    change: Callable[[int, list[str]], list[str]] = lambda _number, fields: fields,
) -> None:
    """Append a boot's samples (and other entries after them) as a logger would."""
    channels, bodies = counted(support)
    with Journal.open(path, settings_text) as journal:
        record = journal.note_boot(
            boot=boot, rig="r", firmware="v1", period_ms=60_000, channels=channels, resumed=False
        )
        journal.anchor_boot(record.id, Stamp(0, BEGIN_us))
        samples = [
            Entry(
                0,
                "D",
                record.id,
                n,
                n * PERIOD_us,
                label(n),
                ",".join(change(n, bodies[n].split(","))),
            )
            for n in numbers
        ]
        journal.append([*samples, *(entry._replace(boot_id=record.id) for entry in others)])


def text(found: dict[str, Any]) -> str:
    return json.dumps(found, ensure_ascii=False, allow_nan=False)


def losses(found: dict[str, Any]) -> list[tuple[Any, ...]]:
    keys = ("name", "verdict", "loss_per_day", "loss_per_day_interval95", "coldest_gas_degC")
    return [tuple(section[key] for key in keys) for section in found["sections"]]


def test_a_journal_is_judged(tmp_path: Path) -> None:
    write(tmp_path / "bay.journal")
    found = analyse_journal(tmp_path / "bay.journal", None)
    # the file's name, not the way to it: live and replay may have come by different ways
    assert found["recording"] == "bay.journal"
    assert (found["begin"], found["end"]) == ("2027-01-15T18:00:00Z", "2027-01-16T02:00:00Z")
    verdicts = {section["name"]: section["verdict"] for section in found["sections"]}
    # 40 %/day against 2 %/day: the simulator's truth
    assert verdicts.pop("rear_left") == "leaking"
    assert "leaking" not in verdicts.values()


@pytest.mark.parametrize("support", ["blocked", "standing"])
def test_the_cut_of_the_reading_changes_no_bit(tmp_path: Path, support: Support) -> None:
    columns = ("front_left.height", "ambient.pressure", "rear_right.pressure")

    def late(number: int, fields: list[str]) -> list[str]:
        """Channels that speak for the first time in the middle of some portion."""
        for place, name in enumerate(counted(support)[0]):
            if name in columns and number < 20 + 7 * columns.index(name):
                fields[place] = ""
        return fields

    sections = "".join(f'[sections.{name}]\ngas_column = "240 mm"\n' for name in NIGHT.sections)
    settings = settings_from_text(f'[soak]\nsupport = "{support}"\n{sections}')
    path = tmp_path / "bay.journal"
    write(path, support, change=late)
    whole = text(analyse_journal(path, settings, 100_000))
    for portion in (1, 13, 100):
        assert text(analyse_journal(path, settings, portion)) == whole


def test_looking_at_it_on_the_way_changes_no_bit(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path)
    with JournalReader(path) as reader:
        follower = JournalFollower(reader, default_settings())
        assert follower.findings(final=False) is None
        seen = []
        while follower.step(50):
            said = follower.findings(final=False)
            assert said is not None
            seen.append(said["hours"])
        assert seen == sorted(seen)
        assert len(set(seen)) == len(seen)
        live = follower.findings(final=True)
    assert live == analyse_journal(path, default_settings())


def test_following_while_it_grows_is_reading_it_later(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    write(path, numbers=range(100))
    with JournalReader(path) as reader:
        follower = JournalFollower(reader, None)
        assert follower.step() == 100
        assert follower.step() == 0
        write(path, numbers=range(100, COUNT), boot=2)
        while follower.step():
            pass
        live = follower.findings(final=True)
    later = analyse_journal(path, None)
    assert live is not None
    assert text(live) == text(later)
    assert "The rig restarted 1 time(s) during the recording." in later["sections"][0]["notes"]


@pytest.mark.parametrize("days", [1, -1, 365])
def test_a_clock_that_is_set_changes_no_loss_and_dates_are_told_by_it(tmp_path: Path, days: int) -> None:
    write(tmp_path / "calm.journal")
    note = '{"kind":"step","seconds":86400.0,"sentence":"the host\'s clock was set"}'
    write(
        tmp_path / "set.journal",
        label=lambda n: on_time(n) + (days * DAY_us if n >= 200 else 0),
        others=(Entry(0, "C", None, None, COUNT * PERIOD_us, on_time(COUNT), note),),
    )
    calm = analyse_journal(tmp_path / "calm.journal", None)
    moved = analyse_journal(tmp_path / "set.journal", None)
    assert losses(moved) == losses(calm)
    assert moved["hours"] == HOURS
    begin, end = (np.datetime64(moved[key].removesuffix("Z")) for key in ("begin", "end"))
    assert end - begin == np.timedelta64(8, "h")
    # what the clock showed last
    assert end == np.datetime64("2027-01-16T02:00:00") + np.timedelta64(days, "D")
    assert any("clock was set" in note for note in moved["sections"][0]["notes"])
    assert not any("clock was set" in note for note in calm["sections"][0]["notes"])


def test_a_clock_that_is_kept_right_moves_no_date(tmp_path: Path) -> None:
    # 20 ms a minute: ten seconds in the night, none of them a step
    write(tmp_path / "bay.journal", label=lambda n: on_time(n) + n * 20_000)
    found = analyse_journal(tmp_path / "bay.journal", None)
    assert found["begin"] == "2027-01-15T18:00:00Z"
    assert not any("clock was set" in note for note in found["sections"][0]["notes"])


def test_what_is_lost_and_what_the_rig_reports_is_told(tmp_path: Path) -> None:
    gap = '{"first_seq":100,"last_seq":139,"reason":"overwritten in the rig"}'
    event = '{"code":"brownout","text":"supply fell to 4.4 V"}'
    at_us = 140 * PERIOD_us
    write(
        tmp_path / "bay.journal",
        numbers=[n for n in range(COUNT) if not 100 <= n < 140],
        others=(
            Entry(0, "G", None, 100, at_us, on_time(140), gap),
            Entry(0, "E", None, None, at_us, on_time(140), event),
        ),
    )
    section = analyse_journal(tmp_path / "bay.journal", None)["sections"][0]
    assert "40 samples of the rig are known to be lost." in section["notes"]
    # 18:00 and 140 minutes
    told = "The rig reported brownout (supply fell to 4.4 V) at 2027-01-15T20:20:00Z."
    assert told in section["notes"]
    assert "blind" in {alarm["kind"] for alarm in section["alarms"]}


def test_bad_values_are_no_readings(tmp_path: Path) -> None:
    channels, _ = counted("blocked")
    place = channels.index("front_right.pressure")

    def torn(number: int, fields: list[str]) -> list[str]:
        return [*fields[:place], "3" if number >= 60 else fields[place], *fields[place + 1 :]]

    write(tmp_path / "bay.journal", change=torn)
    sections = {s["name"]: s for s in analyse_journal(tmp_path / "bay.journal", None)["sections"]}
    # an hour of it can be used, and seven hours of 0 V at the wire are no pressure of nothing
    assert sections["front_right"]["hours_used"] == pytest.approx(1.0, abs=0.1)
    assert sections["front_right"]["verdict"] == "undecided"
    assert "sensor" in {alarm["kind"] for alarm in sections["front_right"]["alarms"]}
    assert "burst" not in {alarm["kind"] for alarm in sections["front_right"]["alarms"]}


STRICT = '[soak]\nthreshold = "3 %/day"\n'


def test_without_settings_it_judges_by_those_of_the_logger(tmp_path: Path) -> None:
    write(tmp_path / "bay.journal", settings_text=STRICT)
    assert analyse_journal(tmp_path / "bay.journal", None)["sections"][0]["threshold_per_day"] == 0.03
    given = analyse_journal(tmp_path / "bay.journal", default_settings())
    assert given["sections"][0]["threshold_per_day"] == 0.02


def test_a_logger_started_again_with_other_settings(tmp_path: Path) -> None:
    """Counts are converted as they were logged, the verdict is by the newest; live begins anew and agrees."""
    path = tmp_path / "bay.journal"
    half = COUNT // 2
    write(path, numbers=range(half))
    with JournalReader(path) as reader:
        follower = JournalFollower(reader, None)
        assert follower.step() == half
        # a stricter limit, and a transducer whose zero reads otherwise from now on
        changed = STRICT + '[channels."front_left.pressure"]\ncalibration.zero = "1 bar"\n'
        write(path, numbers=range(half, COUNT), settings_text=changed, boot=2)
        while follower.step():
            pass
        live = follower.findings(final=True)
    later = analyse_journal(path, None, 17)
    assert live is not None
    assert text(live) == text(later)
    assert later["sections"][0]["threshold_per_day"] == 0.03
    by_one = analyse_journal(path, settings_from_text(changed))
    # under the new settings alone nothing jumps in the middle; as logged, the front left jumps by a bar
    assert losses(by_one)[0] != losses(later)[0]
    left, *others = later["sections"]
    assert (left["verdict"], "contradiction" in left["reasons"]) == ("undecided", True)
    assert any("settings of its transducer were changed" in note for note in left["notes"])
    assert not any("settings of its transducer" in note for one in others for note in one["notes"])


def test_settings_that_nobody_logged_under_yet_don_t_count(tmp_path: Path) -> None:
    write(tmp_path / "bay.journal")
    Journal.open(tmp_path / "bay.journal", STRICT).close()
    assert analyse_journal(tmp_path / "bay.journal", None)["sections"][0]["threshold_per_day"] == 0.02


def test_a_journal_without_samples_is_refused_in_a_line(tmp_path: Path) -> None:
    Journal.open(tmp_path / "bay.journal").close()
    with pytest.raises(PlainError, match="holds no samples"):
        analyse_journal(tmp_path / "bay.journal", None)


def test_a_rig_without_a_section_has_no_findings() -> None:
    soak = JournalSoak(default_settings(), Conversions(__file__, None))  # type: ignore[arg-type]
    soak.take([], {})
    assert soak.findings("x", final=True) is None
    assert soak.notes() == ()


def test_the_settings_of_a_file_are_the_settings_as_stored(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text(STRICT)
    write(tmp_path / "bay.journal", settings_text=STRICT)
    stored = analyse_journal(tmp_path / "bay.journal", None)
    assert stored == analyse_journal(tmp_path / "bay.journal", load_settings(file))
