"""wire-check passes rigs that obey and catches each broken one for what is broken in it."""

from __future__ import annotations

import doctest
import importlib
import json
from dataclasses import replace

import pytest
from broken_rigs import Gullible, LongNames, RigLink, SlowRig, SoundRig, rigs

from logger.protocol import MAX_LINE, Identity, encode
from logger.wirecheck import identity, timing
from logger.wirecheck.checker import Checker, Options
from logger.wirecheck.points import TITLES, Report, Verdict
from logger.wirecheck.session import LostError

ALL = Options(depth=150, patience_s=30, reboot_s=10, marks_s=5)


def checked(rig: SoundRig, options: Options = ALL, *, helping: bool = True) -> Report:
    """Check a rig in simulated time; `helping`: somebody does what a person is told to do."""
    link = RigLink(rig, options.baud)

    def tell(text: str) -> None:
        if helping and text.startswith("restart the rig"):
            link.after(2000, lambda rig: rig.restart())
        elif helping and text.startswith("drive an input"):
            link.after(1000, lambda rig: rig.drive_over())

    return Checker(link, "sim", options, tell).run()


@pytest.mark.parametrize("kind", rigs(), ids=lambda kind: kind.__name__)
def test_each_is_found_for_what_is_broken_in_it(kind: type[SoundRig]) -> None:
    report = checked(kind())
    faults = report.of(Verdict.FAULT)
    assert {point.key for point in faults} == kind.FAULTS, [(point.key, point.evidence) for point in faults]
    assert any(kind.SAYS in point.evidence for point in faults) or not faults
    assert report.obeys == (not kind.FAULTS)


def test_of_a_rig_that_obeys_everything_is_tried() -> None:
    report = checked(SoundRig())
    assert [point.key for point in report.points] == list(TITLES)
    assert {point.verdict for point in report.points} == {Verdict.OBEYS}
    assert report.sentence == "obeys protocol 1"


@pytest.mark.parametrize("baud", [9600, 38400, 921600])
def test_a_rig_that_obeys_does_so_at_any_speed_of_the_line(baud: int) -> None:
    report = checked(SoundRig(period_ms=1000), replace(ALL, baud=baud, patience_s=120))
    assert [(p.key, p.evidence) for p in report.points if p.verdict is not Verdict.OBEYS] == []


def test_what_nobody_helps_with_is_not_tried_and_said_so() -> None:
    report = checked(SoundRig(), Options(patience_s=1), helping=False)
    assert {point.key for point in report.of(Verdict.NOT_TRIED)} == {"marks", "reboot", "depth"}
    assert report.obeys
    assert report.sentence == "obeys protocol 1 as far as it was tried; not tried: marks, depth, reboot"


def test_only_listening_changes_nothing_at_the_rig() -> None:
    rig = Gullible()
    report = checked(rig, Options(only_listen=True))
    assert rig.buffer.first_seq == 0
    assert rig.period_ms == 200
    assert report.obeys
    # what it would do wrong when spoken to can't be known
    assert {"acknowledge", "strangers", "junk", "resume"} <= {p.key for p in report.of(Verdict.NOT_TRIED)}


def test_it_leaves_the_rig_with_its_own_period_and_an_empty_buffer() -> None:
    rig = SoundRig()
    checked(rig, Options(patience_s=1))
    assert rig.period_ms == 200
    assert len(rig.buffer) < 3


def test_a_slow_rig_is_made_faster_for_the_check() -> None:
    rig = SoundRig(period_ms=60_000)
    report = checked(rig, replace(ALL, listen_s=5))
    others = {point.key: point.evidence for point in report.points if point.verdict is not Verdict.OBEYS}
    assert others == {"clock": "too few samples"}
    assert rig.period_ms == 60_000


def test_a_slow_rig_that_stays_slow_is_told_why_so_little_was_tried() -> None:
    report = checked(SlowRig(period_ms=60_000), replace(ALL, listen_s=5))
    assert report.of(Verdict.FAULT) == []
    untried = {point.key: point.evidence for point in report.of(Verdict.NOT_TRIED)}
    assert "its period stays at 60 s" in untried["resume"]
    assert "its period stays at 60 s" in untried["depth"]


def test_a_rig_that_restarts_when_its_port_is_opened_is_told_so() -> None:
    rig = SoundRig()
    link = RigLink(rig)
    link.after(500, lambda rig: rig.restart())
    report = Checker(link, "sim", Options(patience_s=1), lambda _: None).run()
    assert {point.key for point in report.of(Verdict.FAULT)} == {"port"}


class ClogsUp(RigLink):
    """Takes no more bytes once they come in a flood."""

    def send(self, data: bytes) -> None:
        if data.count(b"?") > 3:
            raise LostError("the rig takes no more bytes")
        super().send(data)


def test_a_rig_that_takes_no_more_bytes_is_a_fault_of_what_was_tried() -> None:
    report = Checker(ClogsUp(SoundRig()), "sim", Options(patience_s=1), lambda _: None).run()
    assert {point.key: point.evidence for point in report.of(Verdict.FAULT)} == {
        "flood": "the rig takes no more bytes"
    }


def test_the_report_is_json_with_every_point() -> None:
    report = checked(LongNames())
    told = json.loads(json.dumps(report.as_dict()))
    assert told["cornerhold"] == "wire-check/1"
    assert told["obeys"] is False
    assert [point["point"] for point in told["points"]] == list(TITLES)
    assert {point["verdict"] for point in told["points"]} <= {verdict.value for verdict in Verdict}


def test_the_room_is_counted_to_the_byte() -> None:
    who = identity.largest(Identity(1, "r", "f", 1000, 1, 0, -1, ("a.pressure",)))
    spare = MAX_LINE - len(encode(who).rstrip(b"\n"))
    for more, verdict in ((0, Verdict.OBEYS), (1, Verdict.FAULT)):
        name = "a" * (1 + spare + more) + ".pressure"
        assert identity.judge_room(Identity(1, "r", "f", 1, 1, 0, -1, (name,))).verdict is verdict


def test_names_that_the_host_has_no_use_for_are_a_note() -> None:
    who = Identity(1, "r", "f", 1000, 1, 0, -1, ("fl.pressure", "fl.humidity"))
    point = identity.judge_names(who)
    assert (point.verdict, "fl.humidity" in point.evidence) == (Verdict.NOTE, True)
    no_pressure = Identity(1, "r", "f", 1000, 1, 0, -1, ("ambient.pressure",))
    assert identity.judge_names(no_pressure).verdict is Verdict.NOTE


def test_timing_goes_through_the_wrap_of_the_uptime() -> None:
    rig = SoundRig()
    rig.uptime_ms = 2**32 - 1000
    samples = []
    for _ in range(20):
        rig.take((1, 2, 3, 4), 100)
        samples.append(rig.buffer.get(rig.buffer.last_seq))
    found = timing.measure(samples, 100)
    # by construction: every 100 ms, without exception
    assert (found.step_ms, found.worst_ms, found.backwards) == (100.0, 0.0, 0)


@pytest.mark.parametrize(
    "module", ["wirecheck.lines", "wirecheck.points", "wirecheck.dialogue", "protocol", "bench.window"]
)
def test_the_examples_in_the_code(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"logger.{module}"))
    assert (result.failed, result.attempted > 0) == (0, True)
