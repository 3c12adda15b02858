"""A height that its neighbours and the cold speak against is asked about when it is typed; what can be is not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from test_journal_soak import counted, write
from typer.testing import CliRunner

import analysis.tape_command
from analysis.commands import build_app
from analysis.register import read_register
from analysis.tape_doubt import ANY_COLD_m, Last, by_cold, doubt
from logger.errors import PlainError

if TYPE_CHECKING:
    from pathlib import Path

CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
AT = "2027-01-15T18:05:00Z"
BEFORE = dict(zip(CORNERS, (Last(0.652, AT), Last(0.649, AT), Last(0.640, AT), Last(0.641, AT)), strict=True))
NIGHT_m = (-0.035, 0.01)
STANDING = '[soak]\nsupport = "standing"\n' + "".join(
    f'[sections.{name}]\ngas_column = "250 mm"\n' for name in CORNERS
)


def around(change_mm: float, without: str = "front_left") -> dict[str, float]:
    """The others, all moved alike."""
    return {name: one.height_m + change_mm / 1000.0 for name, one in BEFORE.items() if name != without}


@pytest.mark.parametrize(
    ("height_mm", "others_mm", "asked"),
    [
        (648.0, -4.0, False),
        (630.0, -22.0, False),
        (598.0, -25.0, False),  # leaks 12 % in the night
        (570.0, -25.0, False),  # 57 mm more than the others, and 47 more than the coldest night makes
        (552.0, -3.0, True),  # 100 mm down
        (752.0, -3.0, True),  # 100 mm up: a digit was wrong
        (690.0, -3.0, True),  # nothing makes one corner rise
        (690.0, 30.0, False),  # a box was unloaded: all rose
    ],
)
def test_what_a_corner_may_do_until_the_morning(height_mm: float, others_mm: float, asked: bool) -> None:
    why = doubt("front_left", height_mm / 1000.0, around(others_mm), BEFORE, NIGHT_m)
    assert (why is not None) == asked, why


def test_what_speaks_against_it_is_said() -> None:
    assert doubt("front_left", 0.752, around(-3.0), BEFORE, NIGHT_m) == (
        "front_left 752 mm is 100 mm above its last height, 652 mm at 2027-01-15T18:05:00Z; the cold explains "
        "-35 to +10 mm, and the others moved by -3 mm"
    )
    assert doubt("front_left", 0.752, {"front_right": 0.649, "rear_left": 0.7}, {}, (0.0, 0.0)) == (
        "front_left 752 mm is 103 mm above front_right, 649 mm"
    )


@pytest.mark.parametrize(
    ("height_mm", "others_mm", "asked"),
    [
        (640.0, {}, False),
        (640.0, {"front_right": 652.0}, False),
        (552.0, {"front_right": 652.0}, True),
        (552.0, {"rear_left": 652.0, "rear_right": 660.0}, False),  # front and rear are built differently
        (452.0, {"rear_left": 652.0, "rear_right": 660.0}, True),
    ],
)
def test_the_first_heights_are_held_against_one_another(
    height_mm: float, others_mm: dict[str, float], asked: bool
) -> None:
    others = {name: mm / 1000.0 for name, mm in others_mm.items()}
    why = doubt("front_left", height_mm / 1000.0, others, {}, (0.0, 0.0))
    assert (why is not None) == asked, why


def test_what_the_cold_makes_of_a_column() -> None:
    # 33 K of 293 K on 250 mm are 28 mm (Charles's law), with a centimetre to spare
    low, high = by_cold(0.25, 293.15, 260.15)
    assert low == pytest.approx(-0.0281 - 0.01, abs=5e-4)
    assert high == pytest.approx(0.01, abs=5e-4)
    assert by_cold(0.25, 260.15, 293.15)[1] > 0.03
    assert by_cold(0.25, None, 260.0) == by_cold(None, 290.0, 0.0) == ANY_COLD_m


# -- the command ---------------------------------------------------------------------------------------------


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A standing car whose four corners were measured in the evening."""
    path = tmp_path / "bay.journal"
    write(path, "standing", settings_text=STANDING)
    tape(path, *(f"{name}={1000.0 * one.height_m:g} mm" for name, one in BEFORE.items()), "--at", AT)
    return path


