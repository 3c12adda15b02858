"""Heights by hand: a standing car without sensors is judged by them, never without; live and replay agree."""

from __future__ import annotations

import json
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from test_journal_soak import NIGHT, counted, text, write
from typer.testing import CliRunner

from analysis.commands import build_app
from analysis.database import DatabaseError
from analysis.findings import findings
from analysis.gas_left import gas_left
from analysis.live import analyse_journal
from analysis.recording import Readings, RecordingError
from analysis.register import Register, RegisterReader, read_register
from analysis.soak import SoakAnalysis
from analysis.tape import TapeReading
from analysis.tape_file import parse_tape
from analysis.watcher import Watcher
from logger.errors import PlainError
from logger.journal_reader import JournalReader
from logger.settings import settings_from_text
from logger.virtual.physics import simulate

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

HOUR_s = 3600.0
STANDING = '[soak]\nsupport = "standing"\n' + "".join(
    f'[sections.{name}]\ngas_column = "250 mm"\n' for name in (*NIGHT.sections, "a")
)
SETTINGS = settings_from_text(STANDING)


def judged(
    hours: float,
    tape: list[tuple[float, float]],
    *,
    air_K: float | NDArray[np.float64] | None = 268.15,
    settings: str = STANDING,
    height: NDArray[np.float64] | None = None,
    silent_h: tuple[float, float] = (0.0, 0.0),
    dead_h: tuple[float, float] = (0.0, 0.0),
) -> dict[str, Any]:
    """A section at one temperature and 7 bar, a reading every ten minutes; `tape`: (hour, mm), ±1 mm each."""
    time_s = np.arange(0.0, hours * HOUR_s + 1.0, 600.0)
    rng = np.random.default_rng(1)
    values = {
        "a.pressure": 7e5 + rng.normal(0.0, 30.0, len(time_s)),
        "ambient.pressure": np.full(len(time_s), 101_325.0),
    }
    if air_K is not None:
        values["ambient.temperature"] = air_K + rng.normal(0.0, 0.05, len(time_s))
    if height is not None:
        values["a.height"] = height
    heard = (time_s < silent_h[0] * HOUR_s) | (time_s >= silent_h[1] * HOUR_s)
    dead = (time_s >= dead_h[0] * HOUR_s) & (time_s < dead_h[1] * HOUR_s)
    values["a.pressure"][dead] = np.nan
    readings = [TapeReading(h * HOUR_s, "a", mm / 1000.0) for h, mm in tape]
    soak = SoakAnalysis(
        settings_from_text(settings), ("a",), begin_utc=np.datetime64("2027-01-15T18:00", "us"), tape=readings
    )
    soak.feed(time_s[heard], {name: column[heard] for name, column in values.items()})
    soak.finish()
    (section,) = findings(soak, "x")["sections"]
    return dict(section)


def test_three_cold_days_without_a_visible_change_are_tight_if_the_temperatures_are_known() -> None:
    """A car that stood nearly three cold days within ±2 mm is tight (common practice, no source)."""
    for last_mm in (648.0, 652.0):
        said = judged(70.0, [(0.1, 650.0), (69.9, last_mm)])
        assert said["verdict"] == "tight", last_mm
        assert said["probability_over_threshold"] < 0.01
        # 2 mm of 250 mm in 70 h are 0.27 %/day; nobody saw the roll-out, so how warm the gas was at the begin is a
        # belief, and 10 K are 1.3 %/day
        assert said["loss_per_day"] == pytest.approx((650.0 - last_mm) / 250.0 / 70.0 * 24.0, abs=0.013)
    unknown = judged(70.0, [(0.1, 650.0), (69.9, 650.0)], air_K=None)
    assert unknown["verdict"] == "undecided"
    assert any("cooling can't be told from leaking" in note for note in unknown["notes"])


def test_a_car_that_sank_leaks_and_both_times_are_told() -> None:
    # two heights are no proof of a leak, where no pressures of other corners bear them out
    twice = judged(62.0, [(0.1, 650.0), (61.9, 600.0)])
    assert (twice["verdict"], twice["reasons"]) == ("undecided", ["near_threshold"])
    assert any("one slip of the tape" in note for note in twice["notes"])
    said = judged(62.0, [(0.1, 650.0), (31.0, 635.7), (61.9, 622.0)])
    # 28 mm of 250 mm in 61.8 h: ln(250/222) a day, 4.6 %/day
    assert said["verdict"] == "leaking"
    assert said["loss_per_day"] == pytest.approx(np.log(250.0 / 222.0) / 61.8 * 24.0, rel=0.1)
    assert said["hours_used"] == pytest.approx(62.0, abs=0.5)
    (told,) = [note for note in said["notes"] if "measured by hand" in note]
    assert "3 heights" in told
    assert "sunk by 28.0 mm" in told
    assert "2027-01-18T07:54:00Z" in told


