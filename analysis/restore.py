"""Putting a backup in place of a journal, or where there is none: whole or not at all, and nothing is thrown away.

All is copied beside the journal and checked there first. Then a note is written, and from there on a restore that was
broken off can only be finished: nobody else opens the journal while the note is there. What stood there is moved into a
folder of its own before anything new gets its name, so that no log of the old journal meets the new one.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from analysis.alarm_store import alarms_path, read_alarms
from analysis.backup import Contents, contents_of, copy_set, read_backup
from analysis.database import take_lock
from analysis.register import read_soaks, soaks_path
from logger.clock import utc_now
from logger.cursor_file import sealed, unsealed
from logger.errors import PlainError
from logger.files import keep_owner, real_path, replace_file, sync_folder
from logger.journal_files import ALARMS, PLACES, RESTORING, SOAKS, JournalLock, beside
from logger.journal_reader import JournalReader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_FORM: Final = "restore/1"
_LOGS: Final = ("-wal", "-shm")
_ENDINGS: Final = (
    *_LOGS,
    *(f"{database}{log}" for database in (SOAKS, ALARMS) for log in ("", *_LOGS)),
    *PLACES,
    "",
)
"""All that is replaced; the journal itself last."""


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put in place, and where that is which stood there before (None: nothing did)."""

    journal: Path
    contents: Contents
    before: Path | None
    finished: bool = False
    """One that was broken off was finished; what was asked for now was not begun."""

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        before = None if self.before is None else str(self.before)
        return {
            "journal": str(self.journal),
            "before": before,
            "finished": self.finished,
            **asdict(self.contents),
        }


def restore(
    source: Path,
    journal: Path,
    progress: Callable[[float], None] = lambda _share: None,
    *,
    force: bool = False,
    incomplete: bool = False,
) -> Restored:
    """Restore a backup's folder, or a journal with what lies beside it, as `journal`.

    Raises PlainError if the source is no sound one, if anybody writes the journal, or if it holds something and `force`
    is not given. `incomplete`: see `analysis.backup.copy_set`.
    """
    if not real_path(journal).parent.is_dir():
        raise PlainError(f"{journal}: there is no such folder")
    with contextlib.ExitStack() as locks:
        locks.callback(JournalLock.take(journal, to_restore=True).close)
        for place in (alarms_path, soaks_path):
            locks.callback(take_lock(place(journal), 0.0).close)
        if beside(journal, RESTORING).exists():
            return _finished(journal, source)
        if not force:
            _refuse_full(journal)
        found = source / read_backup(source).journal if source.is_dir() else source
        if found.exists() and journal.exists() and found.samefile(journal):
            raise PlainError(f"{journal}: is the source itself; move it away first")
        staging = _staging(journal)
        shutil.rmtree(staging, ignore_errors=True)
        staging.mkdir(mode=0o700)
        try:
            target = staging / real_path(journal).name
            # whoever was told of the entries that go must not take others for them
            after = _newest_entry(journal)
            contents = copy_set(found, target, progress, incomplete=incomplete, go_on_after=after)
            _give_owner(staging, journal)
            sync_folder(staging)
        except BaseException:
            shutil.rmtree(staging, ignore_errors=True)
            raise
        name = f"{real_path(journal).name}.before-{utc_now():%Y%m%dT%H%M%SZ}"
        _note(journal, _Note(str(real_path(source)), name))
        return Restored(journal, contents, _put_in_place(journal))


@dataclass(frozen=True, slots=True)
class _Note:
    """What keeps everybody out until a restore is finished."""

    source: str
    before: str
    """The folder's name for what stood there."""
    moved: bool = False
    """What stood there is in it."""


def _finished(journal: Path, source: Path) -> Restored:
    """Finish a restore that was broken off after its copies were checked; PlainError if it was of another source."""
    meant = _read_note(journal).source
    before = _put_in_place(journal)
    if meant != str(real_path(source)):
        raise PlainError(
            f"{journal}: first the restore of {meant} was finished, which had been broken off; nothing of {source} was "
            "restored: run it again"
        )
    return Restored(journal, contents_of(journal), before, finished=True)


