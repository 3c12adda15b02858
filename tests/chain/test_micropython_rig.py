"""The reference firmware under the real MicroPython, logged by the real daemon."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from logger_process import LoggerProcess, wait_for
from micropython_rig import FACTS, WATCHDOG_BIT, MicroPythonRig

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

QUICK = "\nPERIOD_MS = 40\nLEAST_PERIOD_MS = 5\n"


@pytest.fixture
def logged(tmp_path: Path) -> Iterator[LoggerProcess]:
    process = LoggerProcess(tmp_path / "a.journal", "")
    yield process
    process.clean_up()


def once_and_in_order(logged: LoggerProcess, up_to: int) -> None:
    seqs = logged.seqs()
    assert seqs == list(range(len(seqs)))
    assert len(seqs) > up_to
    assert logged.rows("G") == []


def events(logged: LoggerProcess) -> list[str]:
    """What the rig has told; on a computer that has other things to do it may rightly call itself late."""
    codes = [json.loads(row[4])["code"] for row in logged.rows("E")]
    return [code for code in codes if code != "late"]


def test_what_it_measures_is_in_the_journal(tmp_path: Path, logged: LoggerProcess) -> None:
    with MicroPythonRig(tmp_path, QUICK) as rig:
        logged.port = rig.path
        process = logged.start()
        wait_for(lambda: len(logged.seqs()) > 50, "50 samples")
        assert logged.stop(process) == 0
    once_and_in_order(logged, 50)
    [identity, *_] = logged.rows("I")
    channels = json.loads(identity[4])["channels"]
    bodies = [dict(zip(channels, row[4].split(","), strict=True)) for row in logged.rows("D")]
    assert {body["front_left.pressure"] for body in bodies} == {str(FACTS["converter"]["72"][0])}
    assert {body["rear_right.pressure"] for body in bodies} == {str(FACTS["converter"]["72"][3])}
    assert {body["rig.supply_voltage"] for body in bodies} == {str(FACTS["converter"]["73"][0])}
    # BMP280 datasheet, worked example: 100653.25 Pa
    assert {body["ambient.pressure"] for body in bodies} == {"100653"}
    # DS18B20 datasheet, 0191 = 25.0625 °C; empty while it is still measuring
    assert {body["ambient.temperature"] for body in bodies} == {"", "401"}
    assert events(logged) == ["reset"]


def test_a_daemon_that_comes_back_goes_on_where_it_was(tmp_path: Path, logged: LoggerProcess) -> None:
    with MicroPythonRig(tmp_path, QUICK) as rig:
        logged.port = rig.path
        first = logged.start()
        wait_for(lambda: len(logged.seqs()) > 40, "40 samples")
        first.kill()
        first.communicate()
        stored = len(logged.seqs())
        second = logged.start()
        wait_for(lambda: len(logged.seqs()) > stored + 30, "30 more samples")
        assert logged.stop(second) == 0
    once_and_in_order(logged, stored + 30)
    assert len(logged.rows("I")) >= 2


def test_a_hung_bus_ends_by_the_watchdog_and_is_told(tmp_path: Path, logged: LoggerProcess) -> None:
    with MicroPythonRig(tmp_path, QUICK + "WATCHDOG_MS = 300\n") as rig:
        logged.port = rig.path
        process = logged.start()
        wait_for(lambda: len(logged.seqs()) > 20, "20 samples")
        rig.facts(hang=True)
        assert rig.wait() == WATCHDOG_BIT
        rig.facts(hang=False, reset_cause=3)
        rig.start()
        wait_for(lambda: "watchdog" in events(logged), "the event")
        wait_for(lambda: len({row[0] for row in logged.rows("D")}) == 2, "samples of another boot")
        assert logged.stop(process) == 0


def test_what_does_not_answer_is_empty_and_told_once(tmp_path: Path, logged: LoggerProcess) -> None:
    with MicroPythonRig(tmp_path, QUICK) as rig:
        logged.port = rig.path
        process = logged.start()
        wait_for(lambda: len(logged.seqs()) > 20, "20 samples")
        rig.facts(
            absent=[0x76],
            thermometer=None,
            converter={"72": [32767, -32768, 17002, 16800], "73": [23000, 0, 0, 0]},
        )
        wait_for(lambda: logged.rows("D")[-1][4] == "+,-,17002,16800,,,23000", "the marks")
        wait_for(lambda: len(events(logged)) == 4, "the reset, two that don't answer, the brownout")
        rig.facts(**FACTS)
        wait_for(lambda: logged.rows("D")[-1][4].startswith("18233,"), "the counts again")
        before = len(logged.seqs())
        # the thermometer is read once in 20 samples, so it need not be in the last one
        wait_for(
            lambda: any(",401,100653," in row[4] for row in logged.rows("D")[before:]),
            "thermometer and barometer",
        )
        assert logged.stop(process) == 0
    # barometer and thermometer, each once, the supply once
    assert sorted(events(logged)) == ["brownout", "converter", "converter", "reset"]
    once_and_in_order(logged, 20)
