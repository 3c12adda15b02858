"""The programs that tests start and that pip can't bring, what they are for, and the Debian package of each.

`python3 tests/parts.py`, by any Python from 3.11 on and without anything installed, brings what is missing by the
system's package manager, as root or by a sudo that asks nothing, and says what. Without that right it says what to
type. A test asks for a part by `need`: without the part it is skipped, or it fails where `CI=true` says that nothing
may be missing.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

SYSTEM_FOLDERS = ("/usr/local/sbin", "/usr/sbin", "/sbin")
"""Where servers lie that the search path of an ordinary user leaves out."""
BEGINNING = "needs "
"""How the reason of a test begins that was skipped for want of a part."""


@dataclass(frozen=True)
class Part:
    """A program or a shared library, the package that brings it, and what the tests do with it."""

    program: str
    package: str
    purpose: str


PARTS = {
    part.program: part
    for part in (
        Part("chromium", "chromium", "the page in a browser"),
        Part("influxd", "influxdb", "the copy in a database"),
        Part("libatomic.so.1", "libatomic1", "what steers the browser"),
        Part("mosquitto", "mosquitto", "MQTT to a broker"),
        Part("mosquitto_passwd", "mosquitto", "the broker's passwords"),
        Part("mosquitto_pub", "mosquitto-clients", "what others publish"),
        Part("mosquitto_sub", "mosquitto-clients", "what others hear"),
        Part("mount", "mount", "a full disk"),
        Part("nginx", "nginx-light", "the TLS front of the compose file"),
        Part("openssl", "openssl", "certificates for TLS"),
        Part("systemd-analyze", "systemd", "the systemd units"),
        Part("unshare", "util-linux", "a journal under two mounts"),
    )
}


def loads(library: str) -> bool:
    """Whether the system has a shared library."""
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True


def find(program: str) -> str | None:
    """Where a program of the table lies, or a library's name if there is one; None without it."""
    if ".so." in program:
        return program if loads(program) else None
    folders = [os.environ.get("PATH", os.defpath), *SYSTEM_FOLDERS]
    return shutil.which(PARTS[program].program, path=os.pathsep.join(folders))


def need(program: str) -> str:
    """Where a program of the table lies; without it the test that asks is skipped, or fails under `CI=true`."""
    __tracebackhide__ = True  # pytest then names the test that asked, not this line
    found = find(program)
    if found is None:
        import pytest  # noqa: PLC0415  this file is also run where pytest is yet to be installed

        part = PARTS[program]
        reason = f"{BEGINNING}{program} ({part.purpose}), of the package {part.package}"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{reason}; under CI=true nothing may be missing", pytrace=False)
        pytest.skip(reason)
    return found


def missing() -> list[Part]:
    return [part for part in PARTS.values() if find(part.program) is None]


def packages(parts: Iterable[Part]) -> list[str]:
    """Their packages, each once, by name."""
    return sorted({part.package for part in parts})


def line_to_type(names: Sequence[str]) -> str:
    """What a person types to have these packages."""
    if shutil.which("apt-get") is None:
        return f"install with your package manager what brings (Debian's names): {' '.join(names)}"
    sudo = "" if os.geteuid() == 0 else "sudo "
    return f"{sudo}apt-get update && {sudo}apt-get install -y --no-install-recommends {' '.join(names)}"


def closing_lines(reasons: Iterable[str]) -> list[str]:
    """What pytest says at its end of tests that were skipped for want of parts; nothing if there were none."""
    named = [reason.removeprefix(BEGINNING).split()[0] for reason in reasons if reason.startswith(BEGINNING)]
    parts = [PARTS[program] for program in named if program in PARTS]
    if not parts:
        return []
    count = "1 test was" if len(parts) == 1 else f"{len(parts)} tests were"
    # whoever lacks these lacks perhaps more, behind them
    typed = line_to_type(packages({*parts, *missing()}))
    return [f"{count} skipped for want of {', '.join(packages(parts))}. To run all of them, type:", typed]


def right_to_install() -> list[str] | None:
    """The words before a command of the package manager, or None where this user may not install."""
    if os.geteuid() == 0:
        return []
    sudo = shutil.which("sudo")
    if sudo is None or subprocess.run([sudo, "-n", "true"], capture_output=True, check=False).returncode != 0:
        return None
    return [sudo, "-n"]


def install(names: Sequence[str], before: Sequence[str]) -> None:
    """Install packages by apt-get; what it complains of is for the person who started this."""
    # sudo keeps nothing of the environment; a machine that was just switched on may be installing something itself
    apt = [*before, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-qq", "-oDPkg::Lock::Timeout=300"]

    def done(*words: str) -> bool:
        none = subprocess.DEVNULL
        said = subprocess.run([*apt, *words], stdin=none, stdout=none, check=False)
        return said.returncode == 0

    wanted = ("install", "-y", "--no-install-recommends")
    done("update")
    if not done(*wanted, *names):
        # one that this system doesn't have should not keep the others away
        for name in names:
            done(*wanted, name)


def main() -> int:
    """Bring what is missing, or say what to type; 1 if something is missing under `CI=true`."""
    lacking = missing()
    if not lacking:
        print(f"parts for the tests: all {len(PARTS)} are there")
        return 0
    names = packages(lacking)
    before = right_to_install()
    if before is not None and shutil.which("apt-get") is not None:
        print(f"parts for the tests: installing {', '.join(names)}", flush=True)
        install(names, before)
        lacking = missing()
        if not lacking:
            return 0
    for part in lacking:
        print(f"parts for the tests: no {part.program} here ({part.purpose}), of the package {part.package}")
    print(f"Tests that need them are skipped. To run all of them, type:\n{line_to_type(packages(lacking))}")
    return int(os.environ.get("CI") == "true")


if __name__ == "__main__":
    sys.exit(main())
