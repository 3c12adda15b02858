"""A backup: journal, register, alarms and the places of the mirrors, as of one moment, each checked after it was copied.

What lies beside the journal speaks of its entries by number, and the alarms of the register's rows. So the copies are
taken in the order places, alarms, register, journal: each holds all that the ones before speak of.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import shutil
from dataclasses import asdict, dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Final

from analysis import alarm_store, register
from analysis.alarm_store import read_alarms
from analysis.database import DatabaseError, copy_database, require_beside
from analysis.register import read_soaks, soaks_path
from logger.clock import utc_now, utc_text
from logger.cursor_file import sealed, unsealed
from logger.errors import PlainError
from logger.files import sync_file, sync_folder, whole_file
from logger.journal_copy import copy_journal
from logger.journal_files import ALARMS, PLACES, SOAKS, beside
from logger.journal_reader import JournalReader
from logger.journal_schema import JournalError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    Progress = Callable[[float], None]

FORM: Final = "backup/1"
MANIFEST: Final = "backup.json"
_COPIED: Final = 0.6
"""Share of the work that is done when all is copied; the rest is reading it again."""


class BackupError(PlainError):
    """A backup that can't be made or isn't what was written; one line."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a set of files holds, as read from the copies."""

    rig: str
    entries: int
    newest_entry: int
    newest: str | None
    """Label of the newest sample, UTC with Z."""
    soaks: int
    alarms: int


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup's folder and what its manifest says."""

    folder: Path
    journal: str
    """The journal's file name in it."""
    made: str
    contents: Contents

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "backup": str(self.folder),
            "journal": self.journal,
            "made": self.made,
            **asdict(self.contents),
        }


def make_backup(journal: Path, into: Path, progress: Progress = lambda _share: None) -> Backup:
    """Make a backup of a journal in a new folder inside `into`, which appears when it is whole and checked.

    Raises PlainError if the journal or what belongs to it is no sound one, OSError naming what can't be written.
    """
    if not into.is_dir():
        raise BackupError(f"{into}: there is no such folder (is the disk there?)")
    moment = utc_now()
    stem = journal.name.removesuffix(".journal")
    folder = into / f"{stem}-{moment:%Y%m%dT%H%M%SZ}"
    if folder.exists():
        raise BackupError(f"{folder}: is there already")
    with _staging(into / f".{stem}.backup.part") as part:
        contents = copy_set(journal, part / journal.name, progress)
        said = {
            "cornerhold": FORM,
            "journal": journal.name,
            "made": utc_text(),
            **asdict(contents),
            "files": {one.name: file_digest(one) for one in sorted(part.iterdir())},
        }
        with whole_file(part / MANIFEST) as file:
            file.write(sealed(said) + "\n")
        sync_folder(part)
        part.rename(folder)
    sync_folder(into)
    return Backup(folder, journal.name, str(said["made"]), contents)


def read_backup(folder: Path) -> Backup:
    """What a backup's folder holds, checked against its manifest byte by byte; raises BackupError."""
    manifest = folder / MANIFEST
    try:
        said = unsealed(manifest.read_text(encoding="utf-8"))
        if said["cornerhold"] != FORM:
            raise BackupError(f"{manifest}: is of another version of cornerhold ({said['cornerhold']})")
        files = dict(said["files"])
        contents = Contents(**{name: said[name] for name in Contents.__slots__})
        backup = Backup(folder, str(said["journal"]), str(said["made"]), contents)
    except FileNotFoundError:
        raise BackupError(f"{folder}: is no backup of cornerhold (there is no {MANIFEST} in it)") from None
    except (ValueError, KeyError, TypeError):
        raise BackupError(f"{manifest}: is damaged; use another backup") from None
    for name, digest in files.items():
        try:
            found = file_digest(folder / name)
        except FileNotFoundError:
            raise BackupError(f"{folder / name}: is gone; use another backup") from None
        if found != digest:
            raise BackupError(f"{folder / name}: is damaged, it is not what was written; use another backup")
    return backup


