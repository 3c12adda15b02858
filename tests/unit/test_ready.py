"""`ready`: both sides of each check on made-up readings, the hold against scipy, and the command on a journal."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.stats import linregress
from scipy.stats import t as student
from test_journal_soak import COUNT, PERIOD_us, write
from typer.testing import CliRunner

from analysis.checks import last_hour
from analysis.commands import build_app, main
from analysis.readiness import Check, Seen, by_hand, check_computer, check_readings, fall_per_min, hold
from analysis.register import read_soaks
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from pathlib import Path

NAMES = ("front_left", "front_right", "rear_left", "rear_right")
SETTINGS = settings_from_text(
    "\n".join(f'[sections.{name}]\nfloor = "2 bar"\nlimit = "9 bar"\ngas_column = "250 mm"' for name in NAMES)
)
STANDING = settings_from_text('[soak]\nsupport = "standing"\n' + SETTINGS.text)


def seen(faults: dict[str, str] | None = None, **changes: Any) -> Seen:
    """An hour at 5 s of a rig as it should be; a change replaces a channel (`__` for the point)."""
    time_s = np.arange(0.0, 3600.5, 5.0)
    rng = np.random.default_rng(5)

    def around(value: float, noise: float) -> np.ndarray:
        return value + noise * rng.standard_normal(len(time_s))

    values = {f"{name}.pressure": around(7e5, 30.0) for name in NAMES}
    values |= {
        "ambient.temperature": around(292.0, 0.05),
        "ambient.pressure": around(101_300.0, 3.0),
        "rig.supply_voltage": around(5.0, 0.01),
    }
    values |= {name.replace("__", "."): value + 0.0 * time_s for name, value in changes.items()}
    return Seen(time_s, values, faults or {})


def states(one: Seen, settings: Any = SETTINGS, hold_s: float = 120.0) -> dict[str, Check]:
    return {check.what: check for check in check_readings(one, settings, hold_s) if check.state != "ok"}


def test_a_rig_as_it_should_be_is_ready() -> None:
    assert states(seen()) == {}


def test_a_count_that_stands_still_is_told_before_it_counts_as_stuck() -> None:
    one = seen()
    # at 5 s: 29 readings are too few, 30 are two and a half minutes
    assert states(replace(one, still={"rear_left.pressure": 29})) == {}
    assert states(replace(one, still={"rear_left.pressure": 30}))["rear_left.pressure"].state == "care"
    # a thermometer or barometer may well stand still
    assert states(replace(one, still={"ambient.pressure": 700, "ambient.temperature": 700})) == {}


def test_counts_that_stand_still_are_counted(tmp_path: Path) -> None:
    # the second channel's last seven counts are the same
    write(
        tmp_path / "bay.journal",
        change=lambda n, fields: [fields[0], "20000" if n >= COUNT - 7 else str(20_001 + n % 2), *fields[2:]],
    )
    one, _ = last_hour(tmp_path / "bay.journal", SETTINGS)
    assert one is not None
    assert list(one.still.values())[1] == 7


TIME_s = np.arange(0.0, 3600.5, 5.0)
NOISE = np.random.default_rng(2).standard_normal(len(TIME_s))


@pytest.mark.parametrize(
    ("one", "what", "state"),
    [
        (seen({"rear_left.pressure": "open"}), "rear_left.pressure", "no"),
        (seen(rear_left__pressure=np.nan), "rear_left.pressure", "no"),
        (seen(rear_left__pressure=np.where(np.arange(len(TIME_s)) % 10, 7e5, np.nan)), "rear_left.pressure", "care"),
        (seen(rear_left__pressure=1.9e5), "rear_left", "no"),  # under the floor
        (seen(rear_left__pressure=9.1e5), "rear_left", "no"),  # over the limit
        (seen(rear_left__pressure=2.2e5), "rear_left", "care"),  # a third of its neighbours
        (seen(ambient__pressure=1013.0), "ambient.pressure", "no"),  # hPa taken for Pa
        (seen(ambient__temperature=20.0), "ambient.temperature", "no"),  # °C taken for K
        (seen(rig__supply_voltage=4.6), "supply", "no"),
        # 0.5 %/min of 8 bar absolute from a fitting
        (seen(rear_left__pressure=7e5 - 8e5 * 0.005 / 60.0 * (TIME_s - 3000.0)), "rear_left hold", "no"),
        # filled ten minutes ago
        (seen(rear_left__pressure=np.where(TIME_s < 3000.0, 5e5, 7e5)), "rear_left settled", "care"),
        # so noisy that a fast leak can't be told
        (seen(rear_left__pressure=7e5 + 4e3 * NOISE), "rear_left hold", "care"),
        # a valve that seeps in
        (seen(rear_left__pressure=7e5 + 8e5 * 0.005 / 60.0 * (TIME_s - 3000.0)), "rear_left hold", "care"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_what_is_wrong_is_found_and_nothing_else(one: Seen, what: str, state: str) -> None:
    found = states(one)
    assert found[what].state == state
    assert all(name.startswith(what.split(".", maxsplit=1)[0].split(maxsplit=1)[0]) for name in found)


@pytest.mark.parametrize("height", [5e5, -5e5, 3e4, -3e4])
@pytest.mark.parametrize("at", [0, 300, -1])
def test_a_spike_is_no_fill(height: float, at: int) -> None:
    spiked = np.full(len(TIME_s), 7e5)
    spiked[at] += height
    # within the hold it asks for a longer one, which is right
    assert set(states(seen(rear_left__pressure=spiked))) <= ({"rear_left hold"} if at == -1 else set())


def test_a_section_without_a_channel_and_a_standing_car_without_heights() -> None:
    more = settings_from_text(SETTINGS.text + '\n[sections.spare]\nfloor = "2 bar"\n')
    assert states(seen(), more)["spare"].state == "no"
    found = states(seen(), STANDING)
    assert (found["rear_left"].state, found["rear_left hold"].state) == ("care", "care")
    assert "tape add" in found["rear_left"].sentence
    heights = {f"{name}__height": 0.3 for name in NAMES}
    assert states(seen(**heights), STANDING) == {}
    # a standing car: the load keeps the pressure, the height falls; 0.5 %/min of 250 mm
    sinking = heights | {"rear_left__height": 0.3 - 0.25 * 0.005 / 60.0 * TIME_s}
    assert states(seen(**sinking), STANDING)["rear_left hold"].state == "no"


def test_the_hold_is_a_straight_line_by_least_squares() -> None:
    rng = np.random.default_rng(2)
    time_s = np.arange(0.0, 121.0, 5.0)
    log = 1.0 - 0.003 * time_s / 60.0 + 1e-3 * rng.standard_normal(len(time_s))
    found = fall_per_min(time_s, log)
    assert found is not None
    # scipy's regression and its standard error; neighbours that resemble one another only widen it
    line = linregress(time_s / 60.0, log)
    half = float(student.ppf(0.975, len(log) - 2)) * line.stderr
    assert found.value == pytest.approx(-line.slope, rel=1e-9)
    assert (found.low + found.high) / 2.0 == pytest.approx(found.value)
    assert half * (1.0 - 1e-9) < found.high - found.value < 1.5 * half
    zigzag = fall_per_min(time_s, 1.0 - 0.003 * time_s / 60.0 + 1e-3 * (-1.0) ** np.arange(len(time_s)))
    assert zigzag is not None
    line = linregress(time_s / 60.0, 1.0 - 0.003 * time_s / 60.0 + 1e-3 * (-1.0) ** np.arange(len(time_s)))
    assert zigzag.uncertainty == pytest.approx(line.stderr, rel=1e-9)


def test_readings_that_resemble_one_another_widen_the_hold() -> None:
    rng = np.random.default_rng(4)
    time_s, rho, rows = np.arange(0.0, 121.0, 2.0), 0.8, 200
    noise = rng.standard_normal((rows, len(time_s)))
    for k in range(1, len(time_s)):
        noise[:, k] = rho * noise[:, k - 1] + np.sqrt(1.0 - rho**2) * noise[:, k]
    found = [fall_per_min(time_s, 1e-3 * row) for row in noise]
    # own simulation: 95 % intervals of a slope that is zero; as independent readings they would hold it in 55 %
    assert np.mean([fall is not None and fall.low < 0.0 < fall.high for fall in found]) > 0.9


def test_too_short_a_look_is_no_hold() -> None:
    one = seen()
    short = Seen(one.time_s[:5], {name: value[:5] for name, value in one.values.items()}, {})
    assert hold(short, "rear_left", SETTINGS, 120.0).state == "no"
    # and says nothing of when it was filled
    assert states(short)["rear_left settled"].state == "care"


def test_disk_clock_and_silence() -> None:
    def wrong(*given: Any) -> set[str]:
        return {check.what for check in check_computer(*given) if check.state == "no"}

    now = 1.8e9
    assert wrong(10**10, now, now - 2.0, now - 1e6) == set()
    assert wrong(10**8, now, now - 2.0, None) == {"disk"}
    assert wrong(10**10, now, now - 60.0, None) == {"readings"}
    assert wrong(10**10, now, None, None) == {"readings"}
    # a clock that was never set
    assert wrong(10**10, 1e6, now, now) == {"clock", "readings"}


@pytest.mark.parametrize("support", ["blocked", "standing"])
def test_nobody_is_under_the_car(support: str) -> None:
    assert any("Nobody under the car" in question for question in by_hand(support))


@pytest.fixture
def bay(tmp_path: Path) -> list[str]:
    """Words for a journal whose newest reading is of now."""
    now_us = int(time.time() * 1e6)
    write(tmp_path / "bay.journal", label=lambda n: now_us - (COUNT - 1 - n) * PERIOD_us)
    settings_file = tmp_path / "bay.toml"
    settings_file.write_text('[soak]\nsupport = "blocked"\n')
    return ["-s", str(settings_file), "-j", str(tmp_path / "bay.journal"), "--hold", "20 min"]


def test_go_and_begin(bay: list[str], tmp_path: Path) -> None:
    app = build_app(["ready"])
    said = CliRunner().invoke(app, ["ready", *bay, "--confirmed", "--json"])
    found = json.loads(said.output)
    assert found["go"], found
    assert said.exit_code == 0
    # nobody listens for alarms: said, and no hindrance
    assert [c["what"] for c in found["checks"] if c["state"] == "care"] == ["delivery"]
    begun = CliRunner().invoke(app, ["ready", *bay, "--confirmed", "--begin", "job-7", "--json"])
    assert begun.exit_code == 0, begun.output
    assert [json.loads(line).get("name") for line in begun.output.splitlines()] == [None, "job-7"]
    assert [soak.name for soak in read_soaks(tmp_path / "bay.journal")] == ["job-7"]


def test_no_go_without_a_person_and_without_readings(bay: list[str], tmp_path: Path) -> None:
    # no terminal, nothing confirmed
    said = CliRunner().invoke(build_app(["ready"]), ["ready", *bay, "--begin", "job-7"])
    assert said.exit_code == 1
    assert "not everything was confirmed" in said.output
    assert read_soaks(tmp_path / "bay.journal") == []
    write(tmp_path / "old.journal")
    old = [*bay[:2], "-j", str(tmp_path / "old.journal"), "--confirmed"]
    said = CliRunner().invoke(build_app(["ready"]), ["ready", *old])
    assert said.exit_code == 1
    assert "is the logger running?" in said.output


def test_no_journal_is_one_line(bay: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["ready", *bay[:2], "-j", str(tmp_path / "gone.journal")])
    assert ended.value.code == 1
    assert capsys.readouterr().err.count("\n") == 1