def tape(journal: Path, *words: str, typed: str | None = None, command: str = "add") -> str:
    result = CliRunner().invoke(
        build_app(["tape"]), ["tape", command, *words, "-j", str(journal)], input=typed
    )
    if isinstance(result.exception, PlainError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def heights(journal: Path) -> list[float]:
    return [round(1000.0 * h.height_m, 1) for h in read_register(journal)[1].heights if h.withdrawn is None]


def test_without_a_terminal_it_is_refused_unless_sure(journal: Path) -> None:
    words = ("front_left=752 mm", "front_right=646 mm", "rear_left=637 mm", "rear_right=638 mm")
    with pytest.raises(PlainError, match=r"front_left 752 mm is 100 mm above its last height.*add --sure"):
        tape(journal, *words)
    assert len(heights(journal)) == 4, "all or none"
    tape(journal, *words, "--sure")
    assert heights(journal)[4:] == [752.0, 646.0, 637.0, 638.0]


def test_at_a_terminal_it_is_asked_for_again(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analysis.tape_command, "can_ask", lambda: True)
    said = tape(journal, "front_left=752 mm", "front_right=646 mm", typed="652 mm\n")
    assert "front_left 752 mm is 100 mm above" in said
    assert heights(journal)[4:] == [652.0, 646.0]
    # the same again: it is so
    tape(journal, "front_left=752 mm", typed="752 mm\n")
    assert heights(journal)[6:] == [752.0]
    # a third number is no confirmation
    with pytest.raises(PlainError, match="nothing was entered"):
        tape(journal, "front_right=452 mm", typed="852 mm\n")
    assert len(heights(journal)) == 7


def test_what_is_likely_is_not_asked_about(journal: Path) -> None:
    # rear left lost 40 %/day for 8 h, the simulator's truth, some 30 mm, beside what the cold makes of all
    tape(journal, "front_left=640 mm", "front_right=637 mm", "rear_left=598 mm", "rear_right=630 mm")
    assert len(heights(journal)) == 8


def test_a_correction_is_looked_at_likewise(journal: Path) -> None:
    with pytest.raises(PlainError, match="front_left 552 mm is 97 mm below front_right, 649 mm"):
        tape(journal, "1", "552 mm", command="correct")
    tape(journal, "1", "650 mm", command="correct")
    tape(journal, "5", "552 mm", "--sure", command="correct")
    assert heights(journal) == [649.0, 640.0, 641.0, 552.0]


def test_heights_of_another_soak_say_nothing(journal: Path) -> None:
    def soak(*words: str) -> None:
        result = CliRunner().invoke(build_app(["soak"]), ["soak", *words, "-j", str(journal), "--json"])
        assert result.exit_code == 0, result.output

    soak("begin", "night", "--at", "2027-01-15T20:00:00Z")
    # the car was filled anew in between
    tape(journal, "front_left=752 mm", "front_right=746 mm", "--at", "2027-01-15T20:30:00Z")
    with pytest.raises(PlainError, match="below its last height, 752 mm at 2027-01-15T20:30"):
        tape(journal, "front_left=652 mm")


def test_an_air_that_is_not_read_leaves_what_a_night_may_make(tmp_path: Path) -> None:
    place = counted("standing")[0].index("ambient.temperature")
    path = tmp_path / "bay.journal"
    write(path, "standing", settings_text=STANDING,
          change=lambda _n, fields: [*fields[:place], "", *fields[place + 1 :]])  # fmt: skip
    tape(path, "front_left=652 mm", "--at", AT)
    with pytest.raises(PlainError, match="the cold explains -40 to \\+10 mm"):
        tape(path, "front_left=752 mm")
    assert np.allclose(heights(path), [652.0])
