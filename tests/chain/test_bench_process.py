"""`bench` as a process, on the reference firmware: a table, JSON, and errors in a line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tty
from typing import TYPE_CHECKING

from micropython_rig import MicroPythonRig

from logger.detect import ask

if TYPE_CHECKING:
    from pathlib import Path

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()", "bench"]


def run(*options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*COMMAND, *options], capture_output=True, text=True, timeout=120, check=False)


def test_json_and_table_and_nothing_is_acknowledged(tmp_path: Path) -> None:
    with MicroPythonRig(tmp_path, "\nPERIOD_MS = 100\n") as rig:
        told = run("--port", rig.path, "--seconds", "2", "--json")
        shown = run("--port", rig.path, "--seconds", "1")
        identity = ask(rig.path).identity
    assert (identity.first_seq, identity.last_seq > 20) == (0, True)
    picture = json.loads(told.stdout)
    channels = {channel["channel"]: channel for channel in picture["channels"]}
    assert picture["cornerhold"] == "bench/1"
    assert picture["samples"] >= 5
    assert channels["front_left.pressure"]["raw"] == 18233
    assert channels["ambient.pressure"]["value"] == 100653.0  # BMP280 datasheet, worked example
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "front_left.pressure" in shown.stdout
    assert picture["missing"] == 0


def test_a_port_without_a_rig_is_one_line() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        done = run("--port", os.ttyname(slave), "--seconds", "1")
    finally:
        os.close(master)
        os.close(slave)
    assert (done.returncode, done.stdout) == (1, "")
    [line] = done.stderr.splitlines()
    assert "no rig answers" in line
