"""The README's evening and morning, run word by word on a simulated soak: what it says comes out, does."""

from __future__ import annotations

import re
import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from typer.testing import CliRunner

from analysis.commands import build_app
from analysis.recording_writer import RecordingWriter
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan

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


def steps() -> list[tuple[str, list[str]]]:
    """The story's commands, each with the lines that it says come out."""
    (block,) = re.findall(r"^```story\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    out: list[tuple[str, list[str]]] = []
    for line in block.splitlines():
        if line.startswith("$ cornerhold "):
            out.append((line.removeprefix("$ cornerhold "), []))
        elif line.strip():
            out[-1][1].append(" ".join(line.split()))
    return out


def test_the_story_in_the_readme_is_true(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    soak(tmp_path / "monday.csv", MONDAY, (Leak("system", 0.15 / 86_400.0),))
    soak(tmp_path / "wednesday.csv", WEDNESDAY, ())
    (settings,) = re.findall(r"^```settings\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    (tmp_path / "shuttle.toml").write_text(settings)
    told = steps()
    assert len(told) >= 5
    for command, lines in told:
        assert lines or " > " in command, f"{command}: the story says nothing of it"
        line, _, target = command.partition(" > ")
        words = shlex.split(line)
        result = CliRunner().invoke(build_app([words[0]]), words)
        assert result.exit_code == 0, f"{command}: {result.output}"
        if target:
            (tmp_path / target).write_text(result.output)
        said = " ".join(result.output.split())
        for expected in lines:
            assert expected in said, f"{command} says {said}"
