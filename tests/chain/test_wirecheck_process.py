"""wire-check as a person runs it: on the reference firmware in MicroPython, on the virtual rig, on nothing."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from micropython_rig import FACTS, MicroPythonRig

from logger.detect import ask
from logger.virtual.plan import SoakPlan
from logger.virtual.pty_rig import PtyRig
from logger.virtual.scenario import RigOptions, Scenario
from logger.wirecheck.points import TITLES

if TYPE_CHECKING:
    from pathlib import Path

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()", "wire-check"]


def test_the_reference_firmware_obeys_in_every_point(tmp_path: Path) -> None:
    """Restarted and driven over its range when the command asks for it: nothing is left untried."""
    with MicroPythonRig(tmp_path, "\nPERIOD_MS = 100\nLEAST_PERIOD_MS = 50\nDEPTH = 60\n") as rig:
        options = ["--depth", "60", "--listen", "4", "--marks", "20", "--reboot", "20", "--json"]
        command = subprocess.Popen(
            [*COMMAND, "--port", rig.path, *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            for line in command.stderr:
                if line.startswith("drive an input"):
                    rig.facts(converter={"72": [32767, 17940, 17002, 16800], "73": FACTS["converter"]["73"]})
                if line.startswith("restart the rig"):
                    rig.kill()
                    rig.start()
            out = command.stdout.read()
            code = command.wait(60)
        finally:
            command.kill()
            command.wait()
            command.stdout.close()
            command.stderr.close()
    report = json.loads(out)
    assert {
        point["point"]: point["evidence"] for point in report["points"] if point["verdict"] != "obeys"
    } == {}
    assert [point["point"] for point in report["points"]] == list(TITLES)
    assert (report["obeys"], report["firmware"], code) == (True, "ref-1", 0)


def test_a_firmware_with_another_crc_is_told_which(tmp_path: Path) -> None:
    broken = "\nPERIOD_MS = 100\nimport rig_line\nrig_line.crc16 = __import__('broken_crc').crc16\n"
    (tmp_path / "broken_crc.py").write_text(
        "def crc16(data):\n"
        "    value = 0\n"
        "    for byte in data:\n"
        "        value ^= byte << 8\n"
        "        for _ in range(8):\n"
        "            value = ((value << 1) ^ (0x1021 if value & 0x8000 else 0)) & 0xFFFF\n"
        "    return value\n"
    )
    with MicroPythonRig(tmp_path, broken) as rig:
        done = subprocess.run(
            [*COMMAND, "--port", rig.path], capture_output=True, text=True, timeout=120, check=False
        )
    assert done.returncode == 1
    assert "initial value 0 (it has to be FFFF)" in " ".join(done.stdout.split())
    assert "does not obey protocol 1 (identity, check)" in done.stdout
    assert "Traceback" not in done.stderr


@pytest.fixture
def virtual_rig() -> PtyRig:
    plan = SoakPlan(sections=("fl", "fr"), hours=1.0, period_s=0.25)
    return PtyRig(Scenario(plan=plan, rig=RigOptions(name="v", speed=1.0, wait_for_host=False)))


def test_only_listening_to_the_virtual_rig_leaves_its_buffer_alone(virtual_rig: PtyRig) -> None:
    with virtual_rig as rig:
        done = subprocess.run(
            [*COMMAND, "--port", rig.path, "--only-listen", "--listen", "1"],
            capture_output=True,
            text=True,
            timeout=200,
            check=False,
        )
        held = len(rig.wire.buffer)
    assert (done.returncode, held > 0) == (0, True)
    assert "obeys protocol 1 as far as it was tried" in done.stdout


@pytest.mark.long
def test_the_virtual_rig_obeys() -> None:
    plan = SoakPlan(sections=("fl", "fr"), hours=1.0, period_s=0.5)
    rig = RigOptions(name="v", speed=1.0, wait_for_host=False, depth=100)
    with PtyRig(Scenario(plan=plan, rig=rig)) as running:
        done = subprocess.run(
            [*COMMAND, "--port", running.path, "--depth", "100", "--json"],
            capture_output=True,
            text=True,
            timeout=200,
            check=False,
        )
    report = json.loads(done.stdout)
    untried = {point["point"] for point in report["points"] if point["verdict"] != "obeys"}
    assert (done.returncode, untried) == (0, {"marks", "reboot"})


def test_no_port_is_one_line(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "--port", str(tmp_path / "none")], capture_output=True, text=True, timeout=120, check=False
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.splitlines() == [f"cornerhold: port {tmp_path / 'none'}: there is no such port"]


def test_ctrl_c_gives_the_rig_its_period_back(tmp_path: Path) -> None:
    with MicroPythonRig(tmp_path, "\nPERIOD_MS = 100\nLEAST_PERIOD_MS = 50\n") as rig:
        command = subprocess.Popen(
            [*COMMAND, "--port", rig.path, "--listen", "1"],
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            for line in command.stderr:
                if line.startswith("acknowledging"):
                    command.send_signal(signal.SIGINT)
            assert command.wait(30) == 130
        finally:
            command.kill()
            command.wait()
            command.stdout.close()
            command.stderr.close()
        after = ask(rig.path).identity
    assert after.period_ms == 100
    assert after.last_seq - after.first_seq < 10
