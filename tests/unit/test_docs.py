"""What the pages say is true: commands exist and are explained, examples work, links lead somewhere."""

import json
import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
import typer
from parts import need

import analysis
import logger
from analysis import commands, page_door, page_guard
from analysis import page as page_views
from analysis.notes_file import parse_notes
from analysis.recording import Readings, read_recording
from analysis.tape_file import parse_tape
from logger.settings import settings_from_text
from logger.virtual.faults import LINE_FAULTS, RIG_FAULTS, SENSOR_FAULTS
from logger.virtual.scenario import scenario_from_text

TREE = Path(__file__).parents[2]
README = (TREE / "README.md").read_text()
DEVELOPERS = (TREE / "DEVELOPERS.md").read_text()
THREATS = TREE / "analysis/threat_model.md"
PAGES = sorted([*TREE.glob("*.md"), *(TREE / "firmware_notes").glob("*.md"), *TREE.glob("analysis/*.md")])
APP = typer.main.get_command(commands.build_app())


def _blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)


COMMANDS = APP.list_commands(None)


def _options(line: str) -> tuple[set[str], set[str]]:
    """The options that a command line (without `cornerhold`) gives, and those that its command has."""
    name, *words = line.split()
    command = APP.get_command(None, name)
    if isinstance(command, typer.core.TyperGroup):
        command = command.get_command(None, words[0])
    known = {option for parameter in command.params for option in parameter.opts}
    return {word for word in words if word.startswith("--")}, known


def test_there_are_commands() -> None:
    assert {"rehearse", "logger", "analysis", "analyse", "export", "virtual-rig"} <= set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_is_explained_with_an_example(name: str) -> None:
    text = APP.get_command(None, name).help or ""
    assert len(text.split()) > 8
    assert re.search(rf"\bcornerhold {name}\b", text)


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_is_in_the_pages(name: str) -> None:
    assert re.search(rf"\bcornerhold {name}\b", README + DEVELOPERS)


def test_the_readme_names_no_command_that_is_not_there() -> None:
    told = re.findall(r"^(?: {4}|.*bin/)cornerhold ([a-z-]+)", README, re.MULTILINE)
    assert told
    assert set(told) <= set(COMMANDS)


@pytest.mark.parametrize("line", re.findall(r"^ {4}cornerhold (.*)$", README, re.MULTILINE))
def test_each_command_line_in_the_readme_has_options_that_exist(line: str) -> None:
    given, known = _options(line)
    assert given <= known


def test_the_first_block_of_the_readme_is_the_two_commands() -> None:
    first, second = _blocks(README, "sh")[0].splitlines()
    assert first.endswith("cornerhold rehearse")
    assert second.endswith("pytest -n auto")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text()
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        assert not target.startswith("http"), "the pages need no network"
        file, _, anchor = target.partition("#")
        reached = page.parent / file if file else page
        assert reached.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", reached.read_text(), re.MULTILINE)
            assert anchor in {
                re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings
            }


def test_the_settings_in_the_readme_are_accepted() -> None:
    (example,) = _blocks(README, "toml")
    settings = settings_from_text(example)
    assert settings.rig.name == "bay-2"
    # 2 %/day and 3 %/day by definition of the day
    assert settings.threshold_of("rear_left").value == pytest.approx(0.02 / 86400)
    assert settings.threshold_of("front_left").value == pytest.approx(0.03 / 86400)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_settings_in_every_page_are_accepted(page: Path) -> None:
    for example in _blocks(page.read_text(), "toml"):
        settings_from_text(example)


def test_the_scenario_in_the_readme_is_accepted_and_all_faults_are_named() -> None:
    (example,) = _blocks(README, "scenario")
    scenario = scenario_from_text(example, Path("rear-left.toml"))
    assert scenario.plan.leaks[0].section == "rear_left"
    (told,) = re.findall(r"^Kinds of fault: ([^.]+)\.", README, re.MULTILINE)
    assert set(re.findall(r"`(\S+)`", told)) == {*SENSOR_FAULTS, *LINE_FAULTS, *RIG_FAULTS}


def test_the_recording_in_the_readme_is_read(tmp_path: Path) -> None:
    (example,) = _blocks(README, "csv")
    file = tmp_path / "bay-2.csv"
    file.write_text(example)
    readings = read_recording(file)
    assert readings.values["front_left.pressure"][0] == pytest.approx(812.4e3)
    assert readings.values["ambient.temperature"][0] == pytest.approx(292.95)


def test_the_notes_in_the_readme_are_read() -> None:
    (example,) = _blocks(README, "notes")
    begin = np.datetime64("2027-01-15T18:00", "us")
    readings = Readings(begin, np.array([0.0, 50_400.0]), {"front_left.pressure": np.zeros(2)})
    assert [note.kind for note in parse_notes(example, readings)] == ["valve", "moved"]