def _put_in_place(journal: Path) -> Path | None:
    """Move the old files away, then the new ones in; each step may be done again, as far as it was not."""
    said, note, staging = _read_note(journal), beside(journal, RESTORING), _staging(journal)
    before = beside(journal, "").with_name(said.before)
    if not said.moved:
        for ending in _ENDINGS:
            _move_away(beside(journal, ending), before)
        sync_folder(note.parent)
        _note(journal, replace(said, moved=True))
    for ending in _ENDINGS:
        place = beside(journal, ending)
        with contextlib.suppress(FileNotFoundError):
            (staging / place.name).rename(place)
    sync_folder(note.parent)
    note.unlink()
    shutil.rmtree(staging, ignore_errors=True)
    return before if before.is_dir() else None


def _move_away(file: Path, before: Path) -> None:
    if os.path.lexists(file):
        before.mkdir(mode=0o700, exist_ok=True)
        file.rename(before / file.name)


def _read_note(journal: Path) -> _Note:
    note = beside(journal, RESTORING)
    try:
        said = unsealed(note.read_text(encoding="utf-8"))
        return _Note(str(said["source"]), str(said["before"]), bool(said["moved"]))
    except (ValueError, KeyError):
        raise PlainError(f"{note}: is damaged; the new files are in {_staging(journal)}") from None


def _note(journal: Path, said: _Note) -> None:
    replace_file(beside(journal, RESTORING), sealed({"cornerhold": _FORM} | asdict(said)))
    sync_folder(real_path(journal).parent)


def _staging(journal: Path) -> Path:
    real = real_path(journal)
    return real.with_name(f".{real.name}.restore")


def _refuse_full(journal: Path) -> None:
    """Refuse a journal that holds anything, or that can't be read to tell."""
    there = [str(place) for ending in ("", SOAKS, ALARMS) if (place := beside(journal, ending)).exists()]
    reason = f"{' and '.join(there)} can't be read to tell what is in it"
    with contextlib.suppress(PlainError):
        held = []
        if journal.exists() and journal.stat().st_size:
            with JournalReader(journal) as reader:
                held += [f"entries up to {newest}"] if (newest := reader.newest_id()) else []
        held += [f"{len(soaks)} soaks"] if (soaks := read_soaks(journal)) else []
        held += [f"{len(alarms)} alarms"] if (alarms := read_alarms(journal)) else []
        if not held:
            return
        reason = f"holds {', '.join(held)} already"
    raise PlainError(
        f"{journal}: {reason}; nothing was changed. With --force it is moved aside, into a folder beside it"
    )


def _newest_entry(journal: Path) -> int:
    """The number of the newest entry of what is replaced; 0 if there is none, or it can't be read."""
    with contextlib.suppress(PlainError), JournalReader(journal) as reader:
        return reader.newest_id()
    return 0


def _give_owner(staging: Path, journal: Path) -> None:
    """Root restores for a service: the files are to be whose the old ones were, or whose the folder is."""
    old = real_path(journal)
    there = old.stat() if old.exists() else old.parent.stat()
    for file in staging.iterdir():
        if old.exists():
            with contextlib.suppress(PermissionError):
                keep_owner(file, there)
        elif os.geteuid() == 0:
            os.chown(file, there.st_uid, there.st_gid)


def told(done: Restored, *, as_json: bool) -> str:
    """What was restored, for people or as JSON."""
    if as_json:
        return json.dumps(done.as_dict(), ensure_ascii=False)
    of = done.contents
    upto = f" up to {of.newest}" if of.newest else ""
    text = f"{done.journal}: {of.entries} entries{upto}, {of.soaks} soaks, {of.alarms} alarms, checked"
    if done.finished:
        text = f"finished a restore that was broken off: {text}"
    return text if done.before is None else f"{text}; what stood there before is in {done.before}"
