"""The rehearsal: a virtual rig, the logger and the analysis as their real processes, a cold weekend in time lapse."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from logger.errors import PlainError
from logger.virtual.draws import Uniform

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from logger.virtual.scenario import Scenario

# A child asks the system to be ended with its parent (Linux: PR_SET_PDEATHSIG = 1), so that not even a kill -9 of the
# rehearsal leaves one behind.
_CHILD = (
    "import ctypes, os, signal, sys\n"
    "ctypes.CDLL(None).prctl(1, signal.SIGTERM)\n"
    "parent = int(sys.argv.pop(1))\n"
    "if os.getppid() != parent: sys.exit(1)\n"  # it had gone before it could be asked for
    "from analysis.commands import main\n"
    "main()\n"
)
# in the order in which they are ended: the reader of the rig before the rig
PROCESSES = ("analysis", "logger", "virtual rig")
PLAY_s = 24.0
"""Long enough to watch."""
MOST_SAMPLES_PER_s = 1000.0
"""What logger, analysis and rig do together on two cores, with something to spare."""
_ENDING_s = 15.0
_LOOK_s = 0.2


@dataclass(frozen=True)
class Files:
    """Where a rehearsal keeps what it makes."""

    folder: Path

    @property
    def settings(self) -> Path:
        """Settings of rig and soak."""
        return self.folder / "settings.toml"

    @property
    def port(self) -> Path:
        """Link to the virtual rig's port, as long as there is one."""
        return self.folder / "port"

    @property
    def journal(self) -> Path:
        """What the rig said."""
        return self.folder / "weekend.journal"

    @property
    def findings(self) -> Path:
        """What the live analysis found."""
        return self.folder / "findings.json"

    @property
    def recording(self) -> Path:
        """The same readings as a recording."""
        return self.folder / "weekend.csv"

    @property
    def report(self) -> Path:
        """The sheet for the file."""
        return self.folder / "report.html"

    @property
    def truth(self) -> Path:
        """What the scenario really did; not read before the verdict."""
        return self.folder / "truth.json"

    def log(self, name: str) -> Path:
        """What a process said."""
        return self.folder / f"{name.replace(' ', '-')}.log"

    def all(self) -> Iterator[Path]:
        """Everything that a rehearsal may have written."""
        yield from (self.settings, self.findings, self.recording, self.report, self.truth, self.port)
        yield from (self.folder / f"{self.journal.name}{end}" for end in ("", "-wal", "-shm", ".lock"))
        yield from map(self.log, PROCESSES)


def play_speed(scenario: Scenario, play_s: float = PLAY_s) -> float:
    """Rig seconds per second: the whole soak in `play_s`, if the samples are not too many for that."""
    plan = scenario.plan
    return max(1.0, min(plan.hours * 3600.0 / play_s, MOST_SAMPLES_PER_s * plan.period_s))


def settings_text(scenario: Scenario) -> str:
    """Return the settings that a technician would have written for the scenario's car."""
    plan = scenario.plan
    begin = plan.begin_utc.isoformat().replace("+00:00", "Z")
    lines = [
        "# Written by the rehearsal.",
        "[rig]",
        f"name = {json.dumps(scenario.rig.name)}",
        'clock = "rig"                # time lapse: the dates run on the rig\'s time',
        f"begin = {begin}",
        "",
        "[soak]",
        f'support = "{plan.support}"',
        f'gas = "{plan.gas}"',
        'threshold = "2 %/day"',
        "",
        "[pressure_sensor]",
        f'reference = "{plan.pressure_sensor.reference}"',
        f'full_scale = "{plan.pressure_sensor.full_scale_Pa / 1e5:g} bar"',
        "",
    ]
    datasheet = plan.pressure_sensor.zero_coefficient_per_K
    if isinstance(datasheet, Uniform):
        lines.insert(-1, f'temperature_coefficient = "{100.0 * datasheet.high:g} %/K"')
    if plan.support == "standing":
        for name in plan.sections:
            column_m = (
                plan.standing.front_column_m if name.startswith("front") else plan.standing.rear_column_m
            )
            lines += [f"[sections.{name}]", f'gas_column = "{1000.0 * column_m:.0f} mm"', ""]
    return "\n".join(lines)


