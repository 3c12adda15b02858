"""One analysis for several rigs: what one of them suffers, and that it is told, while the others are watched on."""

from __future__ import annotations

import asyncio
import json
import logging
from typing import TYPE_CHECKING, Any, Self

import pytest

from analysis import live_command, service, several
from analysis.page_command import _watched
from analysis.page_rigs import Rigs
from analysis.rig_files import rig_files
from analysis.several import Several
from logger.clock import Stamp, us_from_utc, utc_now
from logger.errors import PlainError
from logger.journal import Entry, Journal

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from letter_box import Mailbox


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "WRITE_s", 0.01)
    monkeypatch.setattr(service, "BEGINNING_s", 0.05)
    for name, seconds in (("FIRST_WAIT_s", 0.02), ("LOOK_s", 0.02), ("WORTH_A_LETTER_s", 0.2)):
        monkeypatch.setattr(several, name, seconds)


def bay(folder: Path, name: str, extra: str = "") -> Path:
    """Settings of a rig, whose journal lies beside them."""
    file = folder / f"{name}.toml"
    file.write_text(f'[rig]\nname = "{name}"\n[journal]\npath = "{folder}/{name}.journal"\n{extra}')
    return file


def log(folder: Path, name: str, first: int = 0, count: int = 20) -> None:
    """What a logger has written."""
    with Journal.open(folder / f"{name}.journal") as journal:
        boot = journal.note_boot(
            boot=1, rig=name, firmware="v", period_ms=1000, channels=("a.pressure",), resumed=first > 0
        )
        if first == 0:
            journal.anchor_boot(boot.id, Stamp(0, 0))
        now_us = us_from_utc(utc_now())
        rows = range(first, first + count)
        journal.append([Entry(0, "D", boot.id, n, n * 1_000_000, now_us, str(12_000 + n % 7)) for n in rows])


class Watch:
    """A running analysis of several rigs."""

    def __init__(self, folder: Path, *settings: Path) -> None:
        self.folder = folder
        self.findings = folder / "findings"
        self.findings.mkdir(exist_ok=True)
        self.several = Several(rig_files(settings, []), live_command._Changes, findings_folder=self.findings)
        self.stop = asyncio.Event()

    async def __aenter__(self) -> Self:
        self.task = asyncio.create_task(self.several.run(self.stop))
        return self

    async def __aexit__(self, *_: object) -> None:
        self.stop.set()
        await asyncio.wait_for(self.task, 20)

    async def until(self, condition: Callable[[], bool], what: str) -> None:
        end_s = asyncio.get_running_loop().time() + 60.0
        while not condition():
            assert not self.task.done(), self.task
            assert asyncio.get_running_loop().time() < end_s, (
                f"waited in vain: {what}; {self.several.status()}"
            )
            await asyncio.sleep(0.005)

    def found(self, name: str) -> dict[str, Any] | None:
        file = self.findings / f"{name}.json"
        return json.loads(file.read_text()) if file.exists() else None


