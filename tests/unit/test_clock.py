"""The time axis: uptime to rig time and label, whatever the wall clock does."""

import doctest
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import clock, rig_clock
from logger.clock import HostTime, Stamp, us_from_utc, utc_from_us
from logger.journal_schema import BootRecord
from logger.rig_clock import RigClock, unwrap_ms

DAY_us = 86_400_000_000
BEGIN_us = us_from_utc(datetime(2027, 1, 15, 18, tzinfo=UTC))


def boot(number: int = 1, anchor: Stamp | None = None, period_ms: int = 1000) -> BootRecord:
    return BootRecord(number, 100 + number, "bay", "1.0", period_ms, ("a.pressure",), anchor, 1)


def host(monotonic_s: float, wall_moved_s: float = 0.0) -> HostTime:
    """A host whose wall clock is BEGIN at monotonic zero, moved by so much."""
    monotonic_us = round(monotonic_s * 1e6)
    return HostTime(monotonic_us, BEGIN_us + monotonic_us + round(wall_moved_s * 1e6))


def live(rig: RigClock, seconds: range, moved_s: float = 0.0, uptime_ahead_s: int = 0) -> list[Stamp]:
    return [
        rig.stamp((second + uptime_ahead_s) * 1000, host(second + 0.02, moved_s), second)
        for second in seconds
    ]


@pytest.mark.parametrize("step_s", [86400.0, -86400.0, -3.0, 4e8])
def test_a_wall_clock_that_steps_changes_no_interval(step_s: float) -> None:
    rig = RigClock()
    rig.hear_identity(boot(), -1, host(0))
    before = live(rig, range(60))
    after = live(rig, range(60, 120), step_s)
    rig_us = [stamp.rig_us for stamp in before + after]
    assert [b - a for a, b in pairwise(rig_us)] == [1_000_000] * 119
    moved = after[0].utc_us - before[-1].utc_us - 1_000_000
    assert moved == pytest.approx(step_s * 1e6, abs=1)
    (note,) = rig.take_notes()
    assert (note.kind, note.seconds) == ("step", pytest.approx(step_s))
    assert rig.take_notes() == []


def test_labels_are_as_near_as_the_shortest_delay() -> None:
    rig = RigClock()
    rig.hear_identity(boot(), -1, host(0))
    delays_s = [0.3, 0.05, 0.4, 0.01, 0.2, 0.3]
    stamps = [rig.stamp(n * 1000, host(n + delay), n) for n, delay in enumerate(delays_s)]
    assert stamps[-1].utc_us - BEGIN_us == pytest.approx(5_010_000, abs=1)
    assert [s.rig_us for s in stamps] == [n * 1_000_000 for n in range(6)]


def test_labels_follow_a_rig_whose_crystal_is_slow() -> None:
    # 50 ppm is an ordinary crystal's worst (common practice, no source): 4.3 s a day
    rig = RigClock()
    rig.hear_identity(boot(), -1, host(0))
    for minute in range(1440):
        true_s = minute * 60.0
        stamp = rig.stamp(round(true_s * (1 - 50e-6) * 1000), host(true_s + 0.01), minute)
        assert abs(stamp.utc_us - BEGIN_us - true_s * 1e6) < 100_000


def test_what_the_rig_had_buffered_is_labelled_with_the_time_at_which_it_was_taken() -> None:
    rig = RigClock()
    # the rig has run for an hour when the host comes; 3600 samples wait and arrive within two seconds
    now_s = 10_000.0
    rig.hear_identity(boot(), 3599, host(now_s))
    stamps = [rig.stamp(seq * 1000, host(now_s + seq / 1800), seq) for seq in range(3600)]
    assert stamps[0].rig_us == 0
    for seq in (0, 1800, 3599):
        taken_us = BEGIN_us + (now_s - 3599 + seq) * 1e6
        assert abs(stamps[seq].utc_us - taken_us) <= 1_000_000  # within one period
    assert stamps[-1].utc_us <= host(now_s).utc_us
    later = rig.stamp(3600 * 1000, host(now_s + 0.9), 3600)
    assert later.rig_us - stamps[-1].rig_us == 1_000_000
    assert later.utc_us <= host(now_s + 0.9).utc_us


