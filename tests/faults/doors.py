"""Give every door inputs that nobody meant, and see that none ends in a traceback, hangs or grows.

Example: python -m tests.faults.doors --inputs 100000 --only settings recording
One input again: python -m tests.faults.doors --only settings --seed 3 --again 4711
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tests.faults.door_list import DOORS
from tests.faults.fuzz import Door, Outcome, numbered, run

if TYPE_CHECKING:
    from collections.abc import Sequence

CORPUS = Path(__file__).with_name("corpus")


def corpus(door: Door) -> dict[str, bytes]:
    """What was found at a door, by file name: each was a fault once, and must be none again."""
    return {path.name: from_file(path) for path in sorted((CORPUS / door.name).glob("*"))}


def from_file(path: Path) -> bytes:
    """The input in a file of the corpus; `.pieces` is JSON, pairs of a text and how often it stands there."""
    if path.suffix != ".pieces":
        return path.read_bytes()
    return b"".join(
        text.encode("utf-8", "surrogateescape") * times for text, times in json.loads(path.read_text("utf-8"))
    )


def of_corpus(door: Door) -> Outcome:
    """Give a door all that was found there."""
    found = corpus(door)
    return run(door, list(found), found.__getitem__)


def of_chance(door: Door, inputs: int, seed: int, first: int = 0, until_s: float = float("inf")) -> Outcome:
    """Give a door so many inputs by chance."""
    names = [str(number) for number in range(first, first + inputs)]
    return run(door, names, lambda name: numbered(door, seed, int(name)), until_s=until_s)


def told(outcome: Outcome, seed: int, took_s: float) -> str:
    """A door's outcome in a line, with a line for each kind of fault."""
    first = (
        f"{outcome.door}: {outcome.inputs:,} inputs in {took_s:.0f} s, {outcome.refused:,} refused in a line, slowest "
        f"{outcome.slowest_s:.2f} s of CPU time, grown by {outcome.grown_MB:.0f} MB, {len(outcome.faults)} FAULTS"
    )
    shown: dict[str, tuple[str, int]] = {}
    for name, what in outcome.faults:
        kind = what[:60]
        shown[kind] = (f"{name}: {what}", shown.get(kind, ("", 0))[1] + 1)
    lines = [
        first,
        *(f"  {times} times, as with input {text} (seed {seed})" for text, times in shown.values()),
    ]
    return "\n".join(lines)


def again(doors: Sequence[Door], seed: int, name: str) -> int:
    """Show one input and what becomes of it."""
    failed = 0
    for door in doors:
        data = numbered(door, seed, int(name)) if name.isdigit() else corpus(door)[name]
        print(f"{door.name} {name}, {len(data)} bytes: {data[:3000]!r}")
        outcome = run(door, [name], lambda _, data=data: data)
        print(outcome.faults[0][1] if outcome.faults else "no fault")
        failed += len(outcome.faults)
    return failed


def main() -> int:
    """Run what was asked for; exit 1 if there was a fault."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults.doors",
        description=__doc__,
        formatter_class=argparse.RawTextHelpFormatter,
    )
    names = [door.name for door in DOORS]
    parser.add_argument(
        "--only", nargs="+", choices=names, default=names, metavar="DOOR", help=", ".join(names)
    )
    parser.add_argument(
        "--inputs", type=int, help="so many for each door (slow doors take their share); else the short form"
    )
    parser.add_argument("--seed", type=int, default=1, help="the same seed, the same inputs")
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="end a door after so long")
    parser.add_argument(
        "--again",
        metavar="NUMBER|FILE",
        help="one input, by its number or its file in the corpus: show it and try it",
    )
    options = parser.parse_args()
    doors = [door for door in DOORS if door.name in options.only]
    if options.again is not None:
        return 1 if again(doors, options.seed, options.again) else 0
    print(f"seed {options.seed}", flush=True)
    faults = 0
    for door in doors:
        begun_s = time.monotonic()
        found = of_corpus(door)
        inputs = door.short if options.inputs is None else max(int(options.inputs * door.share), 1)
        found.add(of_chance(door, inputs, options.seed, options.first, begun_s + options.seconds))
        print(told(found, options.seed, time.monotonic() - begun_s), flush=True)
        faults += len(found.faults)
    return 1 if faults else 0


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    sys.exit(main())
