"""The reconnect state machine: waits, and what is said how loudly."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.link_state import (
    FIRST_WAIT_S,
    GOOD_SESSION_S,
    LONGEST_WAIT_S,
    Link,
    LinkError,
    LinkState,
)
from logger.notice import Notice, Tone, duration_text


def fail_to_open(link: Link, now_s: float) -> Notice:
    link.opening()
    return link.failed(now_s, "no such port")


def open_and_talk(link: Link, now_s: float) -> Notice | None:
    link.opening()
    link.opened(now_s)
    return link.heard(now_s)


def test_waits_double_up_to_a_cap() -> None:
    link = Link()
    waits = []
    for n in range(10):
        fail_to_open(link, float(n))
        waits.append(link.wait_s)
    assert waits[:3] == pytest.approx([FIRST_WAIT_S, 2 * FIRST_WAIT_S, 4 * FIRST_WAIT_S])
    assert waits[-1] == LONGEST_WAIT_S


def test_only_a_good_session_brings_the_short_wait_back() -> None:
    link = Link()
    for n in range(10):
        fail_to_open(link, float(n))
    open_and_talk(link, 20.0)
    link.failed(20.0 + 0.5 * GOOD_SESSION_S, "unplugged")
    assert link.wait_s == LONGEST_WAIT_S
    open_and_talk(link, 40.0)
    link.failed(40.0 + GOOD_SESSION_S, "unplugged")
    assert link.wait_s == FIRST_WAIT_S


def test_a_port_that_opens_but_stays_silent_is_no_good_session() -> None:
    link = Link()
    for n in range(10):
        link.opening()
        link.opened(100.0 * n)
        link.failed(100.0 * n + 2 * GOOD_SESSION_S, "silent")
    assert link.wait_s == LONGEST_WAIT_S


def test_the_first_failure_of_an_outage_is_a_warning_repeats_are_not_and_recovery_says_how_long() -> None:
    link = Link()
    assert open_and_talk(link, 0.0) == Notice(Tone.INFO, "the rig talks")
    assert link.heard(1.0) is None
    assert link.failed(100.0, "unplugged") == Notice(Tone.WARNING, "no rig: unplugged")
    for n in range(5):
        assert fail_to_open(link, 101.0 + n).tone is Tone.DEBUG
    assert open_and_talk(link, 135.0) == Notice(Tone.INFO, "the rig talks again, after 35 s")
    assert link.failed(200.0, "unplugged").tone is Tone.WARNING
    assert link.outages == 2


def test_silence_is_measured_from_the_last_valid_line_or_the_opening() -> None:
    link = Link()
    link.opening()
    link.opened(10.0)
    assert link.silent_s(12.0) == pytest.approx(2.0)
    link.heard(13.0)
    link.heard(14.0)
    assert link.silent_s(15.5) == pytest.approx(1.5)


def test_events_out_of_order_are_the_programs_fault() -> None:
    link = Link()
    with pytest.raises(LinkError):
        link.opened(0.0)
    with pytest.raises(LinkError):
        link.heard(0.0)
    with pytest.raises(LinkError):
        link.failed(0.0, "x")
    link.stopped()
    with pytest.raises(LinkError):
        link.opening()


@pytest.mark.parametrize("tenths", range(1, 300, 7))
def test_a_short_outage_is_over_within_five_seconds(tenths: int) -> None:
    link, ends_s, now_s = Link(), 100.0 + tenths / 10, 100.0
    open_and_talk(link, 0.0)
    link.failed(now_s, "unplugged")
    while (now_s := now_s + link.wait_s) < ends_s:
        fail_to_open(link, now_s)
    # asking an unknown port takes up to two seconds more
    assert now_s - ends_s <= 3.0


@given(st.lists(st.tuples(st.sampled_from(["fail", "silent", "talk"]), st.floats(0.0, 100.0)), max_size=40))
def test_the_wait_never_leaves_its_bounds(story: list[tuple[str, float]]) -> None:
    link, now_s = Link(), 0.0
    for kind, seconds in story:
        link.opening()
        if kind != "fail":
            link.opened(now_s)
            if kind == "talk":
                link.heard(now_s)
        now_s += seconds
        link.failed(now_s, "x")
        assert link.state is LinkState.WAITING
        assert FIRST_WAIT_S <= link.wait_s <= LONGEST_WAIT_S


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.44, "0.4 s"),
        (9.96, "10 s"),
        (35.2, "35 s"),
        (119.4, "119 s"),
        (720.0, "12 min"),
        (11100.0, "3 h 05 min"),
    ],
)
def test_durations_read_well(seconds: float, text: str) -> None:
    assert duration_text(seconds) == text