def test_a_plug_pulled_for_an_hour_moves_no_label() -> None:
    rig = RigClock()
    rig.hear_identity(boot(), -1, host(0))
    live(rig, range(100))
    rig.hear_identity(boot(), 3699, host(3700))
    late = [rig.stamp(seq * 1000, host(3700.0 + seq / 10_000), seq) for seq in range(100, 3700)]
    for seq, stamp in zip(range(100, 3700), late, strict=True):
        assert stamp == Stamp(seq * 1_000_000, BEGIN_us + seq * 1_000_000 + 20_000)


def test_the_uptime_wraps_without_a_mark_on_the_axis() -> None:
    rig = RigClock()
    rig.hear_identity(boot(), -1, host(0))
    first_ms = 2**32 - 3000
    stamps = [rig.stamp((first_ms + n * 1000) % 2**32, host(n), n) for n in range(10)]
    assert [s.rig_us for s in stamps] == [n * 1_000_000 for n in range(10)]


def test_a_daemon_that_starts_again_in_the_same_boot_goes_on_with_the_same_axis() -> None:
    first = RigClock()
    first.hear_identity(boot(), -1, host(0))
    stamps = live(first, range(100), uptime_ahead_s=77)
    assert first.anchor is not None
    # an hour later, the wall clock a day back: the axis knows nothing of it
    again = RigClock(newest=stamps[-1])
    again.hear_identity(boot(anchor=first.anchor), 3699, host(0, -86400), uptime_ms=176_000)
    assert again.stamp((3700 + 77) * 1000, host(0.02, -86400), 3700).rig_us == 3700 * 1_000_000
    assert again.anchor == first.anchor


def test_a_restart_after_the_wrap_goes_on_with_the_unwrapped_uptime() -> None:
    anchor = Stamp(-5_000_000, BEGIN_us)
    unwrapped_ms = 2**32 + 10_000
    newest = Stamp(anchor.rig_us + unwrapped_ms * 1000, BEGIN_us)
    rig = RigClock(newest=newest)
    rig.hear_identity(boot(anchor=anchor), 500, host(0), uptime_ms=unwrapped_ms)
    assert rig.stamp(11_000, host(1), 501).rig_us == newest.rig_us + 1_000_000


def test_a_new_boot_goes_on_by_the_monotonic_clock_and_not_by_the_wall() -> None:
    rig = RigClock()
    rig.hear_identity(boot(1), -1, host(0))
    last = live(rig, range(100))[-1]
    # the rig restarts; its first sample comes 31 s after the last one; meanwhile the wall clock was set
    rig.hear_identity(boot(2), -1, host(129, 86400))
    assert rig.anchor is None
    first = rig.stamp(500, host(99.02 + 31, 86400), 0)
    assert first.rig_us - last.rig_us == 31_000_000
    assert rig.anchor == Stamp(first.rig_us - 500_000, first.utc_us - 500_000)


def test_a_new_boot_after_a_restart_goes_on_by_the_wall_clock() -> None:
    rig = RigClock(newest=Stamp(5_000_000, BEGIN_us))
    rig.hear_identity(boot(2), -1, host(600))
    assert rig.stamp(0, host(600), 0).rig_us == pytest.approx(5_000_000 + 600_000_000, abs=1)


def test_a_wall_clock_behind_the_journal_moves_the_axis_on_by_one_period_and_is_noted() -> None:
    rig = RigClock(newest=Stamp(5_000_000, BEGIN_us + DAY_us))
    rig.hear_identity(boot(2), -1, host(0))
    assert rig.stamp(0, host(0), 0).rig_us == 6_000_000
    assert [note.kind for note in rig.take_notes()] == ["behind"]


