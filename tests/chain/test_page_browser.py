"""The page in a real browser, from a real process, beside a real analysis: an alarm appears and is acknowledged."""

from __future__ import annotations

import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

from analysis.page_guard import new_token
from tests.page_journals import RIG, journal_of_a_soak

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
CHROMIUM = "/usr/bin/chromium"
TOKEN, HASHED = new_token()


@pytest.fixture
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    journal_of_a_soak(tmp_path, car="<script>alert(1)</script>" + "x" * 5000)
    file = tmp_path / "bay.toml"
    journal = f'[journal]\npath = "{RIG}.journal"\n'
    file.write_text(f'[rig]\nname = "{RIG}"\n{journal}[page]\ntoken_sha256 = "{HASHED}"\n')
    return file


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def test_a_foreman_logs_in_sees_an_alarm_come_and_acknowledges_it(browser: Browser, settings: Path) -> None:
    served = subprocess.Popen(
        [*COMMAND, "page", "--settings", str(settings)], stdout=subprocess.PIPE, text=True
    )
    analysis = None
    try:
        address = served.stdout.readline().strip()
        page = browser.new_page(viewport={"width": 390, "height": 800})
        trouble: list[str] = []
        page.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.clock.install()
        page.goto(address)
        page.get_by_label("Token").fill(TOKEN)
        page.get_by_role("button", name="Log in").click()
        page.get_by_role("link", name=RIG).click()
        expect(page.get_by_role("heading", name="front_left")).to_be_visible(timeout=30_000)
        assert page.get_by_role("button", name="Acknowledge").count() == 0
        # now somebody starts the watch: the alarm comes without a reload
        analysis = subprocess.Popen(
            [*COMMAND, "analysis", "--settings", str(settings)], stderr=subprocess.DEVNULL
        )
        button = page.get_by_role("button", name="Acknowledge leak")
        expect(button.first).to_be_visible(timeout=40_000)
        page.get_by_label("Who").first.fill("Mara")
        button.first.click()
        expect(page.get_by_text("Acknowledged by Mara").first).to_be_visible(timeout=30_000)
        expect(page.locator("#plots svg").first).to_be_attached(timeout=30_000)
        assert fits(page)
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
        page.set_viewport_size({"width": 1280, "height": 900})
        assert fits(page)
        assert trouble == []
        # the server goes away: the page must not look as if all were well
        served.send_signal(signal.SIGTERM)
        assert served.wait(20) == 0
        page.clock.fast_forward(20_000)
        expect(page.get_by_role("alert")).to_contain_text("STALE", timeout=20_000)
    finally:
        for process in (served, analysis):
            if process is not None:
                process.terminate()
                process.wait(20)
        served.stdout.close()