@pytest.mark.parametrize(
    ("tape", "reason"),
    [
        ([], "there are no heights"),
        ([(0.1, 650.0)], "There is one height measured by hand"),
        ([(0.1, 650.0), (0.6, 600.0)], "less than an hour apart"),
        ([(-3.0, 650.0), (13.9, 600.0)], "does not count: before the first reading"),
        ([(0.1, 650.0), (17.0, 600.0)], "does not count: after the last reading"),
    ],
)
def test_no_verdict_without_two_heights(tape: list[tuple[float, float]], reason: str) -> None:
    said = judged(14.0, tape)
    assert said["verdict"] == "undecided"
    assert (
        said["loss_per_day"] is said["loss_per_day_interval95"] is said["probability_over_threshold"] is None
    )
    assert any(reason in note for note in said["notes"])
    assert said["alarms"] == []


def test_a_height_while_the_rig_was_silent_does_not_count() -> None:
    said = judged(14.0, [(0.1, 650.0), (8.0, 600.0)], silent_h=(6.0, 10.0))
    assert said["verdict"] == "undecided"
    assert any("the rig gave no reading around that time" in note for note in said["notes"])


def test_what_is_known_is_what_was_known_at_the_last_height() -> None:
    at_once, later = judged(60.1, [(0.1, 650.0), (60.0, 650.0)]), judged(64.0, [(0.1, 650.0), (60.0, 650.0)])
    assert at_once["verdict"] == later["verdict"] == "tight"
    assert later["loss_per_day_interval95"] == pytest.approx(at_once["loss_per_day_interval95"], abs=2e-4)
    # how cold it got after the last height proves nothing
    air_K = np.where(np.arange(64 * 6 + 1) < 61 * 6, 268.15, 248.15)
    assert judged(64.0, [(0.1, 650.0), (60.0, 650.0)], air_K=air_K)["coldest_gas_degC"] > -6.0
    # and it doesn't hold for ever
    assert judged(80.0, [(0.1, 650.0), (60.0, 650.0)])["verdict"] == "undecided"


def test_heights_of_the_first_hours_say_nothing_of_the_rest() -> None:
    said = judged(40.0, [(0.1, 650.0), (6.0, 650.0), (12.0, 650.0)])
    assert said["verdict"] == "undecided"
    assert said["hours_used"] == pytest.approx(12.0, abs=0.5)
    assert "Only 11.7 h of 40.0 h have usable readings." in said["notes"]


def test_a_height_that_can_t_be_makes_no_verdict() -> None:
    """A reading that is left out for what it says must not leave the others to say that all is well."""
    tape = [(0.1, 650.0), (60.0, 650.0), (61.9, 300.0)]
    said = judged(62.0, tape)
    assert said["verdict"] == "undecided"
    assert any("lower than the gas column is long" in note for note in said["notes"])
    assert judged(62.0, tape[:2])["verdict"] == "tight"


def test_on_a_blocked_car_a_height_counts_for_nothing() -> None:
    blocked = '[soak]\nsupport = "blocked"\n'
    with_tape, without = (
        judged(14.0, [(0.1, 650.0), (13.9, 600.0)], settings=blocked),
        judged(14.0, [], settings=blocked),
    )
    assert with_tape["loss_per_day_interval95"] == without["loss_per_day_interval95"]
    assert sum("on a blocked car" in note for note in with_tape["notes"]) == 2


# -- beside a height sensor ----------------------------------------------------------------------------------

STEPS = 14 * 6 + 1
LEVEL = 0.120 + np.random.default_rng(2).normal(0.0, 2e-4, STEPS)


