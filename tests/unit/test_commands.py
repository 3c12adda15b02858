"""The command line's frame: what becomes of errors, and what is loaded when."""

import os
import pty
import re
import signal
import subprocess
import sys
import termios

import pytest
from typer.testing import CliRunner

from analysis import commands
from logger.errors import PlainError


def run_main(arguments: list[str]) -> int | str | None:
    with pytest.raises(SystemExit) as ended:
        commands.main(arguments)
    return ended.value.code


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> type:
    """A command `fail` that raises what it is told to."""

    class Failing:
        error: BaseException = PlainError("bay.toml: soak.gas: no such gas")

    def fail() -> None:
        """Fail. Example: cornerhold fail."""
        raise Failing.error

    monkeypatch.setattr(sys.modules[__name__], "fail", fail, raising=False)
    monkeypatch.setitem(commands.COMMANDS, "fail", f"{__name__}:fail")
    return Failing


@pytest.mark.parametrize("name", commands.COMMANDS)
def test_every_command_has_help_with_an_example(name: str) -> None:
    result = CliRunner().invoke(commands.build_app([name]), [name, "--help"])
    assert result.exit_code == 0
    assert re.search(rf"Example[s]?:\s+(cornerhold\s+)?cornerhold\s+{name}", result.output)


def test_the_help_lists_every_command() -> None:
    result = CliRunner().invoke(commands.build_app(), ["--help"])
    assert result.exit_code == 0
    for name in commands.COMMANDS:
        assert re.search(rf"^\W*{name}\b", result.output, re.MULTILINE)


def test_the_version() -> None:
    result = CliRunner().invoke(commands.build_app(), ["--version"])
    assert re.fullmatch(r"cornerhold \d+\.\d+\.\d+\S*\n", result.output)


def test_an_own_error_is_one_line_and_exit_1(failing: type, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_main(["fail"]) == 1
    captured = capsys.readouterr()
    assert captured.err == "cornerhold: bay.toml: soak.gas: no such gas\n"
    assert captured.out == ""
    assert failing is not None


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (OSError(28, "No space left on device", "out.csv"), "cornerhold: out.csv: No space left on device\n"),
        (ZeroDivisionError("by\nzero"), "cornerhold: a fault of the program: ZeroDivisionError: by zero"),
    ],
)
def test_other_errors_are_one_line_too(
    failing: type, error: Exception, line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    failing.error = error  # type: ignore[attr-defined]
    assert run_main(["fail"]) == 1
    said = capsys.readouterr().err
    assert said.startswith(line)
    assert said.count("\n") == 1


def test_a_fault_of_the_program_can_be_looked_at(
    failing: type, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CORNERHOLD_TRACEBACK", "1")
    failing.error = ZeroDivisionError("by zero")  # type: ignore[attr-defined]
    assert run_main(["fail"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_wrong_usage_is_exit_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert run_main(["no-such-command"]) == 2
    assert "no-such-command" in capsys.readouterr().err


def test_the_logger_loads_no_numpy() -> None:
    code = (
        "import sys; from analysis.commands import build_app; build_app(['logger']);"
        "import logger.daemon, logger.journal_reader; print('numpy' in sys.modules, 'pint' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stdout == "False False\n"


ENDLESS = """
import sys, time, termios, typer
from analysis import commands
def wait():
    "Wait. Example: cornerhold wait"
    attributes = termios.tcgetattr(0)
    attributes[3] &= ~termios.ECHO
    termios.tcsetattr(0, termios.TCSANOW, attributes)
    print("\\x1b[?25lwaiting", flush=True)
    time.sleep(60)
sys.modules["waiting"] = sys.modules["__main__"]
commands.COMMANDS["wait"] = "waiting:wait"
commands.main(["wait"])
"""


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interrupt_leaves_the_terminal_sane(number: signal.Signals, code: int) -> None:
    host, terminal = pty.openpty()
    try:
        process = subprocess.Popen(
            [sys.executable, "-c", ENDLESS], stdin=terminal, stdout=terminal, stderr=terminal
        )
        said = b""
        while b"waiting" not in said:
            said += os.read(host, 4096)
        process.send_signal(number)
        assert process.wait(timeout=120) == code
        said = os.read(host, 4096)
        assert said.endswith(b"\x1b[?25h")
        assert b"Traceback" not in said
        assert termios.tcgetattr(terminal)[3] & termios.ECHO
    finally:
        os.close(terminal)
        os.close(host)


IN_THE_BACKGROUND = """
import os, signal, sys
from analysis import commands
# a session of its own with this terminal, and a child that is not the one it listens to
child = os.fork()
if child == 0:
    os.setpgid(0, 0)
    signal.signal(signal.SIGTTOU, signal.SIG_DFL)
    with commands._sane_terminal():
        pass
    os._exit(0)
_, status = os.waitpid(child, os.WUNTRACED)
if os.WIFSTOPPED(status):
    os.kill(child, signal.SIGKILL)
print("stopped" if os.WIFSTOPPED(status) else "ended")
"""


def test_a_program_in_the_background_ends_and_is_not_stopped_by_its_terminal() -> None:
    host, terminal = pty.openpty()
    run = f"import fcntl, termios, os; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n{IN_THE_BACKGROUND}"
    try:
        done = subprocess.run(
            [sys.executable, "-c", run],
            stdin=terminal,
            stdout=subprocess.PIPE,
            text=True,
            timeout=60,
            check=True,
        )
    finally:
        os.close(terminal)
        os.close(host)
    assert done.stdout == "ended\n"
