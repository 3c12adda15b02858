"""Soaks: begun, ended, listed; what is outside is not judged; a plan stays with its soak."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
from test_journal_soak import COUNT, PERIOD_us, text, write
from typer.testing import CliRunner

from analysis.commands import build_app
from analysis.database import Database, DatabaseError
from analysis.live import JournalFollower, analyse_journal
from analysis.recording import read_recording
from analysis.register import LAYOUT, Beside, Register, RegisterReader, read_soaks, soaks_path
from analysis.soak_model import Soak, plan_text
from logger.errors import PlainError
from logger.journal_reader import JournalReader
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from pathlib import Path

PLAN = plan_text(settings_from_text("").soak, {})


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "bay.journal"
    write(path)
    return path


def soak(*words: str) -> str:
    # as JSON: for people the command also watches for readings, and here none come
    result = CliRunner().invoke(
        build_app(["soak"]), ["soak", *words, *([] if "--json" in words else ["--json"])]
    )
    if isinstance(result.exception, PlainError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def test_a_journal_without_soaks_is_judged_whole(journal: Path) -> None:
    found = analyse_journal(journal, None)
    assert "soak" not in found
    assert found["hours"] == 8.0
    assert not soaks_path(journal).exists()


def test_only_the_soak_is_judged_and_by_its_own_plan(journal: Path) -> None:
    soak("begin", "night", "-j", str(journal), "--at", "2027-01-15T20:00:00Z", "--threshold", "3 %/day",
         "--threshold", "rear_left=500 %/day", "--planned-length", "5 h", "--car", "blue shuttle")  # fmt: skip
    soak("end", "-j", str(journal), "--at", "2027-01-16T01:00:00Z")
    found = analyse_journal(journal, None)
    assert found["soak"] == "night"
    # begun at 20:00; the reading of 01:00 is the first that is outside (rows are a minute apart)
    assert (found["begin"], found["end"]) == ("2027-01-15T20:00:00Z", "2027-01-16T00:59:00Z")
    limits = {section["name"]: section["threshold_per_day"] for section in found["sections"]}
    assert limits.pop("rear_left") == 5.0
    assert set(limits.values()) == {0.03}
    # 40 %/day, the simulator's truth, is under this soak's limit for the section
    assert "leaking" not in {section["verdict"] for section in found["sections"]}
    [listed] = [json.loads(line) for line in soak("list", "-j", str(journal), "--json").splitlines()]
    assert (listed["name"], listed["car"], listed["planned_hours"]) == ("night", "blue shuttle", 5.0)
    assert listed["ended"] == "2027-01-16T01:00:00Z"


def test_each_soak_can_be_analysed_by_name(journal: Path) -> None:
    for name, begin, end in (("one", "18:00", "20:00"), ("two", "20:30", "23:00")):
        soak("begin", name, "-j", str(journal), "--at", f"2027-01-15T{begin}:00Z")
        soak("end", "-j", str(journal), "--at", f"2027-01-15T{end}:00Z")
    assert analyse_journal(journal, None)["soak"] == "two"
    one = analyse_journal(journal, None, soak="one")
    assert (one["soak"], one["hours"]) == ("one", pytest.approx(119 / 60, abs=1e-4))
    with pytest.raises(PlainError, match="there is no soak 'three'"):
        analyse_journal(journal, None, soak="three")


def test_a_soak_ended_in_the_past_drops_what_was_taken_already(journal: Path) -> None:
    soak("begin", "night", "-j", str(journal), "--at", "2027-01-15T18:00:00Z")
    running = read_soaks(journal)[0]
    with JournalReader(journal) as reader:
        follower = JournalFollower(reader, None, running)
        while follower.step():
            pass
        assert not follower.ended
        soak("end", "-j", str(journal), "--at", "2027-01-15T22:00:00Z")
        follower.end(read_soaks(journal)[0])
        while follower.step(50):
            pass
        assert follower.ended
        assert text(follower.findings(final=True) or {}) == text(analyse_journal(journal, None))
        assert follower.journal.newest_us == 239 * PERIOD_us < COUNT * PERIOD_us


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("begin", "x", "--threshold", "2 kg"), "threshold: "),
        (("begin", "x", "--support", "floating"), "support: 'floating' is none of"),
        (("begin", "x", "--planned-length", "14"), "planned_length: "),
        (("begin", "x", "--at", "yesterday"), "--at: 'yesterday' is no time"),
        (("begin", "x", "--at", "2999-01-01T00:00:00Z"), "yet to come"),
        (("begin", " "), "needs a name"),
        (("end",), "no soak runs"),
    ],
)
def test_what_makes_no_sense_is_refused(journal: Path, words: tuple[str, ...], reason: str) -> None:
    with pytest.raises(PlainError, match=reason):
        soak(*words, "-j", str(journal))
    assert read_soaks(journal) == []


def test_one_soak_at_a_time_and_each_name_once(journal: Path) -> None:
    soak("begin", "a", "-j", str(journal))
    with pytest.raises(PlainError, match="'a' still runs"):
        soak("begin", "b", "-j", str(journal))
    soak("end", "-j", str(journal))
    with pytest.raises(PlainError, match="a soak 'a' already"):
        soak("begin", "a", "-j", str(journal))
    with pytest.raises(PlainError, match="ended later than that"):
        soak("begin", "b", "-j", str(journal), "--at", "2027-01-15T18:30:00Z")


def test_without_a_journal_no_soak_is_begun(tmp_path: Path) -> None:
    with pytest.raises(PlainError, match="no such journal"):
        soak("begin", "a", "-j", str(tmp_path / "typo.journal"))
    assert list(tmp_path.iterdir()) == []


def test_a_plan_replaces_the_settings_thresholds() -> None:
    settings = settings_from_text('[sections.a]\nthreshold = "9 %/day"\nvolume = "3 L"\n')
    assert Soak(1, "x", plan=PLAN).settings(settings).threshold_of("a").value == pytest.approx(0.02 / 86400)
    assert Soak(1, "x", plan=PLAN).settings(settings).section("a").volume_m3 == pytest.approx(3e-3)
    assert Soak(1, "x").settings(settings) is settings


def test_a_second_writer_a_newer_version_and_another_file_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "j.soaks"
    with Database.open_to_write(path, LAYOUT):
        with pytest.raises(DatabaseError, match="written by another process"):
            Database.open_to_write(path, LAYOUT)
        assert Database.open_to_read(tmp_path / "none", LAYOUT) is None
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(DatabaseError, match="newer version"):
        Database.open_to_write(path, LAYOUT)
    with closing(sqlite3.connect(tmp_path / "k.soaks")) as connection:
        connection.execute("CREATE TABLE theirs (a)")
    with pytest.raises(DatabaseError, match="is no register of soaks"):
        Database.open_to_write(tmp_path / "k.soaks", LAYOUT)
    (tmp_path / "l.soaks").write_bytes(b"no database at all, but longer than a header" * 9)
    with pytest.raises(DatabaseError, match="is damaged"):
        Database.open_to_write(tmp_path / "l.soaks", LAYOUT)


def test_a_write_that_fails_leaves_nothing(journal: Path) -> None:
    with Register.open(journal) as register:
        register.begin(Soak(0, "a", plan=PLAN))

        def write_badly() -> None:
            with register._database.atomic() as connection:
                connection.execute("UPDATE soaks SET car = 'changed'")
                connection.execute("INSERT INTO soaks (name) VALUES (NULL)")

        with pytest.raises(DatabaseError, match="nothing was written"):
            write_badly()
    assert read_soaks(journal)[0].car == ""


def test_a_register_of_the_first_version_is_renewed_and_keeps_its_soaks(journal: Path) -> None:
    with Register.open(journal) as register:
        register.begin(Soak(0, "a", plan=PLAN))
    # as the first version left it: the same soaks, no acknowledgements, and nothing measured beside
    with closing(sqlite3.connect(soaks_path(journal))) as connection:
        connection.execute("DROP TABLE tape")
        connection.execute("DROP TABLE blanks")
        connection.execute("DROP TABLE notes")
        connection.execute("DROP TABLE corrections")
        connection.execute("DROP TABLE acknowledgements")
        connection.execute("DROP TABLE seal")
        connection.execute("PRAGMA user_version = 1")
    with RegisterReader(journal) as register:
        assert [soak.name for soak in register.soaks()] == ["a"]
        assert register.acknowledgements(0) == []
        assert register.beside() == Beside()


def test_what_a_section_encloses_stays_with_the_soak(journal: Path) -> None:
    said = json.loads(
        soak("begin", "one", "-j", str(journal), "--encloses", "rear_left=left strut, left line", "--json")
    )
    assert said["encloses"] == {"rear_left": ["left strut", "left line"]}
    settings = settings_from_text('[sections.rear_left]\nencloses = ["all"]\nvolume = "3 L"\n')
    begun = read_soaks(journal)[0].settings(settings).section("rear_left")
    assert begun.encloses == ("left strut", "left line")
    assert begun.volume_m3 == pytest.approx(3e-3)
    with pytest.raises(PlainError, match="write section=component"):
        soak("begin", "two", "-j", str(journal), "--encloses", "rear_left")


def test_suspects_of_a_job_and_the_export_of_a_soak(journal: Path, tmp_path: Path) -> None:
    """Two soaks of a job from the register: rear left leaks (the simulator's truth), with another part each time."""
    cases = (("one", "15T18", "15T22", "strut, line"), ("two", "15T22", "16T02", "strut, block"))
    for name, begin, end, encloses in cases:
        soak("begin", name, "-j", str(journal), "--at", f"2027-01-{begin}:00:00Z", "--job", "7",
             "--threshold", "10 %/day", "--encloses", f"rear_left={encloses}")  # fmt: skip
        soak("end", "-j", str(journal), "--at", f"2027-01-{end}:00:00Z")

    def run(*words: str) -> str:
        result = CliRunner().invoke(build_app([words[0]]), words)
        if isinstance(result.exception, PlainError):
            raise result.exception
        assert result.exit_code == 0, result.output
        return result.output

    said = json.loads(run("suspects", "--job", "7", "-j", str(journal), "--json"))
    leaks = {one["name"]: one["probability_leaks"] for one in said["components"]}
    assert leaks["strut"] > 0.8 > max(leaks["line"], leaks["block"])
    with pytest.raises(PlainError, match=r"no soak has the job '8' \(jobs there: '7'\)"):
        run("suspects", "--job", "8", "-j", str(journal))
    with pytest.raises(PlainError, match="either soaks"):
        run("suspects", "--job", "7", "x.toml", "-j", str(journal))
    run("export", "-j", str(journal), "--soak", "two", "-o", str(tmp_path / "two.csv"))
    readings = read_recording(tmp_path / "two.csv")
    found = analyse_journal(journal, None)
    assert (found["soak"], f"{readings.begin_utc}") == ("two", found["begin"].replace("Z", ".000000"))
    assert readings.time_s[-1] / 3600.0 == pytest.approx(found["hours"], abs=1e-4)
    with pytest.raises(PlainError, match="there is no soak 'three'"):
        run("export", "-j", str(journal), "--soak", "three", "-o", str(tmp_path / "x.csv"))