def test_tape_and_sensor_with_zeros_of_their_own_agree() -> None:
    alone = judged(14.0, [], height=LEVEL)
    both = judged(14.0, [(0.1, 650.0), (7.0, 651.0), (13.9, 649.5)], height=LEVEL)
    assert any("Tape and height sensor agree" in note for note in both["notes"])
    # a millimetre of tape against a night of readings: it hardly moves the loss
    assert both["loss_per_day"] == pytest.approx(alone["loss_per_day"], abs=0.002)
    assert both["verdict"] == alone["verdict"] == "tight"


def test_a_sensor_that_the_tape_contradicts_makes_no_verdict() -> None:
    for last_mm in (640.0, 660.0):
        said = judged(14.0, [(0.1, 650.0), (13.9, last_mm)], height=LEVEL)
        assert said["verdict"] == "undecided"
        assert any("10." in note and "one of the two is not what it seems" in note for note in said["notes"])


def test_a_height_taken_as_the_transducer_falls_silent_counts() -> None:
    tape = [(0.1, 650.0), (20.0, 635.0), (39.45, 620.0)]
    said, alive = judged(40.0, tape, dead_h=(39.5, 41.0)), judged(40.0, tape)
    assert said["verdict"] == alive["verdict"] == "leaking"
    assert said["loss_per_day"] == pytest.approx(alive["loss_per_day"], abs=1e-4)


def test_where_the_sensor_dies_the_tape_goes_on() -> None:
    dead = np.full(40 * 6 + 1, np.nan)
    dead[:18] = LEVEL[:18]  # three hours
    for tape, verdict in (
        ([], "undecided"),
        ([(0.1, 650.0), (39.9, 650.0)], "tight"),
        ([(0.1, 650.0), (20.0, 640.0), (39.9, 630.0)], "leaking"),
    ):
        said = judged(40.0, tape, height=dead)
        assert said["verdict"] == verdict
        assert said["hours_used"] == pytest.approx(40.0 if tape else 3.0, abs=0.5)


# -- the register and the command ----------------------------------------------------------------------------


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "bay.journal"
    places = [k for k, name in enumerate(counted("standing")[0]) if name.endswith(".height")]

    def blank(_number: int, fields: list[str]) -> list[str]:
        return ["" if k in places else field for k, field in enumerate(fields)]

    write(path, "standing", change=blank, settings_text='[rig]\nclock = "rig"\n' + STANDING)
    return path


