"""No input at any door ends in a traceback, hangs or grows: what was found once, and some more by chance.

The long form: python -m tests.faults.doors --inputs 100000
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import pytest

from tests.faults.bench import MAIN
from tests.faults.door_list import DOORS
from tests.faults.door_seeds import FINDINGS, RECORDINGS
from tests.faults.doors import of_chance, of_corpus, told
from tests.faults.fuzz import Door, FaultError, Outcome, run, run_command
from tests.faults.mutate import Mutator

if TYPE_CHECKING:
    from pathlib import Path

SEED = 1
FILE_COMMANDS = (
    "analyse INPUT", "report INPUT", "compare INPUT found.json", "compare found.json INPUT", "suspects INPUT.toml",
    "analyse recording.csv --settings INPUT", "analyse recording.csv --tape INPUT", "virtual-rig --scenario INPUT",
    "calibrate --settings empty.toml -c a.pressure --reference gauge --points INPUT -n", "pulse INPUT",
    "suspects found.json --settings INPUT", "soak list --journal INPUT",
    "show --once --journal INPUT", "alarms --journal INPUT",
)  # fmt: skip


@pytest.mark.parametrize("door", DOORS, ids=lambda door: door.name)
def test_what_was_found_once_is_none_again(door: Door) -> None:
    outcome = of_corpus(door)
    assert not outcome.faults, told(outcome, SEED, 0.0)


@pytest.mark.parametrize("door", DOORS, ids=lambda door: door.name)
def test_no_input_ends_in_a_traceback_hangs_or_grows(door: Door) -> None:
    outcome = of_chance(door, door.short, SEED)
    assert not outcome.faults, told(outcome, SEED, 0.0)
    # valid ones are among them, and refused ones: a door that takes all or nothing tests nothing
    assert 0 < outcome.refused < outcome.inputs == door.short


@pytest.mark.long
@pytest.mark.parametrize("door", DOORS, ids=lambda door: door.name)
def test_no_input_does_however_many(door: Door) -> None:
    outcome = of_chance(door, max(int(100_000 * door.share), 1), SEED)
    assert not outcome.faults, told(outcome, SEED, 0.0)


@pytest.mark.parametrize("words", FILE_COMMANDS)
@pytest.mark.parametrize("kind", ["/dev/zero", "pipe", "folder"])
def test_what_is_no_file_is_refused_at_once(kind: str, words: str, tmp_path: Path) -> None:
    outcome = _one(lambda _: run_command(_prepared(words, kind, tmp_path), tmp_path / "said"), tmp_path)
    assert not outcome.faults, outcome.faults
    said = (tmp_path / "said" / "err").read_text()
    assert outcome.refused == 1, said
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize("device", ["/dev/urandom", "/dev/full"])
def test_the_command_itself_refuses_what_is_no_file(device: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", MAIN, "analyse", device],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr == f"cornerhold: {device}: can't be read: is a device, not a file\n"


def _prepared(words: str, kind: str, folder: Path) -> list[str]:
    (folder / "said").mkdir()
    (folder / "recording.csv").write_bytes(RECORDINGS[0])
    (folder / "found.json").write_bytes(FINDINGS[0])
    (folder / "empty.toml").write_bytes(b"")
    for place in (folder / "INPUT", folder / "INPUT.toml"):
        if kind == "pipe":
            os.mkfifo(place)
        elif kind == "folder":
            place.mkdir()
        else:
            place.symlink_to(kind)
    return [str(folder / word) if (folder / word).exists() else word for word in words.split()]


def _one(take: object, folder: Path) -> Outcome:
    door = Door("one", Mutator((b"",)), lambda _: take)  # type: ignore[arg-type, return-value]
    return run(door, [folder.name], lambda _: b"")


# -- the harness can fail ----------------------------------------------------------------------------------------------


def test_a_hang_is_seen_and_the_next_input_is_tried() -> None:
    def take(data: bytes) -> None:
        while data == b"1":
            pass

    door = Door("hang", Mutator((b"",)), lambda _: take)
    outcome = run(door, ["0", "1", "2"], str.encode)
    assert outcome.faults == [("1", "took more than 5 s")]
    assert outcome.inputs == 3


def test_what_waits_for_ever_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.faults.fuzz.LONGEST_WALL_s", 0.2)
    door = Door("wait", Mutator((b"",)), lambda _: lambda _: threading.Event().wait() and None)
    assert run(door, ["0"], str.encode).faults == [("0", "took more than 5 s")]


def test_memory_a_death_a_traceback_and_bad_words_are_seen() -> None:
    def take(data: bytes) -> str | None:
        match data:
            case b"memory":
                bytearray(400 * 2**20)
            case b"death":
                os.abort()
            case b"traceback":
                raise KeyError(data)
            case b"lines":
                return "one\ntwo"
            case b"long":
                return "x" * 2000
        return None

    door = Door("bad", Mutator((b"",)), lambda _: take)
    faults = dict(run(door, ["memory", "death", "good", "traceback", "lines", "long"], str.encode).faults)
    assert list(faults) == ["memory", "death", "traceback", "lines", "long"]
    assert faults["memory"].startswith("MemoryError")
    assert "SIGABRT" in faults["death"]


def test_a_fault_of_the_program_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("analysis.analyse_command.judge", fails)
    with pytest.raises(FaultError, match="a fault of the program"):
        run_command(["analyse", "x.csv"], tmp_path)


def test_the_same_seed_makes_the_same_inputs() -> None:
    first, second = ([of_chance(door, 1, 3).inputs, _made(door)] for door in (DOORS[0], DOORS[0]))
    assert first == second


def _made(door: Door) -> list[bytes]:
    from tests.faults.fuzz import numbered  # noqa: PLC0415  of this test alone

    return [numbered(door, 3, number) for number in range(50)]
