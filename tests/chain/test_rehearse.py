"""The main job as a newcomer runs it: real processes, a real pseudo-terminal, and nothing left behind."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from importlib import resources
from pathlib import Path
from typing import NamedTuple

import jsonschema
import pytest

from analysis.live import analyse_journal
from analysis.rehearse import Files, Outcome, _all_acknowledged, compare, rehearse
from logger.errors import PlainError
from logger.journal_reader import JournalReader
from logger.settings import load_settings
from logger.virtual.scenario import load_scenario

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
SCHEMA = Path(__file__).parents[1] / "external" / "data" / "findings.schema.json"


def mine(folder: Path) -> list[int]:
    """Processes whose command line names this folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                line = (entry / "cmdline").read_bytes().decode(errors="replace")
            except OSError:
                continue
            if str(folder) in line and int(entry.name) != os.getpid():
                found.append(int(entry.name))
    return found


class Rehearsed(NamedTuple):
    """A rehearsal that has ended, and the files it left before any test looked at them."""

    done: subprocess.CompletedProcess[str]
    folder: Path
    seconds: float
    left: frozenset[str]


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Rehearsed:
    folder = tmp_path_factory.mktemp("rehearsal") / "weekend"
    begun = time.monotonic()
    done = subprocess.run(
        [*COMMAND, "rehearse", "--keep", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    # a reader of the journal, as other tests are, may leave its write-ahead log beside it
    left = frozenset(path.name for path in folder.iterdir()) if folder.is_dir() else frozenset()
    return Rehearsed(done, folder, time.monotonic() - begun, left)


def test_names_the_right_corner(rehearsed: Rehearsed) -> None:
    done, folder = rehearsed.done, rehearsed.folder
    assert done.returncode == 0, done.stderr + done.stdout
    findings = json.loads((folder / "findings.json").read_text())
    jsonschema.validate(findings, json.loads(SCHEMA.read_text()))
    truth = {s["name"]: s for s in json.loads((folder / "truth.json").read_text())["sections"]}
    for section in findings["sections"]:
        real = truth[section["name"]]
        low, high = section["loss_per_day_interval95"]
        assert section["verdict"] == ("leaking" if real["loss_per_day"] > 0.02 else "tight")
        # one soak of one seed: the interval is wide open here, its truth is for the study
        assert low - 0.005 <= real["loss_per_day"] <= high + 0.005
        assert abs(section["coldest_gas_degC"] - real["coldest_gas_degC"]) < 2.0
        if real["cold_onset_degC"] is not None:
            assert abs(section["cold_onset_degC"] - real["cold_onset_degC"]) < 3.0
    assert "The verdicts are right." in done.stdout
    # the truth comes after the verdict: nobody is told what to see
    said = done.stdout
    assert said.index("rear_left leaks.") < said.index("In truth rear_left lost")


def test_takes_less_than_a_minute(rehearsed: Rehearsed) -> None:
    # what it plans to take; how long it did take says how busy the machine is, and is printed
    print(f"\n{rehearsed.seconds:.0f} s")
    said = re.search(r"about (\d+) s", rehearsed.done.stdout)
    assert said is not None
    assert 10 < int(said[1]) < 50


def test_live_and_replay_say_the_same_bit_for_bit(rehearsed: Rehearsed) -> None:
    folder = rehearsed.folder
    live = json.loads((folder / "findings.json").read_text())
    for portion in (97, 2000, 100_000):
        assert analyse_journal(folder / "weekend.journal", None, portion) == live


def test_recording_gives_what_the_journal_gives(rehearsed: Rehearsed) -> None:
    folder = rehearsed.folder
    done = subprocess.run(
        [*COMMAND, "analyse", "--settings", "settings.toml", "--json", "weekend.csv"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    from_file = json.loads(done.stdout)
    live = json.loads((folder / "findings.json").read_text())
    for here, there in zip(from_file["sections"], live["sections"], strict=True):
        assert here["verdict"] == there["verdict"]
        # the recording is rounded to a tenth of a pascal and a millikelvin
        assert here["loss_per_day"] == pytest.approx(there["loss_per_day"], abs=3e-4)


def test_leaves_no_process(rehearsed: Rehearsed) -> None:
    assert mine(rehearsed.folder) == []


def test_leaves_whole_files_and_no_more(rehearsed: Rehearsed) -> None:
    done, folder = rehearsed.done, rehearsed.folder
    logs = {"analysis.log", "logger.log", "virtual-rig.log"}
    told = {"report.html", "weekend.journal", "weekend.csv", "findings.json", "settings.toml"}
    assert rehearsed.left == logs | told | {"truth.json"}
    assert told <= set(done.stdout.split())
    # the settings are the ones that the journal was logged under, also after the last writer has closed it
    with JournalReader(folder / "weekend.journal") as reader:
        assert [one.text for one in reader.configurations()] == [(folder / "settings.toml").read_text()]


def cornerhold(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *words], cwd=cwd, capture_output=True, text=True, check=False, timeout=120
    )


def test_the_report_tells_the_verdicts_and_before_and_after(rehearsed: Rehearsed, tmp_path: Path) -> None:
    text = (rehearsed.folder / "report.html").read_text()
    assert text.count('class="verdict leaking"') >= 2
    assert "no real car" in text
    shutil.copy(rehearsed.folder / "weekend.journal", tmp_path / "bay.journal")
    for name, begin, end in (("first", "16T00", "16T20"), ("second", "17T00", "18T00")):
        for words in (
            ("begin", name, "--job", "1042", "--at", f"2027-01-{begin}:00:00Z"),
            ("end", "--at", f"2027-01-{end}:00:00Z"),
        ):
            done = cornerhold("soak", *words, "--journal", "bay.journal", cwd=tmp_path)
            assert done.returncode == 0, done.stderr
    done = cornerhold("report", "second", "--journal", "bay.journal", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (0, "second.report.html: report written\n")
    text = (tmp_path / "second.report.html").read_text()
    assert "Before and after" in text
    assert "1042" in text
    done = cornerhold("report", "third", "--journal", "bay.journal", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr == "cornerhold: bay.journal: there is no soak 'third' (there: 'first', 'second')\n"
    done = cornerhold("report", "gone.csv", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert sorted(path.name for path in tmp_path.glob("*.html")) == ["second.report.html"]


def play(folder: Path, scenario: str) -> Outcome:
    """Rehearse a scenario in this process's name, in a few seconds."""
    file = folder / "scenario.toml"
    file.write_text(scenario)
    (folder / "kept").mkdir()
    return rehearse(file, load_scenario(file), None, Files(folder / "kept"), lambda _said: None, play_s=4.0)


def test_a_plug_that_is_pulled_is_no_trouble(tmp_path: Path) -> None:
    weekend = (resources.files("logger.virtual") / "scenarios" / "cold_weekend.toml").read_text()
    outcome = play(tmp_path, weekend + '[[faults]]\nkind = "vanish"\nat = "20 h"\nlasts = "4 h"\n')
    assert outcome.findings["hours"] == 62.0
    assert compare(outcome)[1:] == ([], [])
    # nothing was lost: no hole from 14:00 to 18:00, so nobody was blind then; the rig's own silences are elsewhere
    raised = [
        alarm["raised"]
        for section in outcome.findings["sections"]
        for alarm in section["alarms"]
        if alarm["kind"] == "blind"
    ]
    assert [at for at in raised if "2027-01-16T13:55:00Z" < at < "2027-01-16T18:30:00Z"] == []


def test_a_standing_car_with_another_transducer(tmp_path: Path) -> None:
    outcome = play(
        tmp_path,
        """
seed = 5
[soak]
support = "standing"
gas = "dry air"
length = "62 h"
[pressure_sensor]
reference = "absolute"
full_scale = "20 bar"
[sensors]
heights = true
[[leaks]]
section = "front_right"
loss = "20 %/day"
""",
    )
    settings = load_settings(tmp_path / "kept" / "settings.toml")
    assert settings.soak.gas == "dry air"
    assert settings.pressure_sensor.reference == "absolute"
    assert settings.pressure_sensor.full_scale_Pa == 2e6
    assert settings.section("front_right").gas_column_m == 0.25
    verdicts = {s["name"]: s["verdict"] for s in outcome.findings["sections"]}
    assert verdicts["front_right"] == "leaking"
    assert compare(outcome)[1] == []


def test_a_rig_whose_samples_nobody_took_is_a_failure(tmp_path: Path) -> None:
    files = Files(tmp_path)
    files.log("virtual rig").write_text("3721 samples, the last 17 never acknowledged\n")
    with pytest.raises(PlainError, match="the last 17 never acknowledged"):
        _all_acknowledged(files)


def test_no_verdict_passes_for_another() -> None:
    def outcome(verdict: str, loss: float) -> Outcome:
        section = {"name": "x", "verdict": verdict, "threshold_per_day": 0.02}
        truth = {"name": "x", "loss_per_day": loss, "cold_onset_degC": None}
        return Outcome({"sections": [section]}, {"sections": [truth]}, 1.0)

    for verdict, loss, wrong, left_open in (
        ("leaking", 0.1, False, False),
        ("tight", 0.1, True, False),
        ("leaking", 0.01, True, False),
        ("tight", 0.0, False, False),
        ("undecided", 0.1, False, True),
        ("undecided", 0.0, False, True),
    ):
        assert [bool(said) for said in compare(outcome(verdict, loss))[1:]] == [wrong, left_open]


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_interrupted_leaves_nothing_running(tmp_path: Path, how: signal.Signals) -> None:
    folder = tmp_path / "cut-short"
    run = subprocess.Popen(
        [*COMMAND, "rehearse", "--keep", str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 120.0
    while not (folder / "findings.json").exists():
        assert time.monotonic() < deadline
        assert run.poll() is None
        time.sleep(0.05)  # a file has no event to wait for
    assert len(mine(folder)) >= 3
    run.send_signal(how)
    _, said = run.communicate(timeout=120)
    assert "Traceback" not in said
    while mine(folder):
        assert time.monotonic() < deadline + 30.0
        time.sleep(0.05)
    if how != signal.SIGKILL:
        assert run.returncode == 128 + how
        assert not folder.exists()
    else:
        # nobody is left to tidy up, but what is there is whole
        assert not list(folder.glob(".*.part"))
        assert not (folder / "port").is_symlink()
        json.loads((folder / "findings.json").read_text())


def test_refuses_a_folder_that_is_not_empty(tmp_path: Path) -> None:
    (tmp_path / "something").touch()
    done = subprocess.run(
        [*COMMAND, "rehearse", "--keep", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 1
    assert "not empty" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize("which", ["logger", "analysis"])
def test_a_process_that_dies_is_named_in_a_line(tmp_path: Path, which: str) -> None:
    folder = tmp_path / "short"
    run = subprocess.Popen(
        [*COMMAND, "rehearse", "--keep", str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 120.0
    while not (folder / "findings.json").exists():
        assert time.monotonic() < deadline
        assert run.poll() is None
        time.sleep(0.05)  # a file has no event to wait for
    for number in mine(folder):
        words = Path(f"/proc/{number}/cmdline").read_bytes().decode().split("\0")
        if words[0] == sys.executable and which in words and "rehearse" not in words:
            os.kill(number, signal.SIGKILL)
    _, said = run.communicate(timeout=120)
    assert run.returncode == 1
    (line,) = said.strip().splitlines()
    assert line.startswith(f"cornerhold: the {which} was killed by SIGKILL: ")
    assert mine(folder) == []
    # what it said last is kept for whoever looks into it
    assert (folder / f"{which}.log").exists()
