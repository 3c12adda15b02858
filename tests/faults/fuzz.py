"""Runs inputs in a child process that may hang, die or grow: what became of each, and which one it was."""

from __future__ import annotations

import contextlib
import json
import mmap
import os
import random
import resource
import shutil
import signal
import struct
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.faults.mutate import Mutator

LONGEST_s = 5.0
"""Of CPU time, for one input: this machine may have other things to do."""
LONGEST_WALL_s = 120.0
"""For what waits and takes no CPU time: a pipe that nobody writes to."""
OPENING_s = 600.0
_OPENING = -1
MOST_MEMORY = 300 * 2**20
LONGEST_LINE = 1000
"""Letters of a refusal, beside the file's name: a person reads it."""
_STEP = struct.Struct("qd")

Try = Callable[[bytes], str | None]
"""Takes one input; returns how it was refused, in one line, or None if it was taken. Raised is PlainError, or a fault."""


@dataclass(frozen=True)
class Door:
    """A way in: how its inputs are made, and what takes one."""

    name: str
    mutator: Mutator
    opened: Callable[[Path], Try]
    """Called once in the child, with a folder of its own."""
    short: int = 150
    """So many inputs in the short form."""
    share: float = 1.0
    """What the long form does of the number it was given, for a door at which an input takes long."""


@dataclass
class Outcome:
    """What became of a door's inputs."""

    door: str
    inputs: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    grown_MB: float = 0.0
    faults: list[tuple[str, str]] = field(default_factory=list)
    """Which input (its number or its file in the corpus), and what it did."""
    kinds: Counter[str] = field(default_factory=Counter)

    def add(self, other: Outcome) -> None:
        """Take in what another run of the same door has shown."""
        self.inputs += other.inputs
        self.refused += other.refused
        self.slowest_s = max(self.slowest_s, other.slowest_s)
        self.grown_MB = max(self.grown_MB, other.grown_MB)
        self.faults += other.faults


class FaultError(Exception):
    """An input did what none may do."""


def numbered(door: Door, seed: int, number: int) -> bytes:
    """The input of this number."""
    return door.mutator.make(random.Random(f"{seed}/{door.name}/{number}"))


def run(
    door: Door,
    names: Sequence[str],
    make: Callable[[str], bytes],
    *,
    stop_after: int = 50,
    until_s: float = float("inf"),
) -> Outcome:
    """Give a door the inputs of these names; ends early after so many faults, or at a moment of the monotonic clock."""
    outcome = Outcome(door.name)
    at = 0
    while at < len(names) and len(outcome.faults) < stop_after and time.monotonic() < until_s:
        at = _child_run(door, names, make, at, outcome, stop_after, until_s)
    return outcome


def _child_run(
    door: Door,
    names: Sequence[str],
    make: Callable[[str], bytes],
    at: int,
    outcome: Outcome,
    stop_after: int,
    until_s: float,
) -> int:
    """Fork a child for the inputs from `at` on, watch it; return where the next one begins."""
    with (
        contextlib.closing(mmap.mmap(-1, _STEP.size)) as step,
        tempfile.TemporaryDirectory(prefix=f"door-{door.name}-", ignore_cleanup_errors=True) as folder,
    ):
        step[:] = _STEP.pack(_OPENING, 0.0)
        said = Path(folder) / "said"
        pid = os.fork()
        if pid == 0:
            _child(door, names, make, at, Path(folder), step, said, stop_after - len(outcome.faults), until_s)
        try:
            hung = _watch(pid, step)
        except BaseException:
            # interrupted: what was started must not stay behind
            os.killpg(pid, signal.SIGKILL)
            raise
        _, status = os.waitpid(pid, 0)
        lines = said.read_text().splitlines() if said.exists() else []
        done = False
        for line in lines:
            one = json.loads(line)
            if "fault" in one:
                outcome.faults.append((one["name"], one["fault"]))
            if "inputs" in one:
                done = True
                outcome.add(
                    Outcome(door.name, one["inputs"], one["refused"], one["slowest_s"], one["grown_MB"])
                )
        if done:
            return len(names)
        now, _ = _STEP.unpack(step[:])
        if now == _OPENING:
            raise RuntimeError(f"the door {door.name} could not be opened")
        ended = "took more than 5 s" if hung else f"ended the process ({_how(status)})"
        outcome.faults.append((names[now], ended))
        outcome.inputs += now + 1 - at
        return int(now) + 1


def _watch(pid: int, step: mmap.mmap) -> bool:
    """Wait for the child; kill it if one input takes too long, and say so."""
    seen, since, begun_s = _OPENING, time.monotonic(), 0.0
    while os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        now, cpu_s = _STEP.unpack(step[:])
        if now != seen:
            seen, since, begun_s = now, time.monotonic(), cpu_s
        took_s, longest_s = time.monotonic() - since, OPENING_s if now == _OPENING else LONGEST_WALL_s
        if took_s > longest_s or (now != _OPENING and _family_cpu_s(pid) - begun_s > LONGEST_s):
            os.killpg(pid, signal.SIGKILL)
            return True
        time.sleep(0.02)
    return False