@dataclass
class Crew:
    """The child processes; leaving the block ends all that still run."""

    files: Files
    children: dict[str, subprocess.Popen[str]] = field(default_factory=dict)

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """End what still runs; a second Ctrl-C doesn't leave that half done."""
        numbers = (signal.SIGINT, signal.SIGTERM)
        before = {number: signal.signal(number, signal.SIG_IGN) for number in numbers}
        for name in PROCESSES:
            child = self.children.get(name)
            if child is None or child.poll() is not None:
                continue
            child.terminate()
            try:
                child.wait(_ENDING_s)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
        for number, handler in before.items():
            signal.signal(number, handler)

    def start(self, name: str, *arguments: str, pipe: bool = False) -> subprocess.Popen[str]:
        """Start one of our own commands; what it says goes to its log."""
        with self.files.log(name).open("w", encoding="utf-8") as log:
            child = subprocess.Popen(  # noqa: S603  our own program
                # -P: a folder that happens to be called like one of our packages is not imported
                [sys.executable, "-P", "-c", _CHILD, str(os.getpid()), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE if pipe else log,
                stderr=log,
                text=True,
                start_new_session=True,  # Ctrl-C at the terminal is for the rehearsal, which ends them in order
            )
        self.children[name] = child
        return child

    def check(self, *may_have_ended: str) -> None:
        """Raise a PlainError if a process has ended that shouldn't have."""
        for name, child in self.children.items():
            code = child.poll()
            if code is None or (code == 0 and name in may_have_ended):
                continue
            log = self.files.log(name)
            said = log.read_text(encoding="utf-8").strip().splitlines()
            how = (
                f"was killed by {signal.Signals(-code).name}" if code < 0 else f"ended with exit code {code}"
            )
            raise PlainError(f"the {name} {how}: {said[-1] if said else 'it said nothing'} (see {log})")

    def end(self, name: str) -> None:
        """Ask a process to end in order, and see that it did."""
        child = self.children[name]
        child.send_signal(signal.SIGTERM)
        try:
            child.wait(_ENDING_s)
        except subprocess.TimeoutExpired:
            raise PlainError(f"the {name} did not end within {_ENDING_s:.0f} s") from None
        self.check(name, "virtual rig")
        del self.children[name]


@dataclass(frozen=True)
class Outcome:
    """What a rehearsal ended with."""

    findings: dict[str, Any]
    truth: dict[str, Any]
    seconds: float


def rehearse(
    scenario_file: Path | None,
    scenario: Scenario,
    seed: int | None,
    files: Files,
    tell: Callable[[dict[str, Any] | None], None],
    *,
    play_s: float = PLAY_s,
) -> Outcome:
    """Run the whole chain once; `tell` is handed the findings so far, several times a second."""
    begun = time.monotonic()
    with Crew(files) as crew:
        # by a link: a rig that was unplugged comes back as another port
        play = ["virtual-rig", "--truth", str(files.truth), "--link", str(files.port)]
        play += ["--speed", f"{play_speed(scenario, play_s):.6g}"]
        play += ["--scenario", str(scenario_file)] if scenario_file is not None else []
        play += ["--seed", str(seed)] if seed is not None else []
        rig = crew.start("virtual rig", *play, pipe=True)
        _await_port(rig, crew)
        files.settings.write_text(settings_text(scenario), encoding="utf-8")
        common = ("--settings", str(files.settings), "--journal", str(files.journal))
        crew.start("logger", "logger", *common, "--port", str(files.port))
        crew.start("analysis", "analysis", *common, "--look", "--findings", str(files.findings))
        for _ in _while_running(rig):
            crew.check("virtual rig")
            tell(_read(files.findings))
        crew.check("virtual rig")
        _all_acknowledged(files)
        # the logger puts the last second on disk, then the analysis reads to the end
        crew.end("logger")
        crew.end("analysis")
        said = _read(files.findings)
        if said is None:
            raise PlainError("the analysis wrote no findings")
        tell(said)
        _report(files, scenario)
        _export(files)
    return Outcome(said, json.loads(files.truth.read_text(encoding="utf-8")), time.monotonic() - begun)


def _await_port(rig: subprocess.Popen[str], crew: Crew) -> None:
    assert rig.stdout is not None  # noqa: S101  (it was started with a pipe)
    with rig.stdout:  # the port is all that it says there
        said = rig.stdout.readline()
    if not said.startswith("port: "):
        rig.wait(_ENDING_s)
        crew.check()
        raise PlainError("the virtual rig named no port")


def _all_acknowledged(files: Files) -> None:
    """The rig ends well even if its host stopped listening; a rehearsal has failed then."""
    said = files.log("virtual rig").read_text(encoding="utf-8").strip()
    if not said.endswith("all acknowledged"):
        raise PlainError(f"the logger did not take all of the rig's samples: {said or 'it said nothing'}")


def _while_running(child: subprocess.Popen[str]) -> Iterator[None]:
    while child.poll() is None:
        yield
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(_LOOK_s)


def _read(path: Path) -> dict[str, Any] | None:
    """Return the findings so far; the file appears whole or not at all."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    return said if isinstance(said, dict) else None


def _export(files: Files) -> None:
    from analysis.export import export_recording  # noqa: PLC0415
    from logger.journal import Journal  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    with JournalReader(files.journal) as reader:
        export_recording(reader, files.recording)
    # readers were the last to leave, and only a writer folds the write-ahead log back into the one file
    Journal.open(files.journal, files.settings.read_text(encoding="utf-8")).close()
    files.journal.with_name(f"{files.journal.name}.lock").unlink()  # the folder is ours, nobody waits for it


def _report(files: Files, scenario: Scenario) -> None:
    from analysis.report import report_html  # noqa: PLC0415
    from analysis.report_data import of_journal  # noqa: PLC0415
    from logger.clock import utc_text  # noqa: PLC0415

    material = of_journal(files.journal, None, None)
    car = f"made up by the rehearsal (seed {scenario.seed}), no real car"
    text = report_html(material, utc_text(), job="rehearsal", car=car)
    files.report.write_text(text, encoding="utf-8")


def compare(outcome: Outcome) -> tuple[list[str], list[str], list[str]]:
    """Compare the verdicts with what the scenario did: what it did, what was called wrongly, what was left open.

    All three in sentences; the truth is read only here, after the verdicts.
    """
    truth = {s["name"]: s for s in outcome.truth["sections"]}
    did, wrong, left_open = [], [], []
    for section in outcome.findings["sections"]:
        name, verdict = section["name"], section["verdict"]
        real = truth[name]
        loss, onset = real["loss_per_day"], real["cold_onset_degC"]
        if loss > 0.0:
            below = "" if onset is None else f", only below {onset:.0f} °C"
            did.append(f"{name} lost {100 * loss:.1f} %/day{below}")
        called = "leaking" if loss > section["threshold_per_day"] else "tight"
        if verdict == "undecided":
            left_open.append(f"{name} was left undecided and is really {called}")
        elif verdict != called:
            wrong.append(f"{name} was called {verdict} and is really {called}")
    return did, wrong, left_open


def remove(files: Files, *, folder_too: bool) -> None:
    """Take away what an interrupted rehearsal wrote: half a weekend proves nothing."""
    for path in files.all():
        path.unlink(missing_ok=True)
    if folder_too:
        with contextlib.suppress(OSError):  # somebody has put something beside it
            files.folder.rmdir()
