"""The logger as a process on a real pseudo-terminal: killed, unplugged, refused, stopped."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import tty
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from logger_process import COMMAND, LoggerProcess, wait_for
from pty_rig import Faults, PtyRig
from rig_model import CHANNELS, RingRig, true_values

from logger.protocol import MAX_LINE, crc16

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def logged(tmp_path: Path) -> Iterator[LoggerProcess]:
    process = LoggerProcess(tmp_path / "a.journal", "")
    yield process
    process.clean_up()


def everything_is_there_once(logged: LoggerProcess, rig: PtyRig) -> None:
    """All samples of the rig's one boot, in order, with the right values, and no gap."""
    rows = logged.rows("D")
    assert [seq for _, seq, *_ in rows] == list(range(rig.rig.next_seq))
    assert len({boot_id for boot_id, *_ in rows}) == 1
    for _, seq, _, _, body in rows:
        assert seq is not None
        assert tuple(map(int, body.split(","))) == true_values(rig.rig.boot, seq)
    times_us = [rig_us for _, _, rig_us, _, _ in rows]
    assert all(later - earlier == 10_000 for earlier, later in pairwise(times_us))
    assert logged.rows("G") == []


def settle(rig: PtyRig) -> None:
    """No more samples; wait until the host has called the last one safe."""
    with rig.lock:
        rig.measuring = False
        last = rig.rig.next_seq - 1
    wait_for(lambda: rig.acknowledged == last, "the last sample is acknowledged")


@pytest.mark.parametrize(
    "faults",
    [Faults(), Faults(one_byte_at_a_time=True), Faults(corrupt=0.1)],
    ids=["clean", "bytewise", "corrupt"],
)
def test_what_the_rig_says_is_in_the_journal_and_then_acknowledged(
    tmp_path: Path, logged: LoggerProcess, faults: Faults
) -> None:
    with PtyRig(tmp_path, faults=faults) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        wait_for(lambda: rig.acknowledged >= 150, "150 samples")
        settle(rig)
        assert logged.stop(process) == 0
    everything_is_there_once(logged, rig)
    [identity, *_] = logged.rows("I")
    assert json.loads(identity[4])["channels"] == list(CHANNELS)
    assert f"{rig.rig.next_seq} samples stored, 0 missing in 0 gaps" in logged.log
    assert ("line faults: none" in logged.log) == (faults.corrupt == 0)
    assert "Traceback" not in logged.log


def test_a_stop_leaves_nothing_unsaid(tmp_path: Path, logged: LoggerProcess) -> None:
    with PtyRig(tmp_path) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        wait_for(lambda: rig.acknowledged >= 50, "50 samples")
        assert logged.stop(process) == 0
        wait_for(lambda: rig.acknowledged == logged.seqs()[-1], "the last commit is acknowledged")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_can_be_stopped_while_there_is_no_rig(
    tmp_path: Path, logged: LoggerProcess, number: signal.Signals
) -> None:
    logged.port = str(tmp_path / "nowhere")
    process = logged.start()
    assert process.stderr is not None
    assert "there is no such port" in process.stderr.readline()
    process.send_signal(number)
    out, err = process.communicate(timeout=120)
    assert (process.returncode, out, err) == (0, "", "")


def test_a_pulled_plug_loses_nothing_within_the_buffer(tmp_path: Path, logged: LoggerProcess) -> None:
    with PtyRig(tmp_path) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        for _ in range(2):
            before = rig.acknowledged
            wait_for(lambda before=before: rig.acknowledged >= before + 50, "50 samples")
            rig.vanish()
            taken = rig.rig.next_seq
            wait_for(lambda taken=taken: rig.rig.next_seq > taken + 30, "30 samples while unplugged")
            rig.come_back()
        settle(rig)
        assert logged.stop(process) == 0
    everything_is_there_once(logged, rig)
    assert logged.log.count("WARNING") == 2  # one for each outage, whatever the number of tries
    assert logged.log.count("the rig talks again, after ") == 2


def test_a_reboot_of_the_rig_begins_a_new_boot_and_the_time_axis_goes_on(
    tmp_path: Path, logged: LoggerProcess
) -> None:
    with PtyRig(tmp_path) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        wait_for(lambda: rig.acknowledged >= 50, "50 samples")
        with rig.lock:
            rig.rig.reboot(boot=2)
        wait_for(lambda: rig.rig.boot == 2 and rig.acknowledged >= 50, "50 samples of the next boot")
        settle(rig)
        assert logged.stop(process) == 0
    rows = logged.rows("D")
    first_boot = [seq for boot_id, seq, *_ in rows if boot_id == rows[0][0]]
    second_boot = [seq for boot_id, seq, *_ in rows if boot_id != rows[0][0]]
    assert first_boot == list(range(len(first_boot)))
    assert second_boot == list(range(rig.rig.next_seq))
    times_us = [rig_us for _, _, rig_us, _, _ in rows]
    assert times_us == sorted(set(times_us))
    assert times_us[-1] - times_us[0] < 60e6


def test_a_gap_longer_than_the_buffer_is_said(tmp_path: Path, logged: LoggerProcess) -> None:
    with PtyRig(tmp_path, rig=RingRig(depth=20)) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        wait_for(lambda: rig.acknowledged >= 50, "50 samples")
        logged.stop(process)
        taken = rig.rig.next_seq
        wait_for(lambda: rig.rig.next_seq > taken + 100, "100 samples unheard")
        process = logged.start()
        wait_for(lambda: rig.acknowledged > taken + 150, "it goes on")
        settle(rig)
        assert logged.stop(process) == 0
    seqs = logged.seqs()
    # what the rig took before anybody listened is not missing
    missing = set(range(seqs[0], rig.rig.next_seq)) - set(seqs)
    said: set[int] = set()
    for *_, body in logged.rows("G"):
        gap = json.loads(body)
        said |= set(range(gap["first_seq"], gap["last_seq"] + 1))
    assert len(missing) > 50
    assert said - missing <= set(range(seqs[0]))
    assert missing <= said
    assert seqs == sorted(set(seqs))