async def test_a_rig_that_fails_is_told_and_costs_the_others_nothing(
    tmp_path: Path, mailbox: Mailbox, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    rigs = [bay(tmp_path, name) for name in ("one", "two")]
    # its own people are told; the two others have none
    rigs.append(bay(tmp_path, "three", f'[notify]\nurls = ["{mailbox.url}"]\n'))
    for name in ("one", "two", "three"):
        log(tmp_path, name)
    async with Watch(tmp_path, *rigs) as watch:
        await watch.until(lambda: all(map(watch.found, ("one", "two", "three"))), "findings of all three")
        assert watch.several.status() == "3 of 3 rigs watched"
        # somebody moves a journal away
        journal = tmp_path / "three.journal"
        journal.rename(tmp_path / "elsewhere")
        await watch.until(lambda: mailbox.titles() == ["three: NOT WATCHED"], "the letter")
        status = watch.several.status()
        assert (
            status
            == f"2 of 3 rigs watched, NOT: three ({journal}: was taken away or replaced while it was followed)"
        )
        assert "was taken away" in mailbox.letters[0]["message"]
        # meanwhile the others are watched
        log(tmp_path, "one", 20, 600)
        await watch.until(lambda: (watch.found("one") or {})["hours"] > 0.15, "what is new of another rig")
        # and back
        (tmp_path / "elsewhere").rename(journal)
        await watch.until(lambda: watch.several.status() == "3 of 3 rigs watched", "the rig is watched again")
        await watch.until(lambda: len(mailbox.titles()) == 2, "the letter of its return")
    assert mailbox.titles() == ["three: NOT WATCHED", "three: watched again"]
    errors = [record.getMessage() for record in caplog.records if record.levelno == logging.ERROR]
    assert len(errors) == 1  # told once, not at every try


async def test_settings_that_are_wrong_leave_out_their_rig_until_they_are_right(tmp_path: Path) -> None:
    for name in ("one", "two"):
        log(tmp_path, name)
    good, bad = bay(tmp_path, "one"), bay(tmp_path, "two", "[sections.a]\nvolume = '3 psi'\n")
    async with Watch(tmp_path, good, bad) as watch:
        await watch.until(lambda: watch.found("one") is not None, "the good one")
        await watch.until(lambda: "two" in watch.several.status(), "the bad one is named")
        assert watch.several.status().startswith(f"1 of 2 rigs watched, NOT: two ({bad}: sections.a.volume: ")
        bay(tmp_path, "two")
        await watch.until(lambda: watch.several.status() == "2 of 2 rigs watched", "both")


async def test_a_fault_of_the_program_in_one_rig_is_not_the_end_of_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("one", "two"):
        log(tmp_path, name)
    sound = service.Service._write

    def broken(self: service.Service, watcher: Any, *, final: bool) -> dict[str, Any] | None:
        if self.path.name == "one.journal":
            raise ZeroDivisionError
        return sound(self, watcher, final=final)

    monkeypatch.setattr(service.Service, "_write", broken)
    async with Watch(tmp_path, bay(tmp_path, "one"), bay(tmp_path, "two")) as watch:
        await watch.until(lambda: watch.found("two") is not None, "the sound one")
        await watch.until(lambda: "ZeroDivisionError" in watch.several.status(), "the other is named")


async def test_a_journal_that_never_comes_is_not_called_watched(tmp_path: Path) -> None:
    log(tmp_path, "one")
    async with Watch(tmp_path, bay(tmp_path, "one"), bay(tmp_path, "two")) as watch:
        await watch.until(lambda: "is its logger running?" in watch.several.status(), "it is named")
        log(tmp_path, "two")
        await watch.until(lambda: watch.several.status() == "2 of 2 rigs watched", "both")


async def test_the_same_journal_or_name_twice_is_refused(tmp_path: Path) -> None:
    log(tmp_path, "one")
    twin = tmp_path / "twin.toml"
    twin.write_text(bay(tmp_path, "one").read_text())
    async with Watch(tmp_path, tmp_path / "one.toml", twin) as watch:
        await watch.until(lambda: "another rig is called 'one'" in watch.several.status(), "the twin")
        assert watch.several.status().startswith("1 of 2 rigs watched")


async def test_the_same_journal_by_a_link_is_refused(tmp_path: Path) -> None:
    log(tmp_path, "one")
    one, two = bay(tmp_path, "one"), bay(tmp_path, "two")
    (tmp_path / "two.journal").unlink(missing_ok=True)
    (tmp_path / "two.journal").symlink_to(tmp_path / "one.journal")
    async with Watch(tmp_path, one, two) as watch:
        await watch.until(lambda: "is the journal of one, too" in watch.several.status(), "the link")


async def test_where_none_can_be_watched_it_ends_with_the_reason(tmp_path: Path) -> None:
    files = rig_files([tmp_path / "a.toml", tmp_path / "b.toml"], [])
    with pytest.raises(PlainError, match=r"none of the 2 rigs can be watched; a: .*No such file"):
        await Several(files, live_command._Changes).run(asyncio.Event())


def test_settings_and_journals_are_paired(tmp_path: Path) -> None:
    one, two = bay(tmp_path, "one"), bay(tmp_path, "two")
    assert [files.read()[1].name for files in rig_files([tmp_path], [])] == ["one.journal", "two.journal"]
    paired = rig_files([two, one], [tmp_path / "x", tmp_path / "y"])
    assert [(files.label, files.read()[1].name) for files in paired] == [("two", "x"), ("one", "y")]
    assert [files.read() for files in rig_files([], [tmp_path / "z.journal"])] == [
        (None, tmp_path / "z.journal")
    ]
    with pytest.raises(PlainError, match="2 settings files and 1 journals"):
        rig_files([one, two], [tmp_path / "x"])
    (tmp_path / "empty").mkdir()
    with pytest.raises(PlainError, match="no settings files"):
        rig_files([tmp_path / "empty"], [])


def test_the_log_names_the_rig(capsys: pytest.CaptureFixture[str]) -> None:
    handler = live_command._Stderr()
    record = logging.LogRecord("x", logging.INFO, "f", 1, "%s is over", ("the alarm",), None)
    token = service.RIG.set("bay-7")
    try:
        handler.emit(record)
    finally:
        service.RIG.reset(token)
    handler.emit(record)
    assert capsys.readouterr().err == "bay-7: the alarm is over\nthe alarm is over\n"


def test_the_page_shows_a_rig_whose_settings_are_wrong_in_its_place(tmp_path: Path) -> None:
    log(tmp_path, "one")
    bay(tmp_path, "one")
    bad = bay(tmp_path, "two", "[sections.a]\nvolume = '3 psi'\n")
    rigs = Rigs(_watched([tmp_path], [])[0])
    try:
        for key in rigs.watched:
            rigs.look(key)
    finally:
        rigs.close()
    assert set(rigs.states) == {"one"}
    assert rigs.errors["two"].startswith(f"{bad}: sections.a.volume: ")
    assert rigs.status().startswith("1 of 2 rigs shown, NOT: two (")
    with pytest.raises(PlainError, match="sections"):
        _watched([bad], [])
    with pytest.raises(PlainError, match="sections"):
        _watched([bad, bad], [])