def test_in_time_lapse_the_labels_run_on_rig_time_alone() -> None:
    begin = datetime(2027, 1, 15, 18, tzinfo=UTC)
    rig = RigClock("rig", begin)
    rig.hear_identity(boot(period_ms=60_000), -1, host(0))
    assert rig.aside(host(0)).utc_us == BEGIN_us
    stamps = [rig.stamp(n * 60_000, host(n * 0.01), n) for n in range(100)]  # 6000 times as fast
    assert [s.rig_us for s in stamps] == [n * 60_000_000 for n in range(100)]
    assert [s.utc_us for s in stamps] == [BEGIN_us + n * 60_000_000 for n in range(100)]
    again = RigClock("rig", begin, newest=stamps[-1])
    again.hear_identity(boot(anchor=rig.anchor, period_ms=60_000), 99, host(3), uptime_ms=99 * 60_000)
    assert again.stamp(100 * 60_000, host(4), 100) == Stamp(6_000_000_000, BEGIN_us + 6_000_000_000)


def test_entries_without_uptime_stand_on_the_axis_without_moving_it() -> None:
    rig = RigClock()
    assert rig.aside(host(0)) == Stamp(0, BEGIN_us)
    rig.hear_identity(boot(), -1, host(0))
    last = live(rig, range(3))[-1]
    assert rig.aside(host(30)) == Stamp(last.rig_us, host(30).utc_us)
    assert rig.stamp(3000, host(3.02), 3).rig_us == last.rig_us + 1_000_000


def test_an_event_out_of_order_does_not_turn_the_axis_back() -> None:
    rig = RigClock()
    rig.hear_identity(boot(), -1, host(0))
    last = live(rig, range(10))[-1]
    event = rig.stamp_event(8500, host(9.1))
    assert event.rig_us == last.rig_us - 500_000
    assert rig.stamp(10_000, host(10.02), 10).rig_us == last.rig_us + 1_000_000


@given(st.integers(0, 2**40), st.integers(-(2**31) + 1, 2**31 - 1))
def test_unwrapping_finds_the_nearest_uptime(previous_ms: int, moved_ms: int) -> None:
    assert unwrap_ms((previous_ms + moved_ms) % 2**32, previous_ms) == previous_ms + moved_ms


@given(st.integers(0, 4_000_000_000_000_000))
def test_labels_and_datetimes_are_the_same(utc_us: int) -> None:
    assert us_from_utc(utc_from_us(utc_us)) == utc_us


@given(
    st.lists(
        st.tuples(st.floats(0, 5), st.floats(-1e5, 1e5), st.booleans(), st.booleans()),
        min_size=1,
        max_size=60,
    )
)
def test_rig_time_never_stands_still_or_goes_back(story: list[tuple[float, float, bool, bool]]) -> None:
    """Any delays, any steps of the wall clock, boots and restarts of the daemon in any order."""
    rig, monotonic_s, number, uptime_ms, seq = RigClock(), 0.0, 1, 0, 0
    rig.hear_identity(boot(number), -1, host(0))
    newest: Stamp | None = None
    for delay_s, wall_s, reboots, restarts in story:
        monotonic_s += 1 + delay_s
        uptime_ms, seq = uptime_ms + 1000, seq + 1
        now = host(monotonic_s, wall_s)
        if reboots:
            number, uptime_ms, seq = number + 1, 10, 0
            rig.hear_identity(boot(number), -1, now)
        if restarts:
            anchor = rig.anchor
            rig = RigClock(newest=newest)
            rig.hear_identity(boot(number, anchor), seq, now, None if anchor is None else uptime_ms - 1000)
        stamp = rig.stamp(uptime_ms, now, seq)
        assert newest is None or stamp.rig_us > newest.rig_us
        newest = stamp


def test_the_examples_in_the_docstrings() -> None:
    for module in (clock, rig_clock):
        result = doctest.testmod(module)
        assert result.attempted > 0
        assert result.failed == 0