def test_a_second_logger_at_the_same_port_or_journal_is_refused_in_one_line(
    tmp_path: Path, logged: LoggerProcess
) -> None:
    with PtyRig(tmp_path) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        wait_for(lambda: rig.acknowledged >= 5, "5 samples")
        other = LoggerProcess(tmp_path / "b.journal", logged.port).run()
        assert other.returncode == 1
        assert other.stderr == f"cornerhold: port {rig.path}: another program is using it\n"
        same_journal = logged.run()
        assert same_journal.returncode == 1
        assert same_journal.stderr.count("\n") == 1
        assert "is being written by another process" in same_journal.stderr
        assert logged.stop(process) == 0


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[rig]\nprot = 'auto'\n", "prot"),
        ("[rig]\nperiod_ms = -4\n", "period_ms"),
        ("[rig\n", "s.toml"),
        (None, "s.toml"),
    ],
)
def test_bad_settings_are_one_line_and_nothing_is_written(
    tmp_path: Path, text: str | None, told: str
) -> None:
    settings = tmp_path / "s.toml"
    if text is not None:
        settings.write_text(text)
    refused = LoggerProcess(tmp_path / "a.journal", "auto", settings).run()
    assert refused.returncode == 1
    assert refused.stdout == ""
    assert refused.stderr.count("\n") == 1
    assert told in refused.stderr
    assert not (tmp_path / "a.journal").exists()


def test_a_journal_that_is_none_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "a.journal").write_text("not a journal, but somebody's notes\n" * 50)
    refused = LoggerProcess(tmp_path / "a.journal", str(tmp_path / "no-port")).run()
    assert refused.returncode == 1
    assert refused.stderr.count("\n") == 1
    assert "somebody's notes" in (tmp_path / "a.journal").read_text()


def test_it_waits_for_a_rig_that_is_plugged_in_later_and_finds_it_by_itself(
    tmp_path: Path, logged: LoggerProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CORNERHOLD_PORTS", str(tmp_path / "rig-port"))
    logged.port = "auto"
    logged.settings = tmp_path / "s.toml"
    logged.settings.write_text('[rig]\nname = "bench"\n')
    process = logged.start()
    assert process.stderr is not None
    assert "no rig" in process.stderr.readline()
    with PtyRig(tmp_path) as rig:
        wait_for(lambda: rig.acknowledged >= 20, "20 samples")
        settle(rig)
        assert logged.stop(process) == 0
    everything_is_there_once(logged, rig)


def test_time_lapse_2000_lines_a_second(tmp_path: Path, logged: LoggerProcess) -> None:
    settings = tmp_path / "s.toml"
    settings.write_text('[rig]\nname = "bench"\nclock = "rig"\nbegin = "2027-01-15T18:00:00Z"\n')
    logged.settings = settings
    # the rig's clock runs twenty times as fast as ours
    with PtyRig(tmp_path, rig=RingRig(depth=100_000), period_s=0.0005) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        wait_for(lambda: rig.rig.next_seq >= 4000, "4,000 samples")
        # a logger that can't keep pace with the lines would fall further and further behind
        wait_for(lambda: rig.rig.next_seq - rig.acknowledged < 2000, "less than a second of lines behind")
        settle(rig)
        assert logged.stop(process) == 0
    everything_is_there_once(logged, rig)
    rows = logged.rows("D")
    # 2027-01-15T18:00:00Z is 1800036000 s after 1970 (GNU date); labels run on rig time alone
    assert rows[0][3] == 1_800_036_000_000_000
    assert [utc_us - rig_us for _, _, rig_us, utc_us, _ in rows] == [rows[0][3] - rows[0][2]] * len(rows)


def test_status_says_whether_readings_come_in(tmp_path: Path, logged: LoggerProcess) -> None:
    absent = logged.run("--status")
    assert (absent.returncode, absent.stderr.count("\n")) == (1, 1)
    with PtyRig(tmp_path) as rig:
        logged.port = str(rig.path)
        process = logged.start()
        wait_for(lambda: rig.acknowledged >= 5, "5 samples")
        running = logged.run("--status", "--json")
        assert running.returncode == 0
        assert json.loads(running.stdout)["readings_come_in"] is True
        assert logged.stop(process) == 0


def test_help_has_an_example() -> None:
    shown = subprocess.run([*COMMAND, "--help"], capture_output=True, text=True, timeout=30, check=True)
    assert "cornerhold logger --settings bay-2.toml" in shown.stdout


def test_an_identity_that_outgrows_its_line_is_told_once(logged: LoggerProcess) -> None:
    """Else a rig that sends everything and says who it is would look like one that is not there."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        logged.port = os.ttyname(slave)
        process = logged.start()
        names = "|".join(f"section_number_{n}.pressure" for n in range(10))
        line = f"I,1,bench,1,1000,7,0,41,{names}".encode()
        assert len(line) > MAX_LINE
        for _ in range(3):
            assert os.read(master, 64).startswith(b"?*264C")  # it asks, and asks again
            os.write(master, b"%b*%04X\n" % (line, crc16(line)))
        assert logged.stop(process) == 0
    finally:
        os.close(master)
        os.close(slave)
    assert logged.log.count("identity is longer than the 250 bytes of a line") == 1
    assert logged.seqs() == []
