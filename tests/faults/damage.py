"""Files that rot: cut off, or with bits turned over. Each is refused in one line with a way forward, or does no harm.

Harmless is what leaves every word that is read the same: free space, the rest of a page. `lost` is what is missing
without a word, `wrong` what is read otherwise than it was written, or ends in a traceback.
"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

from analysis.alarm_store import AlarmStore, Seen, alarms_path, read_alarms
from analysis.database import DatabaseError
from analysis.register import Register, read_soaks, soaks_path
from analysis.soak_model import Soak, plan_text
from logger.cursor_file import CursorFile
from logger.journal import Entry, Journal, JournalError
from logger.journal_reader import JournalReader
from logger.readings_mirror import cursor_path
from logger.settings import SoakSettings
from tests.faults.kills import CHANNELS
from tests.faults.truth import Tally

if TYPE_CHECKING:
    import random
    from pathlib import Path

    from tests.faults.bench import Bench, Row

SAMPLES = 2000
CURSOR = 1234
ADVICE = "put back a copy, or move it away"


def damaged(bench: Bench) -> Row:
    """Journal, register, alarms and cursor by turns; cut off, or one to three bits turned over."""
    sound = bench.folder / "sound"
    sound.mkdir()
    journal = sound / "bay.journal"
    _make(journal)
    uses = {
        journal.name: _use_journal,
        soaks_path(journal).name: read_soaks,
        alarms_path(journal).name: _use_alarms,
        cursor_path(journal).name: _use_cursor,
    }
    right = {name: use(journal) for name, use in uses.items()}
    tally, refused, harmless = Tally(bench.times), 0, 0
    names = list(uses)
    for n in range(bench.times):
        name = names[n % len(names)]
        trial = bench.folder / f"trial-{n}"
        shutil.copytree(sound, trial)
        _spoil(trial / name, bench.rng, cut=n // len(names) % 3 == 2)
        try:
            found = uses[name](trial / journal.name)
        except (JournalError, DatabaseError) as error:
            refused += 1
            # another program's, a newer version's: said so, and left alone
            plain = ADVICE in str(error) or "newer version" in str(error) or "start the logger" in str(error)
            tally.wrong += not plain or "\n" in str(error)
        except Exception as error:  # noqa: BLE001  a traceback at a person's terminal
            tally.wrong += 1
            print(f"{name}, trial {n}: {type(error).__name__}: {error}")
        else:
            if found == right[name] or found == _BEGUN_AGAIN:
                harmless += 1
            else:
                missing = _is_part(found, right[name])
                tally.lost += missing
                tally.wrong += not missing
                print(f"{name}, trial {n}: {'missing' if missing else 'other'} than written, and not refused")
        shutil.rmtree(trial)
        bench.progress()
    return bench.row(
        "files: cut off, or bits turned over",
        tally,
        f"{refused} refused with a way forward, {harmless} read as written (or a cursor begun again)",
    )


_BEGUN_AGAIN = 0


def _make(journal: Path) -> None:
    with Journal.open(journal, '[rig]\nname = "bay"\n') as opened:
        for number in (7, 8):
            boot = opened.note_boot(
                boot=number, rig="bay", firmware="1.4", period_ms=1000, channels=CHANNELS, resumed=False
            )
            opened.append(
                [
                    Entry(
                        0, "D", boot.id, n, number * 10**10 + n * 10**6, n, f"{12_000 + n},{11_900 - n},160,"
                    )
                    for n in range(SAMPLES // 2)
                ]
            )
    with Register.open(journal) as register:
        register.begin(Soak(0, "job-1", "1", "blue", after_entry=10, plan=plan_text(SoakSettings(), {})))
        register.end(900, "2027-01-16T08:00:00Z")
        register.begin(Soak(0, "job-2", "1", "blue", after_entry=950, plan=plan_text(SoakSettings(), {})))
        register.acknowledge(["1a2b-1"], "Mara")
    with AlarmStore.open(journal, rig="bay", publishing=True) as store:
        seen = [
            Seen(name, "floor", n * 10**6, None, "2027-01-16T02:10:00Z", None) for n, name in enumerate("abc")
        ]
        store.reconcile(1, seen, lambda one: (f"{one.section} is low.", {"loss_per_day": 0.1}), complete=True)
        store.write_letter("bay: floor a", "a is low.")
    CursorFile(cursor_path(journal)).save(CURSOR)


def _use_journal(path: Path) -> list[Any]:
    """As the daemon and the analysis do, all of it."""
    with JournalReader(path, whole=True) as reader:
        found: list[Any] = [reader.boots(), reader.configurations()]
        while entries := reader.read(500):
            found += entries
    with Journal.open(path, '[rig]\nname = "bay"\n') as journal:
        last = [journal.last_seq(boot.id) for boot in journal.boots()]
        found += [journal.boots(), journal.newest_stamp(), last]
    return found


def _use_alarms(path: Path) -> list[Any]:
    found: list[Any] = list(read_alarms(path))
    with AlarmStore.open(path, rig="bay", publishing=True) as store:
        found += [*store.alarms(), *store.outbox(), *store.letters(), store.fact("book")]
    return found


def _use_cursor(path: Path) -> int:
    return CursorFile(cursor_path(path)).load(SAMPLES + 100)


def _is_part(found: object, right: object) -> bool:
    return isinstance(found, list) and isinstance(right, list) and all(one in right for one in found)


def _spoil(path: Path, rng: random.Random, *, cut: bool) -> None:
    data = bytearray(path.read_bytes())
    if cut:
        path.write_bytes(data[: rng.choice((0, rng.randrange(len(data)), len(data) // 4096 // 2 * 4096))])
        return
    for _ in range(rng.randrange(1, 4)):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)
