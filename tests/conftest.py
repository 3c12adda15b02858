"""Lets the tests of every kind import the helpers that lie in this directory; settings that hold for all of them."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import parts
import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Generator

# an example's time says how busy the machine is, not whether the code is right
settings.register_profile("house", deadline=None)
settings.load_profile("house")

# A run in the background may have been started with these ignored, which every program that it starts would inherit.
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> Generator[None]:
    """Say at the very end how many tests were skipped for want of a program, and what to type to have it."""
    yield
    skipped = (report.longrepr for report in terminalreporter.stats.get("skipped", []))
    # (file, line, reason), as pytest keeps it
    reasons = [reason[2].removeprefix("Skipped: ") for reason in skipped if isinstance(reason, tuple)]
    for line in parts.closing_lines(reasons):
        terminalreporter.write_line(line, yellow=True)
