"""The virtual rig on a real pseudo-terminal, spoken to through pyserial as any host would."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Self

import pytest
import serial

from logger.framing import LineSplitter
from logger.protocol import (
    Acknowledge,
    HostCommand,
    Identify,
    Identity,
    LineFault,
    Resend,
    RigEvent,
    Sample,
    SetPeriod,
    decode_rig,
    encode,
)
from logger.virtual.faults import Fault
from logger.virtual.plan import SoakPlan
from logger.virtual.pty_rig import PtyRig
from logger.virtual.scenario import RigOptions, Scenario

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()", "virtual-rig"]
PATIENCE_S = 120.0


class Host:
    """Reads lines and sends commands; acknowledges only when told to."""

    def __init__(self, port: str) -> None:
        self.port = serial.Serial(port, 115200, timeout=0.02, exclusive=True)
        self._splitter = LineSplitter()
        self.samples: list[Sample] = []
        self.identities: list[Identity] = []
        self.events: list[RigEvent] = []
        self.faults = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.port.close()

    def say(self, command: HostCommand) -> None:
        self.port.write(encode(command))

    def read(self) -> None:
        for line in self._splitter.feed(self.port.read(max(1, self.port.in_waiting))):
            try:
                record = decode_rig(line)
            except LineFault:
                self.faults += 1
                continue
            if isinstance(record, Sample):
                self.samples.append(record)
            elif isinstance(record, Identity):
                self.identities.append(record)
            else:
                self.events.append(record)

    def until(self, condition: Callable[[], bool], what: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not condition():
            assert time.monotonic() < end, f"waited in vain: {what}"
            self.read()

    def seqs(self) -> list[int]:
        return [sample.seq for sample in self.samples]

    def acknowledge(self) -> None:
        last = self.samples[-1]
        self.say(Acknowledge(last.boot, last.seq))


def scenario(*faults: Fault, hours: float = 4.0, **rig: object) -> Scenario:
    plan = SoakPlan(hours=hours)
    plan = replace(plan, sensors=replace(plan.sensors, dropouts_per_day=0.0))
    options: dict[str, object] = {"speed": 60_000.0, "wait_for_host": True, **rig}
    return Scenario(plan, 1, RigOptions(**options), faults)  # type: ignore[arg-type]


def wait(condition: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end, f"waited in vain: {what}"
        time.sleep(0.005)


def plugged_in_again(rig: PtyRig) -> Host:
    """The host on the port that the rig has come back with; until it is gone, the old one may still be told."""
    found: list[Host] = []

    def opens() -> bool:
        with contextlib.suppress(OSError, serial.SerialException):
            found.append(Host(str(rig.path)))
        return bool(found)

    wait(opens, "a port that opens")
    return found[0]


def test_the_whole_soak_comes_through_and_the_rig_ends_by_itself() -> None:
    story = scenario()
    with PtyRig(story) as rig:
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(Identify())
            host.until(lambda: len(host.samples) == 241, "all samples")
            host.acknowledge()
            assert rig.join(PATIENCE_S)
    assert host.seqs() == list(range(241))
    assert host.identities[-1].channels == rig.channels
    assert rig.acknowledged
    table = story.table()
    for row in (0, 100, 240):
        assert host.samples[row].values == tuple(int(count) for count in table.counts[row])
        assert host.samples[row].uptime_ms == row * 60_000


def test_samples_are_sent_again_until_acknowledged_and_not_after() -> None:
    with PtyRig(scenario()) as rig:
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(Identify())
            host.until(lambda: len(host.samples) >= 100, "100 samples")
            boot = host.samples[0].boot
            host.say(Acknowledge(boot, 49))
            host.samples.clear()
            host.say(Resend(boot, 0))
            host.until(lambda: 50 in host.seqs() and host.seqs()[-1] == 240, "resend")
            again = host.seqs()[host.seqs().index(50) :]
            assert again == list(range(50, 241))
            assert 49 not in host.seqs()


def test_a_host_that_does_not_read_loses_nothing_while_the_ring_lasts() -> None:
    # 241 lines of some 60 bytes are more than a pseudo-terminal holds (4 KiB): the rest must wait in the ring
    with PtyRig(scenario(wait_for_host=False)) as rig:
        wait(lambda: rig.taken == 241, "the rig goes on although nobody reads")
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(Identify())
            host.until(lambda: bool(host.identities), "identity")
            identity = host.identities[-1]
            assert (identity.first_seq, identity.last_seq) == (0, 240)
            host.samples.clear()
            host.say(Resend(identity.boot, 0))
            host.until(lambda: host.seqs()[-241:] == list(range(241)), "all of them")


def test_a_ring_too_small_loses_the_oldest_and_nothing_else() -> None:
    with PtyRig(scenario(wait_for_host=False, depth=50, speed=1e6), linger_s=PATIENCE_S) as rig:
        wait(lambda: rig.taken == 241, "the rig goes on although nobody acknowledges")
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(Identify())
            host.until(lambda: any(i.last_seq == 240 for i in host.identities), "identity")
            assert host.identities[-1].first_seq == 191
            host.say(Resend(host.identities[-1].boot, 0))
            host.until(lambda: host.seqs()[-50:] == list(range(191, 241)), "what is left")
            # the event that says so went by before the port was open; events are not repeated
            assert rig.wire.buffer.overwritten == 191


def test_a_pulled_plug_comes_back_under_the_same_link_with_nothing_lost(tmp_path: Path) -> None:
    link = tmp_path / "rig"
    with PtyRig(scenario(hours=12.0), link=link) as rig:
        seen: set[int] = set()
        with Host(str(link)) as host:
            host.say(Identify())
            host.until(lambda: len(host.samples) > 50, "samples")
            boot = host.samples[0].boot
            seen |= set(host.seqs())
            rig.vanish()
            # the three families of an unplug, as pyserial shows them
            with pytest.raises((OSError, serial.SerialException)):
                host.until(lambda: False, "the unplug")
            seen |= set(host.seqs())
        wait(lambda: not link.exists(), "no link")
        rig.appear()
        assert rig.wait_present()
        with Host(str(link)) as host:
            host.say(Identify())
            host.until(lambda: bool(host.identities), "identity")
            assert host.identities[-1].boot == boot
            host.say(Resend(boot, max(seen) + 1))
            host.until(lambda: bool(host.samples) and host.seqs()[-1] == 720, "the rest")
            assert set(range(721)) <= seen | set(host.seqs())


def test_a_reboot_is_another_boot_from_zero() -> None:
    with PtyRig(scenario(Fault("reboot", 7200.0))) as rig:
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(Identify())
            host.until(lambda: len({s.boot for s in host.samples}) == 2, "a second boot")
            host.until(lambda: host.samples[-1].seq == 120, "the end")
            assert [e.code for e in host.events] == ["watchdog"]
            second = [s for s in host.samples if s.boot != host.samples[0].boot]
            assert [s.seq for s in second] == list(range(121))
            assert second[1].uptime_ms == 60_000
            assert host.identities[-1].boot == second[0].boot


def test_faults_of_the_line_begin_and_end() -> None:
    faults = (
        Fault("silence", 3600.0, 3600.0),
        Fault("corrupt", 9000.0, 3600.0, share=0.5),
        Fault("vanish", 18_000.0, 60.0),
        Fault("brownout", 14_000.0),
    )
    with PtyRig(scenario(*faults, hours=10.0)) as rig:
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(Identify())
            with pytest.raises((OSError, serial.SerialException)):
                host.until(lambda: False, "the unplug")
        assert host.faults > 5
        assert "brownout" in {event.code for event in host.events}
        # of 60 corrupted minutes about half get through; the silent hour comes late, out of the ring
        assert 200 < len(host.samples) <= 301 - host.faults
        assert set(range(61)) <= set(host.seqs())
        with plugged_in_again(rig) as host:
            host.say(Identify())
            host.until(lambda: bool(host.identities), "identity")
            host.say(Resend(host.identities[-1].boot, 0))
            host.until(lambda: host.seqs()[-601:] == list(range(601)), "everything again")


def test_period_and_wrapping_uptime() -> None:
    with PtyRig(scenario(hours=2.0, uptime_ms=2**32 - 90_000, speed=6000.0)) as rig:
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(SetPeriod(30_000))
            host.until(lambda: len(host.samples) == 241, "twice as many")
            ups = [sample.uptime_ms for sample in host.samples]
            steps = {(b - a) % 2**32 for a, b in pairwise(ups)}
            assert steps <= {60_000, 30_000}
            assert ups[0] > 2**32 - 100_000
            assert ups[-1] < 7_200_000
            assert host.identities[-1].period_ms == 30_000


def test_time_lapse_waits_for_a_slow_host() -> None:
    # depth 60, a host that acknowledges now and then: rig time waits, nothing is overwritten
    with PtyRig(scenario(depth=60, speed=1e6)) as rig:
        assert rig.path is not None
        with Host(rig.path) as host:
            host.say(Identify())
            while len(set(host.seqs())) < 241:
                seen = len(host.samples)
                host.until(lambda seen=seen: len(host.samples) > seen, "more")  # type: ignore[misc]
                host.acknowledge()
            assert host.seqs() == list(range(241))
            assert rig.wire.buffer.overwritten == 0


def test_real_time_keeps_its_pace() -> None:
    plan = SoakPlan(hours=0.01, period_s=0.05)
    with PtyRig(Scenario(plan), lines=21) as rig:
        assert rig.path is not None
        with Host(rig.path) as host:
            begin = time.monotonic()
            host.until(lambda: 20 in host.seqs(), "21 samples")
            # 20 periods of 50 ms; a first few samples may have gone by before the port was open
            assert time.monotonic() - begin > 0.5


# ---------------------------------------------------------------- the command


def start(*arguments: str) -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [*COMMAND, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line.startswith("port: "), line
    return process, line.removeprefix("port: ").strip()


def test_command_prints_its_port_and_ends_after_so_many_lines(tmp_path: Path) -> None:
    link, truth = tmp_path / "rig", tmp_path / "truth.json"
    process, port = start("--lines", "30", "--link", str(link), "--speed", "1e6", "--truth", str(truth))
    assert os.path.realpath(link) == port
    with Host(str(link)) as host:
        host.say(Identify())
        host.until(lambda: len(host.samples) == 30, "30 samples")
        host.acknowledge()
        out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, out, err) == (0, "", "30 samples, all acknowledged\n")
    assert '"rear_left"' in truth.read_text(encoding="utf-8")
    assert not link.is_symlink()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_command_ends_in_order_when_stopped(number: signal.Signals) -> None:
    process, _ = start("--speed", "1")
    process.send_signal(number)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert "Traceback" not in err


def test_command_refuses_in_one_line(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("[soak]\nlength = '62 parsec'\n", encoding="utf-8")
    taken = tmp_path / "taken"
    taken.write_text("mine", encoding="utf-8")
    for arguments, words in (
        (["--scenario", str(bad)], "soak.length: unknown unit 'parsec'"),
        (["--scenario", str(tmp_path / "none.toml")], "can't be read"),
        (["--link", str(taken)], "is no link"),
    ):
        done = subprocess.run(
            [*COMMAND, *arguments], capture_output=True, text=True, timeout=120, check=False
        )
        assert done.returncode == 1
        assert done.stdout == ""
        assert words in done.stderr
        assert done.stderr.count("\n") == 1
    assert taken.read_text(encoding="utf-8") == "mine"
