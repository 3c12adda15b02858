"""The reference firmware, run by the real MicroPython interpreter on a pseudo-terminal with a board that isn't there."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tty
from pathlib import Path
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import TracebackType

HERE = Path(__file__).parent
REFERENCE = HERE.parents[1] / "firmware_notes" / "reference"
# With config.py's buffer of 3600 samples and the made-up board's own needs 190 kB were enough and 170 were not (tried)
INTERPRETER = [
    sys.executable,
    "-c",
    "import sys; from micropython_unix import main; sys.exit(main())",
    "-X",
    "heapsize=220k",
]
WATCHDOG_BIT = 3  # as in fake_board/machine.py

FACTS = {
    "converter": {"72": [18233, 17940, 17002, 16800], "73": [26666, 0, 0, 0]},
    "absent": [],
    "thermometer": 0x0191,  # 25.0625 °C by the DS18B20 datasheet's table
    "reset_cause": 1,
    "hang": False,
}


def environment(**more: str) -> dict[str, str]:
    """What the interpreter needs: our modules before its own."""
    return {**os.environ, "MICROPYPATH": f"{HERE / 'fake_board'}:{REFERENCE}:.frozen", **more}


class MicroPythonRig:
    """The firmware at a port that stays when the rig restarts. `facts(...)` changes what its sensors see."""

    def __init__(self, directory: Path, config: str = "") -> None:
        """Lay out the port; `config` are lines that override config.py."""
        self._directory = directory
        self._facts = dict(FACTS)
        self._facts_file = directory / "facts.json"
        self._config = config
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(
            self._master, False
        )  # the child has the same open file, so it doesn't block there either
        self.path = os.ttyname(self._slave)
        self.process: subprocess.Popen[str] | None = None

    def facts(self, **changes: object) -> None:
        """Let the sensors see something else."""
        self._facts.update(changes)
        fresh = self._facts_file.with_suffix(".new")
        fresh.write_text(json.dumps(self._facts))
        fresh.replace(self._facts_file)

    def start(self) -> None:
        """Power on."""
        self.facts()
        path = environment(FAKE_RIG=str(self._facts_file), FAKE_UART=str(self._master))
        if self._config:
            (self._directory / "config.py").write_text((REFERENCE / "config.py").read_text() + self._config)
            path["MICROPYPATH"] = f"{self._directory}:{path['MICROPYPATH']}"
        self.process = subprocess.Popen(
            [*INTERPRETER, "-c", "import main"],
            env=path,
            pass_fds=[self._master],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def wait(self, timeout_s: float = 20.0) -> int:
        """Wait for its end; the exit code."""
        assert self.process is not None
        code = self.process.wait(timeout_s)
        self._said()
        return code

    def kill(self) -> None:
        """Power off."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._said()

    def _said(self) -> None:
        if self.process is not None and self.process.stdout is not None:
            said = self.process.stdout.read()
            self.process.stdout.close()
            self.process = None
            assert said == "", said

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.kill()
        finally:
            os.close(self._master)
            os.close(self._slave)
