"""The programs that tests need: looked for in one table, brought where that is allowed, named where they are missing."""

from __future__ import annotations

import os
import re
import stat
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import parts
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    Machine = Callable[..., subprocess.CompletedProcess[str]]

TREE = Path(__file__).parents[2]
NOWHERE = "import parts, shutil; parts.SYSTEM_FOLDERS = (); parts.loads = shutil.which;"


def stub(file: Path, text: str = "") -> None:
    file.write_text(f"#!/bin/bash\n{text}\n")
    file.chmod(file.stat().st_mode | stat.S_IXUSR)


@pytest.fixture
def bin_folder(tmp_path: Path) -> Path:
    """All that is on the search path of `machine`: no part, but what any system has."""
    folder = tmp_path / "bin"
    folder.mkdir()
    (folder / "env").symlink_to("/usr/bin/env")
    return folder


@pytest.fixture
def machine(bin_folder: Path) -> Machine:
    """Run tests/parts.py where nothing but `bin_folder` is on the path, as root or as somebody else."""

    def run(*, user: int = 0, **environment: str) -> subprocess.CompletedProcess[str]:
        code = f"import os; os.geteuid = lambda: {user}; {NOWHERE} raise SystemExit(parts.main())"
        return subprocess.run(
            [sys.executable, "-c", code],
            cwd=TREE / "tests",
            env={"PATH": str(bin_folder), "PYTHONDONTWRITEBYTECODE": "1", **environment},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    return run


def apt_that_brings(folder: Path, *lacking: str) -> None:
    """An apt-get that installs each package of the table but the lacking ones, and notes in `said` what it was asked."""
    refused = "|".join(["nothing", *lacking])
    brought = "\n".join(
        f"{part.package}) : >{folder}/{part.program}; /bin/chmod +x {folder}/{part.program} ;;&"
        for part in parts.PARTS.values()
    )
    stub(
        folder / "apt-get",
        f'echo "$*" >>{folder}/said\n'
        f'for word; do case "$word" in {refused}) exit 100 ;; esac; done\n'
        f'for word; do case "$word" in\n{brought}\nesac; done',
    )


def test_root_gets_the_missing_packages_and_is_told_which(machine: Machine, bin_folder: Path) -> None:
    apt_that_brings(bin_folder)
    stub(bin_folder / "openssl")
    done = machine()
    assert (done.returncode, done.stderr) == (0, "")
    names = parts.packages(part for part in parts.PARTS.values() if part.program != "openssl")
    assert done.stdout == f"parts for the tests: installing {', '.join(names)}\n"
    update, install = (bin_folder / "said").read_text().splitlines()
    assert update.split()[-1] == "update"
    assert install.endswith("install -y --no-install-recommends " + " ".join(names))
    assert machine().stdout == f"parts for the tests: all {len(parts.PARTS)} are there\n"


def test_a_package_that_this_system_lacks_keeps_no_other_away(machine: Machine, bin_folder: Path) -> None:
    apt_that_brings(bin_folder, "influxdb")
    done = machine()
    assert done.returncode == 0
    assert [line for line in done.stdout.splitlines() if " no " in line] == [
        "parts for the tests: no influxd here (the copy in a database), of the package influxdb"
    ]
    assert machine(CI="true").returncode == 1


def test_without_the_right_nothing_is_installed_and_one_line_says_what_to_type(
    machine: Machine, bin_folder: Path
) -> None:
    apt_that_brings(bin_folder)
    stub(bin_folder / "sudo", "exit 1")  # as one that would ask for a password
    done = machine(user=1000)
    assert done.returncode == 0
    names = " ".join(parts.packages(parts.PARTS.values()))
    assert done.stdout.splitlines()[-1] == (
        f"sudo apt-get update && sudo apt-get install -y --no-install-recommends {names}"
    )
    assert not (bin_folder / "said").exists()
    assert machine(user=1000, CI="true").returncode == 1


def test_a_sudo_that_asks_nothing_is_used(machine: Machine, bin_folder: Path) -> None:
    apt_that_brings(bin_folder)
    stub(bin_folder / "sudo", f'printf "%s " "$1" >>{bin_folder}/asked\nshift\n[ "$1" = true ] || exec "$@"')
    done = machine(user=1000)
    assert (done.returncode, done.stderr) == (0, "")
    assert set((bin_folder / "asked").read_text().split()) == {"-n"}
    assert len((bin_folder / "said").read_text().splitlines()) == 2


def without_parts(test: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a test of this tree where no part can be found."""
    code = f"import pytest; {NOWHERE} raise SystemExit(pytest.main())"
    kept = {name: value for name, value in os.environ.items() if name not in {"CI", "PYTEST_ADDOPTS"}}
    words = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:randomly", str(TREE / test)]
    return subprocess.run(
        [sys.executable, "-c", code.replace("main()", f"main({words})")],
        cwd=TREE / "tests",
        env={**kept, "PATH": "", **environment},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


A_TEST = "tests/unit/test_docs.py::test_the_systemd_units_are_valid"


def test_a_test_without_its_part_is_skipped_and_the_end_says_what_to_type() -> None:
    done = without_parts(A_TEST)
    assert done.returncode == 0, done.stdout
    assert "needs systemd-analyze (the systemd units), of the package systemd" in done.stdout
    said = done.stdout.splitlines()
    assert said[-3].startswith("1 test was skipped for want of systemd.")
    assert re.search(r"install.* systemd\b", said[-2])
    assert "1 skipped" in said[-1]
    assert "unit/test_docs.py" in next(line for line in said if line.startswith("SKIPPED"))


def test_under_ci_a_missing_part_is_a_failure() -> None:
    done = without_parts(A_TEST, CI="true")
    assert done.returncode == 1
    assert "needs systemd-analyze (the systemd units), of the package systemd" in done.stdout
    assert "skipped" not in done.stdout


def test_no_test_looks_for_a_part_by_itself() -> None:
    """A program of the table that is started by its name or path is one that nobody has asked `need` for."""
    names = "|".join(map(re.escape, parts.PARTS))
    alone = re.compile(rf'(?:run|Popen|start|words =)\W*"(?:{names})"|"/usr/s?bin/(?:{names})"|which\("')
    for file in sorted((TREE / "tests").rglob("*.py")):
        if file not in {Path(__file__), TREE / "tests/parts.py"}:
            found = [match[0] for match in alone.finditer(file.read_text())]
            assert not found, (file, found)