def _cpu_s(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return sum(int(x) for x in fields[11:15]) / os.sysconf(
        "SC_CLK_TCK"
    )  # its own, and of children that have ended


def _family_cpu_s(pid: int) -> float:
    children = Path(f"/proc/{pid}/task/{pid}/children")
    try:
        return _cpu_s(pid) + sum(_cpu_s(int(child)) for child in children.read_text().split())
    except OSError:
        return _cpu_s(pid)


def _how(status: int) -> str:
    code = os.waitstatus_to_exitcode(status)
    return signal.Signals(-code).name if code < 0 else f"exit {code}"


def _child(
    door: Door, names: Sequence[str], make: Callable[[str], bytes], at: int, folder: Path, step: mmap.mmap,
    said: Path, stop_after: int, until_s: float,
) -> NoReturn:  # fmt: skip
    os.setpgid(0, 0)
    code = 1
    try:
        work = folder / "work"
        work.mkdir()
        os.chdir(work)
        trying = door.opened(work)
        size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (size + MOST_MEMORY, resource.RLIM_INFINITY))
        before_kB = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        inputs = refused = faults = 0
        slowest_s = 0.0
        with said.open("a") as file:
            for now in range(at, len(names)):
                if faults >= stop_after or time.monotonic() > until_s:
                    break
                data = make(names[now])
                begun_s = time.process_time()
                step[:] = _STEP.pack(now, _cpu_s(os.getpid()))
                fault, no = tried(trying, data)
                inputs += 1
                refused += no
                slowest_s = max(slowest_s, time.process_time() - begun_s)
                if fault is not None:
                    faults += 1
                    file.write(json.dumps({"name": names[now], "fault": fault}) + "\n")
                    file.flush()
            own, of_children = (
                resource.getrusage(of).ru_maxrss for of in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
            )
            grown = max(own - before_kB, of_children - before_kB, 0) / 1024.0
            summary = {"inputs": inputs, "refused": refused, "slowest_s": slowest_s, "grown_MB": grown}
            file.write(json.dumps(summary) + "\n")
        code = 0
    except BaseException:  # noqa: BLE001  whatever it was, the parent's own code must not run twice
        traceback.print_exc()
    finally:
        os._exit(code)


def tried(trying: Try, data: bytes) -> tuple[str | None, bool]:
    """What an input did that it may not do, or None; and whether it was refused."""
    with warnings.catch_warnings():
        # at a terminal it would stand above the answer
        warnings.simplefilter("error")
        try:
            said = trying(data)
        except PlainError as error:
            said = str(error)
        except FaultError as error:
            return str(error), False
        except BaseException as error:  # noqa: BLE001  a traceback, which is what is looked for
            where = [
                f
                for f in traceback.extract_tb(error.__traceback__)
                if "/analysis/" in f.filename or "/logger/" in f.filename
            ]
            place = f" ({Path(where[-1].filename).name}:{where[-1].lineno})" if where else ""
            return f"{type(error).__name__}: {str(error)[:160]}{place}", False
    if said is None:
        return None, False
    return unplain(said), True


def unplain(said: str) -> str | None:
    """What is wrong with a refusal, if anything: it must be one line that a person can read."""
    if not said.strip():
        return "was refused without a word"
    if len(said) > LONGEST_LINE:
        return f"a refusal of {len(said)} letters: {said[:80]}…"
    if not all(letter.isprintable() for letter in said):
        return f"a refusal with line ends or control letters: {said[:160]!r}"
    return None


def _call(words: Sequence[str], out: Path, err: Path) -> NoReturn:
    """The child's part: call the command line with its output in files, and end."""
    code = 70
    try:
        for number, path in ((1, out), (2, err)):
            os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        # under pytest they are something else
        sys.stdout, sys.stderr = (os.fdopen(number, "w", closefd=False) for number in (1, 2))
        warnings.simplefilter("default")
        from analysis.commands import main  # noqa: PLC0415  the child's own

        main(list(words))
        code = 0
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else 0 if error.code is None else 1
    except BaseException:  # noqa: BLE001  the parent looks at it
        traceback.print_exc()
    finally:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        os._exit(code)


def run_command(words: Sequence[str], folder: Path) -> str | None:
    """Call the command line in a process of its own, as a person does; return the line on stderr of a refusal.

    Forked, not started: what was imported need not be imported again. Exit 0 and 1 are right, with one line for 1.
    """
    out, err = folder / "out", folder / "err"
    pid = os.fork()
    if pid == 0:
        _call(words, out, err)
    _, status = os.waitpid(pid, 0)
    code = os.waitstatus_to_exitcode(status)
    lines = err.read_text("utf-8", "replace").splitlines()
    if "Traceback" in "\n".join(lines):
        raise FaultError(f"{words[0]}: a traceback: {lines[-1][:200]}")
    if any("a fault of the program" in line for line in lines):
        raise FaultError(f"{words[0]}: {lines[-1][:240]}")
    if code == 0 and lines:
        raise FaultError(f"{words[0]}: exit 0 with words on stderr: {lines[-1][:200]}")
    if code not in {0, 1}:
        raise FaultError(f"{words[0]}: exit {code}: {' '.join(lines)[:200]}")
    if code == 1 and len(lines) != 1:
        raise FaultError(f"{words[0]}: {len(lines)} lines for a refusal: {' / '.join(lines)[:200]}")
    return lines[0] if code else None


def spent(folder: Path) -> None:
    """Empty a folder."""
    for path in folder.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()