def run(command: str, *words: str) -> str:
    result = CliRunner().invoke(build_app([command]), [command, *words])
    if isinstance(result.exception, PlainError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def heights_mm(number: int) -> list[str]:
    height_m = simulate(replace(NIGHT, support="standing"), 7).truth.height_m
    assert height_m is not None
    return [f"{name}={1000.0 * height_m[number, i]:.0f} mm" for i, name in enumerate(NIGHT.sections)]


def test_a_height_entered_late_is_taken_in_and_live_is_replay(journal: Path) -> None:
    run("soak", "begin", "night", "-j", str(journal), "--at", "2027-01-15T18:00:00Z", "--json")
    with ExitStack() as stack:
        reader = stack.enter_context(JournalReader(journal))
        register = stack.enter_context(RegisterReader(journal))
        watcher = Watcher(reader, None, register, rig="r")

        def drained() -> dict[str, Any]:
            watcher.look()
            while watcher.step(0.0, 137):
                pass
            said = watcher.findings()
            assert said is not None
            return said

        assert {s["verdict"] for s in drained()["sections"]} == {"undecided"}
        last = run("tape", "add", *heights_mm(479), "-j", str(journal))
        assert "the first one; measure again" in last
        assert {s["verdict"] for s in drained()["sections"]} == {"undecided"}
        # remembered afterwards, for a time that was read long ago
        run("tape", "add", *heights_mm(5), "-j", str(journal), "--at", "2027-01-15T18:05:00Z", "--by", "Mara")
        live = drained()
        assert text(live) == text(analyse_journal(journal, None, 1000))
        verdicts = {s["name"]: s["verdict"] for s in live["sections"]}
        # the simulator's truth: 40 %/day there, nothing elsewhere
        assert verdicts.pop("rear_left") == "leaking"
        assert "leaking" not in verdicts.values()
        # a reading that is corrected counts as corrected
        run("tape", "correct", "1", "900 mm", "--sure", "-j", str(journal))
        assert text(drained()) == text(analyse_journal(journal, None))
        heights = read_register(journal)[1].heights
        assert [h.id for h in heights if h.withdrawn] == [1]
        assert heights[0].instead == len(heights)
        assert heights[-1].read_at == heights[0].read_at


def test_a_journal_s_tape_goes_with_its_recording(journal: Path, tmp_path: Path) -> None:
    run("tape", "add", *heights_mm(5), "-j", str(journal), "--at", "2027-01-15T18:05:00Z")
    run(
        "tape",
        "add",
        *heights_mm(470),
        "-j",
        str(journal),
        "--at",
        "2027-01-16T01:50:00Z",
        "--uncertainty",
        "2 mm",
    )
    (tmp_path / "night.tape.csv").write_text(run("tape", "list", "-j", str(journal), "--csv"))
    run("export", "-j", str(journal), "-o", str(tmp_path / "night.csv"))
    (tmp_path / "s.toml").write_text(STANDING)
    words = ["--settings", str(tmp_path / "s.toml"), "--json", "--tape", str(tmp_path / "night.tape.csv")]
    by_file = json.loads(run("analyse", *words, str(tmp_path / "night.csv")))
    by_journal = analyse_journal(journal, SETTINGS)
    for a, b in zip(by_file["sections"], by_journal["sections"], strict=True):
        assert a["verdict"] == b["verdict"]
        # the file has four digits of a pressure in kPa
        assert a["loss_per_day"] == pytest.approx(b["loss_per_day"], abs=1e-5)


def test_a_height_counts_in_the_soak_in_which_it_was_measured(journal: Path) -> None:
    run("soak", "begin", "one", "-j", str(journal), "--at", "2027-01-15T19:00:00Z", "--json")
    run("soak", "end", "-j", str(journal), "--at", "2027-01-15T22:00:00Z", "--json")
    for at, where in (("18:50", None), ("19:10", "one"), ("21:59", "one"), ("22:10", None)):
        said = run(
            "tape", "add", "rear_left=650 mm", "-j", str(journal), "--at", f"2027-01-15T{at}:00Z", "--json"
        )
        assert json.loads(said)["soak"] == where
    listed = [
        json.loads(line)
        for line in run("tape", "list", "-j", str(journal), "--soak", "one", "--json").splitlines()
    ]
    assert [one["at"] for one in listed] == ["2027-01-15T19:10:00Z", "2027-01-15T21:59:00Z"]
    assert "does not count" in run("tape", "add", "rear_left=650 mm", "-j", str(journal))


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("add", "rear_left=65.2"), "rear_left: "),
        (("add", "rear_left=652 cm"), "652 cm is implausible; did you mean 652 mm"),
        (("add", "rear_left=6.5 mm"), "did you mean 6.5 cm"),
        (("add", "rear_left"), "write section=height"),
        (("add", "left=650 mm"), "there is no section 'left' \\(there: front_left"),
        (("add", "rear_left=650 mm", "rear_left=651 mm"), "stands there twice"),
        (("add", "rear_left=650 mm", "--at", "2027-01-15T12:00:00Z"), "had read nothing by then"),
        (
            ("add", "rear_left=650 mm", "--uncertainty", "1 m"),
            "--uncertainty: 1 m is implausible; did you mean 1 mm",
        ),
        (
            ("add", "rear_left=850 mm"),
            "rear_left 850 mm is 200 mm above its last height, 650 mm at .* the cold explains .* add --sure",
        ),
        (("correct", "9", "650 mm"), "no height number 9"),
        (("withdraw", "9"), "no height number 9"),
        (("list", "--soak", "two"), "no soak 'two'"),
    ],
)
def test_what_makes_no_sense_is_refused(journal: Path, words: tuple[str, ...], reason: str) -> None:
    run("tape", "add", "rear_left=650 mm", "-j", str(journal))
    with pytest.raises(PlainError, match=reason):
        run("tape", *words, "-j", str(journal))
    assert len(read_register(journal)[1].heights) == 1


def test_a_height_is_withdrawn_once(journal: Path) -> None:
    run("tape", "add", "rear_left=650 mm", "-j", str(journal))
    assert "no longer counts" in run("tape", "withdraw", "1", "-j", str(journal))
    with pytest.raises(PlainError, match="withdrawn already"):
        run("tape", "withdraw", "1", "-j", str(journal))
    with Register.open(journal) as register:
        assert register.heights()[0].withdrawn is not None
    assert "withdrawn" in run("tape", "list", "-j", str(journal))


