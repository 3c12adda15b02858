"""The README's evening and morning, run word by word on a simulated soak: what it says comes out, does."""

from __future__ import annotations

import re
import shlex
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from typer.testing import CliRunner

from analysis.commands import build_app
from analysis.recording_writer import RecordingWriter
from logger import status
from logger.clock import Stamp, us_from_utc
from logger.journal import Entry, Journal, sample_body
from logger.virtual.counts import values_of
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan
from logger.virtual.scenario import Scenario

if TYPE_CHECKING:
    import pytest

README = (Path(__file__).parents[2] / "README.md").read_text()
SECTIONS = ("left_strut", "right_strut", "system")
MONDAY, WEDNESDAY = datetime(2027, 1, 11, 18, tzinfo=UTC), datetime(2027, 1, 13, 18, tzinfo=UTC)
SEED = 11


def soak(path: Path, begin: datetime, leaks: tuple[Leak, ...]) -> None:
    """A night of 14 h, a reading a minute; both nights have the same (invented) weather."""
    plan = SoakPlan(hours=14.0, sections=SECTIONS, leaks=leaks, begin_utc=begin)
    simulated = simulate(plan, SEED)
    names = tuple(simulated.measured)
    utc_us = (simulated.time_s * 1e6).astype("int64") + int(begin.timestamp() * 1e6)
    with path.open("w", encoding="utf-8") as file:
        RecordingWriter(file, names).write(
            utc_us, names, np.stack([simulated.measured[n] for n in names], axis=1)
        )


VAN = """[rig]
clock = "rig"
[soak]
support = "standing"
[sections.front_left]
gas_column = "250 mm"
[sections.front_right]
gas_column = "250 mm"
"""
FRONT = ("front_left", "front_right")
WEEKENDS = ((datetime(2027, 1, 15, 18, tzinfo=UTC), (Leak("front_left", 0.08 / 86_400.0),), 21),
            (datetime(2027, 1, 22, 18, tzinfo=UTC), (), 22))  # fmt: skip
"""Begin, leaks, seed: the first one with the left line, which leaks."""


def van(path: Path) -> dict[str, float]:
    """Two weekends on its wheels, a reading every five minutes, no height sensors; return the true heights, mm."""
    true: dict[str, float] = {}
    first_us = us_from_utc(WEEKENDS[0][0])
    for boot, (begin, leaks, seed) in enumerate(WEEKENDS, 1):
        plan = SoakPlan(support="standing", hours=62.0, period_s=300.0, leaks=leaks, begin_utc=begin)
        table = Scenario(plan, seed).table()
        fitted = {*(f"{name}.pressure" for name in FRONT), "ambient.temperature", "ambient.pressure"}
        places = [k for k, name in enumerate(table.channels) if name in fitted]
        start_us = us_from_utc(begin)
        with Journal.open(path, VAN) as journal:
            channels = tuple(table.channels[k] for k in places)
            record = journal.note_boot(
                boot=boot, rig="van", firmware="v1", period_ms=300_000, channels=channels, resumed=False
            )
            journal.anchor_boot(record.id, Stamp(start_us - first_us, start_us))
            bodies = [sample_body([values_of(row)[k] for k in places]) for row in table.counts]
            times_us = [start_us + n * 300_000_000 for n in range(len(bodies))]
            journal.append(
                [
                    Entry(0, "D", record.id, n, at_us - first_us, at_us, body)
                    for n, (at_us, body) in enumerate(zip(times_us, bodies, strict=True))
                ]
            )
        heights_m = simulate(plan, seed).truth.height_m
        assert heights_m is not None
        for sample in (1, -2):  # five minutes after the begin, five before the end
            at = f"{begin + timedelta(seconds=300.0 * (sample % len(heights_m))):%Y-%m-%dT%H:%MZ}"
            true |= {f"{name} {at}": 1e3 * float(heights_m[sample, i]) for i, name in enumerate(FRONT)}
    return true


def steps() -> list[tuple[str, list[str]]]:
    """The story's commands, each with the lines that it says come out."""
    blocks = re.findall(r"^```story\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    out: list[tuple[str, list[str]]] = []
    for line in "".join(blocks).splitlines():
        if line.startswith("$ cornerhold "):
            out.append((line.removeprefix("$ cornerhold "), []))
        elif line.strip():
            out[-1][1].append(" ".join(line.split()))
    return out


def words_of(command: str) -> list[str]:
    """A command line without its file to write."""
    return shlex.split(command.partition(" > ")[0])


def test_the_story_in_the_readme_is_true(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    soak(tmp_path / "monday.csv", MONDAY, (Leak("system", 0.15 / 86_400.0),))
    soak(tmp_path / "wednesday.csv", WEDNESDAY, ())
    true_mm, read = van(tmp_path / "van.journal"), status.read_status
    # the newest reading is of next year: nobody need wait for a fresher one
    monkeypatch.setattr(status, "read_status", lambda path, **_: read(path, patience_s=0.0))
    (settings,) = re.findall(r"^```settings\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    (tmp_path / "shuttle.toml").write_text(settings)
    told = steps()
    assert len(told) >= 5
    for command, lines in told:
        quiet = " > " in command or words_of(command)[:1] in (["soak"], ["tape"])
        assert lines or quiet, f"{command}: the story says nothing of it"
        words, target = words_of(command), command.partition(" > ")[2]
        if words[:2] == ["tape", "add"]:
            at = words[words.index("--at") + 1]
            typed = dict(word.split("=") for word in words if word.startswith(FRONT))
            # what the technician reads is within a millimetre or so of the simulated truth
            for name, height in typed.items():
                assert abs(float(height.removesuffix(" mm")) - true_mm[f"{name} {at}"]) < 1.5
        result = CliRunner().invoke(build_app([words[0]]), words)
        assert result.exit_code == 0, f"{command}: {result.output}"
        if target:
            (tmp_path / target).write_text(result.output)
        said = " ".join(result.output.split())
        for expected in lines:
            assert expected in said, f"{command} says {said}"
