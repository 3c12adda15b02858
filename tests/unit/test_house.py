"""The house keeps its rules: what lies where, who imports whom, who reads the clock."""

import ast
import re
import tomllib
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import pytest

import analysis
import logger

TREE = Path(__file__).parents[2]
ROOMS = {room.__name__: Path(room.__file__).parent for room in (logger, analysis)}
MODULES = sorted(path for room in ROOMS.values() for path in room.rglob("*.py"))

TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "docker-compose.yml",
    "logger", "analysis", "firmware_notes", "tests", ".ci", ".gitignore",
}  # fmt: skip
# what working in the tree leaves behind; .gitignore keeps it out of the commits
LEFT_BEHIND = re.compile(
    r"\.git|\.venv.*|.*_cache|\.hypothesis|__pycache__|build|dist|rehearsal.*|.*\.journal.*|\.coverage"
)
MAX_LINES = 440  # "about 400"

# who reads the wall clock; rates and intervals come from rig time or a monotonic clock
WALL_CLOCK = {"time.time", "time.time_ns", "datetime.now", "datetime.utcnow", "datetime.today", "date.today"}


def _name(path: Path) -> str:
    room = next(room for room in ROOMS.values() if path.is_relative_to(room))
    return path.relative_to(room.parent).as_posix()


def _imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def test_the_top_level_is_the_plan_of_the_house() -> None:
    found = {path.name for path in TREE.iterdir() if not LEFT_BEHIND.fullmatch(path.name)}
    # the tests also run in a copy of the tree that leaves the packages to the installed wheel
    assert found | set(ROOMS) == TOP_LEVEL


@pytest.mark.parametrize(
    "module", [path for path in MODULES if path.is_relative_to(ROOMS["logger"])], ids=_name
)
def test_the_logger_never_imports_the_analysis(module: Path) -> None:
    imported = {name.partition(".")[0] for name in _imports(ast.parse(module.read_text()))}
    assert "analysis" not in imported


@pytest.mark.parametrize("module", MODULES, ids=_name)
def test_no_module_outgrows_a_reader(module: Path) -> None:
    assert len(module.read_text().splitlines()) <= MAX_LINES


def test_only_one_module_reads_the_wall_clock() -> None:
    readers = set()
    for module in MODULES:
        tree = ast.parse(module.read_text())
        calls = {ast.unparse(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
        taken = {f"{name}.{alias}" for name, alias in _from_imports(tree)}
        if taken & WALL_CLOCK or any(
            call.removeprefix("datetime.") in WALL_CLOCK or call in WALL_CLOCK for call in calls
        ):
            readers.add(_name(module))
    assert readers == {"logger/clock.py"}


def _from_imports(tree: ast.AST) -> Iterator[tuple[str, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield from ((node.module, alias.name) for alias in node.names)


@pytest.mark.parametrize("name", ["protocol", "framing", "conversation", "link_state"])
def test_the_protocol_knows_no_port_no_task_and_no_clock(name: str) -> None:
    imported = set(_imports(ast.parse((ROOMS["logger"] / f"{name}.py").read_text())))
    assert not imported & {"serial", "asyncio", "time", "datetime", "threading", "logger.port"}


def test_the_version_has_one_number() -> None:
    stated = tomllib.loads((TREE / "pyproject.toml").read_text())["project"]["version"]
    assert stated == version("cornerhold")
    assert re.search(rf"^## {re.escape(stated)}\b", (TREE / "CHANGELOG.md").read_text(), re.MULTILINE)


def test_no_file_knows_the_machine_it_was_written_on() -> None:
    machine = re.compile(r"/(?:work|home|root|Users)/|[A-Z]:\\\\|(?:pypi|pythonhosted)\.org")
    written = {".py", ".md", ".toml", ".yml", ".csv", ".json"}
    files = [path for path in TREE.rglob("*") if path.suffix in written and not _left_behind(path)]
    assert len(files) > 20
    telling = {path.relative_to(TREE).as_posix() for path in files if machine.search(path.read_text())}
    assert telling == set()


def _left_behind(path: Path) -> bool:
    return any(LEFT_BEHIND.fullmatch(part) for part in path.relative_to(TREE).parts)