def test_the_heights_by_hand_in_the_readme_are_read() -> None:
    (example,) = _blocks(README, "tape")
    begin = np.datetime64("2027-01-15T18:00", "us")
    values = {f"{name}.pressure": np.zeros(2) for name in ("front_left", "front_right")}
    heights = parse_tape(example, Readings(begin, np.array([0.0, 50_400.0]), values))
    assert [one.height_m for one in heights] == [0.652, 0.649, 0.648, 0.631]


def test_the_findings_in_the_readme_are_json_with_the_keys_of_the_contract() -> None:
    (example,) = _blocks(README, "json")
    findings = json.loads(example)
    assert findings["cornerhold"] == "findings/1"
    assert set(findings["sections"][0]) >= {
        "verdict",
        "loss_per_day",
        "loss_per_day_interval95",
        "alarms",
        "notes",
    }


UNITS = {re.match(r"# (\S+)$", block, re.MULTILINE)[1]: block for block in _blocks(README, "ini")}
# what systemd calls the units when they run, and how exposed each may be by its own measure (0 is best, 10 the worst)
EXPOSURE = {"cornerhold-logger@bay-2": 1.5, "cornerhold-analysis": 1.2, "cornerhold-page": 1.1}


@pytest.fixture(scope="module")
def unit_root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The units of the README where systemd looks for them, drop-in included."""
    root = tmp_path_factory.mktemp("root")
    for name, text in UNITS.items():
        file = root / "etc/systemd/system" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
    program = root / "opt/cornerhold/bin/cornerhold"
    program.parent.mkdir(parents=True)
    program.touch(0o755)  # verify wants the program to be there
    return root


def _systemd(root: Path, *words: str) -> subprocess.CompletedProcess[str]:
    words = (need("systemd-analyze"), f"--root={root}", "--no-pager", *words)
    return subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)


def test_the_systemd_units_are_valid(unit_root: Path) -> None:
    units = [f"{name}.service" for name in EXPOSURE]
    verified = _systemd(unit_root, "verify", "--man=no", "--recursive-errors=no", *units)
    assert (verified.returncode, verified.stderr) == (0, "")


@pytest.mark.parametrize("name", EXPOSURE)
def test_the_systemd_units_are_no_more_exposed_than_the_readme_says(name: str, unit_root: Path) -> None:
    said = _systemd(unit_root, "security", "--offline=true", f"{name}.service").stdout
    (found,) = re.findall(r"Overall exposure level for \S+: ([\d.]+)", said)
    assert float(found) <= EXPOSURE[name]
    assert f"{found} of 10" in README or f"{found} for the" in README


def test_the_units_have_a_watchdog_and_wait_for_ready() -> None:
    common = UNITS["cornerhold-.service.d/hardening.conf"]
    assert {"Type=notify", "WatchdogSec=60", "Restart=always", "StartLimitIntervalSec=0"} <= set(
        common.splitlines()
    )


@pytest.mark.parametrize("unit", [unit for unit in UNITS.values() if "ExecStart" in unit])
def test_the_systemd_units_give_options_that_exist(unit: str) -> None:
    name, *words = re.search(r"^ExecStart=\S+ (.*)$", unit, re.MULTILINE)[1].split()
    known = {option for parameter in APP.get_command(None, name).params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= known


def test_the_containers_give_options_that_exist() -> None:
    lines = re.findall(r"^ +command: \[(.*)\]$", (TREE / "docker-compose.yml").read_text(), re.MULTILINE)
    assert len(lines) == 3
    for line in lines:
        name, *words = [word.strip() for word in line.split(",")]
        known = {option for parameter in APP.get_command(None, name).params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= known


ROOMS = {
    f"{room.__name__}/{path.name}"
    for room in (analysis, logger)
    for path in Path(room.__file__).parent.glob("*.py")
} - {"analysis/__init__.py", "logger/__init__.py"}


def test_the_threat_model_is_one_page_that_is_found_and_names_every_door() -> None:
    assert "](analysis/threat_model.md)" in DEVELOPERS
    assert "](analysis/threat_model.md)" in README
    told = THREATS.read_text()
    assert len(told.splitlines()) <= 60
    doors = re.findall(r"^\| ([^|]+?) \|", told, re.MULTILINE)[1:]
    for door in ("serial line", "journal", "broker", "page", "InfluxDB", "letters"):
        assert any(door in one for one in doors), door
    # figures that it gives are those of the program
    most, free, asking = page_door.MOST, page_door.FREE, page_door.ASKING_s
    assert f"At most {most} connections are in" in told
    assert f"{free} are left to the recording" in told
    assert f"nothing for {asking:.0f} s, or takes no answer for {page_door.ANSWERING_s:.0f} s" in told
    bounds = (page_views.LARGEST_TARGET, page_views.LARGEST_HEAD, page_views.LARGEST_BODY)
    assert "({}, {} and {} KiB)".format(*(bound // 1024 for bound in bounds)) in told
    assert page_guard.TRIES == 5  # "after five in a minute"


def test_the_map_has_every_room_and_no_other() -> None:
    told = set(re.findall(r"\b(?:logger|analysis)/\w+\.py\b", DEVELOPERS))
    assert told == ROOMS