def test_a_correction_is_all_or_nothing(journal: Path) -> None:
    run("tape", "add", "rear_left=650 mm", "-j", str(journal))
    with Register.open(journal) as register:
        [wrong] = register.heights()
        # what may go wrong between the two writes: here the second is refused
        register._database._connection.execute(
            "CREATE TEMP TRIGGER refuse BEFORE UPDATE ON tape BEGIN SELECT RAISE(ABORT, 'no'); END"
        )
        with pytest.raises(DatabaseError):
            register.withdraw_height(wrong.id, replace(wrong, height_m=0.64))
        assert register.heights() == [wrong]


# -- the file ------------------------------------------------------------------------------------------------

CLOCKED = Readings(
    np.datetime64("2027-01-15T18:00", "us"), np.array([0.0, 36_000.0]), {"a.pressure": np.zeros(2)}
)
UNCLOCKED = Readings(None, np.array([0.0, 36_000.0]), {"a.pressure": np.zeros(2)})


def test_a_tape_file_is_read() -> None:
    read = parse_tape(
        "time,a.height_mm,uncertainty_mm\n2027-01-15T19:05:00+01:00,652,2\n\n2027-01-16T04:00:00Z,650.5,\n",
        CLOCKED,
    )
    assert read == [TapeReading(300.0, "a", 0.652, 0.002), TapeReading(36_000.0, "a", 0.6505, 0.001)]
    assert parse_tape("elapsed_s,a.height_mm\n60,652\n", UNCLOCKED) == [TapeReading(60.0, "a", 0.652)]


@pytest.mark.parametrize(
    ("file", "reason"),
    [
        ("a.height_mm\n650\n", "row 1: has neither a column 'time'"),
        ("time,b.height_mm\n", "row 1, column 'b.height_mm': the recording has no section 'b', but a"),
        ("time,a.height\n", "is no column like"),
        ("time\n", "has no column like"),
        ("time,a.height_mm\n", "holds no height"),
        (
            "time,a.height_mm\n2027-01-15T19:00:00Z,65\n2027-01-15T19:00:00Z,6.52\n",
            "row 3.*implausible: in cm",
        ),
        ("time,a.height_mm\n2027-01-15T19:00:00Z,0.652\n", "row 2.*implausible: in m"),
        ("time,a.height_mm\n2027-01-15T19:00:00,650\n", "has no zone"),
        ("time,a.height_mm\n19:00,650\n", "is no time"),
        ("time,a.height_mm\n2027-01-16T19:00:00Z,650\n", "lies 15.0 h after the recording ends"),
        ("time,a.height_mm\n2027-01-15T19:00:00Z,tall\n", "'tall' is no number"),
        ("time,a.height_mm\n2027-01-15T19:00:00Z\n", "row 2: has 1 cells"),
    ],
)
def test_a_bad_tape_file_is_refused_with_row_and_reason(file: str, reason: str) -> None:
    with pytest.raises(RecordingError, match=reason):
        parse_tape(file, CLOCKED)
    with pytest.raises(RecordingError, match="has no clock"):
        parse_tape("time,a.height_mm\n", UNCLOCKED)


def test_the_report_s_course_has_points_where_somebody_measured_and_the_gas_in_between() -> None:
    time_s = np.arange(0.0, 14 * HOUR_s + 1.0, 600.0)
    values = {"a.pressure": np.full(len(time_s), 7e5), "ambient.temperature": np.full(len(time_s), 270.0)}
    tape = [TapeReading(0.1 * HOUR_s, "a", 0.65), TapeReading(13.9 * HOUR_s, "a", 0.65)]
    soak = SoakAnalysis(SETTINGS, ("a",), tape=tape)
    soak.feed(time_s, values)
    soak.finish()
    (course,) = gas_left(soak)
    assert np.isfinite(course.height_m).sum() == 2
    assert np.isfinite(course.dots).sum() == 2
    assert np.isfinite(course.gas_K).all()
    # after the last height nobody has measured
    assert np.isfinite(course.left[course.time_s <= 13.95 * HOUR_s]).all()
    assert np.isnan(course.left[course.time_s > 13.95 * HOUR_s]).all()


def test_heights_of_a_blocked_soak_are_taken_with_a_word(journal: Path) -> None:
    run("soak", "begin", "hung", "-j", str(journal), "--support", "blocked", "--json")
    assert "the soak is blocked, so heights say nothing" in run(
        "tape", "add", "rear_left=650 mm", "-j", str(journal)
    )
