"""The page in a real browser, and behind it the whole chain: a virtual rig on a pseudo-terminal, and `run` beside it.

The rig stays silent until the browser looks, and plays for longer than any test takes, so nothing has to be fast.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tty
from typing import TYPE_CHECKING

import pytest
from axe_playwright_python.sync_playwright import Axe
from logger_process import wait_for
from parts import need
from playwright.sync_api import expect, sync_playwright

from analysis.alarm_store import read_alarms
from analysis.page_guard import new_token
from analysis.register import Register
from analysis.soak_model import Soak

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
TOKEN, HASHED = new_token()
RIG = "bay-2"
PATIENCE_ms = 120_000
"""Only a failure waits so long; a loaded machine may need a good part of it."""
SCENARIO = f"""
seed = 5
[soak]
length = "400 h"
period = "60 s"
[rig]
name = "{RIG}"
speed = 1200
[weather]
mean = "-8 degC"
[[leaks]]
section = "front_left"
loss = "40 %/day"
"""
SETTINGS = f"""
[rig]
name = "{RIG}"
clock = "rig"
begin = 2027-01-15T18:00:00Z
[journal]
path = "{RIG}.journal"
[soak]
planned_length = "48 h"
[page]
port = 0
token_sha256 = "{HASHED}"
"""


class Chain:
    """The rig and `run`; the rig is plugged in when the test says so."""

    def __init__(self, folder: Path) -> None:
        self.journal = folder / f"{RIG}.journal"
        self.link = folder / "rig-port"
        (folder / "scenario.toml").write_text(SCENARIO)
        (folder / "bay.toml").write_text(SETTINGS)
        # a line on which nobody speaks
        self.silent = os.openpty()
        tty.setraw(self.silent[1])
        self.link.symlink_to(os.ttyname(self.silent[1]))
        self.rig = self.start("virtual-rig", "--scenario", str(folder / "scenario.toml"))
        self.run = self.start("run", "--settings", str(folder / "bay.toml"), "--port", str(self.link))
        assert self.run.stderr is not None
        said = (re.search(r"page: (http\S+)", line) for line in self.run.stderr)
        self.address = next(found[1] for found in said if found is not None)
        wait_for(lambda: self.journal.exists() and self.journal.stat().st_size > 0, "the journal", 60.0)
        with Register.open(self.journal) as register:
            # whatever a person types is shown and does nothing
            register.begin(Soak(0, "monday", job="1042", car="<script>alert(1)</script>" + "x" * 5000))

    @staticmethod
    def start(*words: str) -> subprocess.Popen[str]:
        return subprocess.Popen([*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def plug_in(self) -> None:
        assert self.rig.stdout is not None
        port = self.rig.stdout.readline().removeprefix("port: ").strip()
        self.link.unlink()
        self.link.symlink_to(port)
        for end in self.silent:
            os.close(end)

    def end(self) -> None:
        for process in (self.run, self.rig):
            process.kill()
            process.communicate()


@pytest.fixture
def chain(tmp_path: Path) -> Iterator[Chain]:
    running = Chain(tmp_path)
    yield running
    running.end()


@pytest.fixture
def browser() -> Iterator[Browser]:
    program = need("chromium")
    need("libatomic.so.1")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield running
        running.close()


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def test_a_foreman_logs_in_sees_an_alarm_come_and_acknowledges_it(browser: Browser, chain: Chain) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.set_default_timeout(PATIENCE_ms)
    expect.set_options(timeout=PATIENCE_ms)
    trouble: list[str] = []
    page.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.clock.install()
    page.goto(chain.address)
    page.get_by_label("Token").fill(TOKEN)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("link", name=RIG).click()
    # the words that are awaited next stand on the page before, too
    page.wait_for_url(f"{chain.address}rigs/{RIG}")
    expect(page.get_by_text("NOT MEASURING: there is no reading yet")).to_be_visible()
    # from here on it is the same page: nobody loads it again
    page.evaluate("window.untouched = true")

    chain.plug_in()
    expect(page.get_by_text("measuring; the last reading is")).to_be_visible()
    expect(page.get_by_role("heading", name="front_left")).to_be_visible()
    where = page.get_by_text("planned end Sun 17 Jan 18:00 UTC")
    seen = where.text_content() or ""
    expect(where).not_to_have_text(seen)
    button = page.get_by_role("button", name="Acknowledge leak")
    expect(button).to_be_visible()
    assert page.evaluate("window.untouched") is True

    page.get_by_label("Who").fill("Mara")
    button.click()
    expect(page.get_by_text("Acknowledged by Mara")).to_be_visible()
    expect(button).to_have_count(0)
    # the click has come through to the watch, not only to the page
    kept = [alarm for _, alarm in read_alarms(chain.journal) if alarm.kind == "leak"]
    assert [(alarm.section, alarm.acknowledged_by, alarm.cleared) for alarm in kept] == [
        ("front_left", "Mara", None)
    ]

    expect(page.locator("#plots svg").first).to_be_attached()
    for width, scheme in ((390, "light"), (390, "dark"), (1280, "light"), (1280, "dark")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        assert fits(page), (width, scheme)
        if (width, scheme) != (1280, "light"):  # the same as at 390 px but for the grid
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
    assert trouble == []

    # the server goes away: the page must not look as if all were well
    chain.run.send_signal(signal.SIGTERM)
    wait_for(lambda: chain.run.poll() is not None, "the end of run", 60.0)
    assert chain.run.returncode == 0
    page.clock.fast_forward(20_000)
    expect(page.get_by_role("alert")).to_contain_text("STALE")