def file_digest(path: Path) -> str:
    """The SHA-256 of a file, as hex digits."""
    digest = sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def copy_set(
    source: Path,
    target: Path,
    progress: Progress = lambda _share: None,
    *,
    incomplete: bool = False,
    go_on_after: int = 0,
) -> Contents:
    """Copy a journal and what belongs to it to `target` and beside it, also while others write, and check the copies.

    `incomplete`: take a journal that lacks its log or what was beside it as it is; the copy doesn't say so any more.
    `go_on_after`: what is appended to the copy gets numbers after that one.
    """
    with _named_by(source, target):
        return _copied(source, target, progress, incomplete, go_on_after)


def _copied(source: Path, target: Path, progress: Progress, incomplete: bool, go_on_after: int) -> Contents:
    if not incomplete:
        require_beside(source, SOAKS, "soaks and heights")
        require_beside(source, ALARMS, "alarms")
    for ending in PLACES:
        with contextlib.suppress(FileNotFoundError):
            shutil.copyfile(beside(source, ending), beside(target, ending))
            sync_file(beside(target, ending))
    databases = ((ALARMS, alarm_store.LAYOUT), (SOAKS, register.LAYOUT))
    there = frozenset(
        ending
        for ending, layout in databases
        if copy_database(beside(source, ending), beside(target, ending), layout)
    )
    soaks = read_soaks(target) if SOAKS in there else []
    last = max((max(soak.after_entry, soak.last_entry or 0) for soak in soaks), default=0)
    copy_journal(
        source,
        target,
        lambda share: progress(_COPIED * share),
        beside=there,
        # what comes must not get the numbers that an ended soak has
        go_on_after=max(last, go_on_after),
        lone=incomplete,
    )
    for ending in ("", *there, *PLACES):
        with contextlib.suppress(FileNotFoundError):
            shutil.copymode(beside(source, ending), beside(target, ending))
    contents = contents_of(target, lambda share: progress(_COPIED + (1.0 - _COPIED) * share))
    if last > contents.newest_entry and not incomplete:
        raise DatabaseError(
            soaks_path(source),
            f"has a soak up to entry {last}, but {source} ends with entry {contents.newest_entry}: they don't belong "
            "together, or the journal lost its end; nothing was written",
        )
    return contents


@contextlib.contextmanager
def _named_by(source: Path, target: Path) -> Iterator[None]:
    """What is wrong with a copy is wrong with what was copied."""
    try:
        yield
    except (JournalError, DatabaseError) as error:
        if error.path.parent != target.parent:
            raise
        ending = error.path.name.removeprefix(target.name)
        raise type(error)(beside(source, ending), error.reason) from error


def contents_of(journal: Path, progress: Progress = lambda _share: None) -> Contents:
    """Read all of a journal and of what belongs to it, with every check there is."""
    entries = 0
    with JournalReader(journal, whole=True) as reader:
        newest_id, newest, boots = reader.newest_id(), reader.newest(), reader.boots()
        reader.configurations()
        while read := reader.read(10_000):
            entries += len(read)
            progress(reader.cursor / newest_id)
    return Contents(
        rig=boots[max(boots)].rig if boots else "",
        entries=entries,
        newest_entry=newest_id,
        newest=None if newest is None else utc_text(newest.utc_us),
        soaks=len(read_soaks(journal)),
        alarms=len(read_alarms(journal)),
    )


@contextlib.contextmanager
def _staging(part: Path) -> Iterator[Path]:
    """A folder to work in, held against a second backup; what one that was killed has left in it goes."""
    part.mkdir(mode=0o700, exist_ok=True)
    held = os.open(part, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BackupError(f"{part}: another backup of this journal is being made there") from None
        for one in part.iterdir():
            one.unlink()
        try:
            yield part
        except BaseException:
            shutil.rmtree(part, ignore_errors=True)
            raise
    finally:
        os.close(held)


def told(backup: Backup, *, as_json: bool) -> str:
    """What was backed up, for people or as JSON."""
    if as_json:
        return json.dumps(backup.as_dict(), ensure_ascii=False)
    of = backup.contents
    upto = f" up to {of.newest}" if of.newest else ""
    return f"{backup.folder}: {of.entries} entries{upto}, {of.soaks} soaks, {of.alarms} alarms, checked"
