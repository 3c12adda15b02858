"""The report: it says what the findings say, its curves end where the findings do, and nothing typed gets out of hand."""

from __future__ import annotations

import functools
import re
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import numpy as np
import pytest

from analysis.alarm_store import AlarmStore, Seen, read_alarms
from analysis.compare import compare_section
from analysis.gas_left import gas_left
from analysis.recording import Readings, read_recording
from analysis.register import Register
from analysis.report import report_html
from analysis.report_data import Material, leak_words, of_journal, of_readings, sink_words
from analysis.soak import SoakAnalysis
from analysis.soak_model import Soak
from analysis.trace import MOST_POINTS
from logger.settings import settings_from_text
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import CORNERS, Simulated, SoakPlan
from tests.page_journals import journal_of_a_soak

if TYPE_CHECKING:
    from pathlib import Path

MADE = "2027-01-17T08:00:00Z"
DAY_s = 86400.0
BLOCKED = '[soak]\nsupport = "blocked"\n[sections.front_left]\nvolume = "3 L"\n'
COLUMNS = {"front_left": 250, "front_right": 250, "rear_left": 230, "rear_right": 230}
STANDING = '[soak]\nsupport = "standing"\n' + "".join(
    f'[sections.{name}]\ngas_column = "{column} mm"\n' for name, column in COLUMNS.items()
)
HOSTILE = ("<script>alert(1)</script>", "x" * 5000, "\u202eregnolkcab", '"><img src=x onerror=alert(1)>')


@functools.cache
def simulated(support: str) -> Simulated:
    leak = Leak("front_left", 0.12 / DAY_s)
    sections = ("front_left", "rear_left") if support == "blocked" else CORNERS
    return simulate(SoakPlan(hours=26.0, support=support, leaks=(leak,), sections=sections), 3)  # type: ignore[arg-type]


def rows_of(soak: Simulated) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    some = np.any([np.isfinite(v) for v in soak.measured.values()], axis=0)
    return soak.time_s[some], {name: v[some] for name, v in soak.measured.items()}


@functools.cache
def material(support: str = "blocked") -> Material:
    soak = simulated(support)
    begin = np.datetime64(soak.plan.begin_utc.replace(tzinfo=None), "us")
    readings = Readings(begin, *rows_of(soak))
    return of_readings(readings, settings_from_text(BLOCKED if support == "blocked" else STANDING), "bay.csv")


class Page(HTMLParser):
    """Which elements a page has, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("support", ["blocked", "standing"])
def test_the_curve_ends_where_the_findings_do(support: str) -> None:
    made = material(support)
    days = made.findings["hours"] / 24.0
    section, course = made.findings["sections"][0], made.over_time[0]
    low, high = section["loss_per_day_interval95"]
    lost = -np.log([course.high[-1], course.left[-1], course.low[-1]]) / days
    # the last bin ends up to a bin before the last row, and draws stand for the mixture
    assert lost == pytest.approx([low, section["loss_per_day"], high], abs=0.12 * (high - low))
    assert course.left[0] == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("support", ["blocked", "standing"])
def test_the_band_holds_what_the_simulator_did(support: str) -> None:
    """Truth: the simulator's leak of 12 %/day in one section, none in the other."""
    for course, loss in zip(material(support).over_time, (0.12, 0.0, 0.0, 0.0), strict=False):
        truth = np.exp(-loss * course.time_s / DAY_s)
        slack = 0.004
        assert np.all(truth >= course.low - slack)
        assert np.all(truth <= course.high + slack)
        # the dots scatter around the line, they don't run away from it
        assert np.nanmedian(np.abs(course.dots - course.left)) < 0.01


def test_cooling_alone_moves_the_reading_and_not_what_a_tight_section_would_read() -> None:
    course = material().over_time[1]
    assert np.nanmax(course.pressure_Pa) - np.nanmin(course.pressure_Pa) > 2e4
    assert np.nanmax(np.abs(course.tight_Pa - course.pressure_Pa)) < 1.5e4
    leaking = material().over_time[0]
    # 12 %/day over 26 h of about 8 bar absolute: by hand, 0.122·8 bar
    assert leaking.tight_Pa[-1] - leaking.pressure_Pa[-1] == pytest.approx(0.95e5, rel=0.35)


def test_memory_stays_the_same_however_long_it_is() -> None:
    soak = SoakAnalysis(settings_from_text(BLOCKED), ("a",), begin_utc=np.datetime64("2027-01-01", "us"))
    hours = np.arange(0.0, 24 * 9, 0.5)
    values = {
        "a.pressure": 7e5 + 100.0 * np.sin(hours),
        "ambient.temperature": 270.0 + np.cos(hours),
        "ambient.pressure": np.full(len(hours), 1e5),
    }
    soak.feed(hours * 3600.0, values)
    points = soak.estimator.trace.points
    assert MOST_POINTS / 2 <= len(points) <= MOST_POINTS
    assert points[-1].time_s - points[0].time_s > 8.9 * DAY_s
    assert len(gas_left(soak)[0].left) == len(points)


def test_the_report_says_what_the_findings_say_and_needs_nothing_beside_it() -> None:
    made = material()
    text = report_html(made, MADE, job="1042", car="blue shuttle")
    page = Page(text)
    for section in made.findings["sections"]:
        assert section["name"] in page.text
        assert f"{100 * section['loss_per_day']:.1f} %/day" in page.text
    for words in (
        "1042",
        "blue shuttle",
        made.settings.fingerprint,
        "cornerhold 0.1.0",
        "JCGM 106",
        "Cautions",
    ):
        assert words in page.text
    assert "script" not in page.tags
    assert "link" not in page.tags
    assert "img" not in page.tags
    outside = [
        v for k, v in page.attributes if k in {"src", "href", "xlink:href"} and not (v or "").startswith("#")
    ]
    assert outside == []
    assert page.tags.count("svg") == 4  # two sections, for paper and for a telephone


def test_a_known_volume_gives_a_leak_rate() -> None:
    made = material()
    words = leak_words(made, 0)
    assert words is not None
    # loss · p · V by hand: 0.12/day, about 8 bar absolute, 3 L
    rate = float(re.match(r"([\d.e-]+) Pa·m³/s", words)[1])
    assert rate == pytest.approx(0.12 / DAY_s * 7.5e5 * 3e-3, rel=0.3)
    assert leak_words(made, 1) is None


def test_what_a_person_sees_of_it_in_a_day() -> None:
    made = material("standing")
    # by hand: the simulator's 12 %/day of a gas column of 250 mm are 30 mm a day; the others lose nothing
    leaking = re.fullmatch(r"([\d.]+) mm a day on its wheels", sink_words(made, 0) or "")
    assert leaking is not None
    assert float(leaking[1]) == pytest.approx(30.0, rel=0.2)
    for i in (1, 2, 3):
        words = re.fullmatch(r"at most ([\d.]+) mm a day on its wheels .*", sink_words(made, i) or "")
        assert words is not None
        assert 0.0 < float(words[1]) < 10.0
    assert sink_words(material("blocked"), 0) is None


def test_a_second_soak_of_a_job_says_what_it_proves_and_who_took_notice(tmp_path: Path) -> None:
    path = journal_of_a_soak(tmp_path, minutes=600)
    with Register.open(path) as register:
        register.end(300, "2027-01-15T23:00:00Z")
        register.begin(Soak(0, "tuesday", job="1042", after_entry=300, begun="2027-01-15T23:00:00Z"))
    text = '[channels."front_left.pressure".calibration]\ndate = 2026-11-02\nreference = "gauge 7"\n'
    raised = "2027-01-15T20:00:00Z"
    with AlarmStore.open(path, rig="bay-2") as store:
        seen = [Seen("front_left", "leak", 1, None, raised, None)]
        store.reconcile(2, seen, lambda _: ("front_left leaks.", {}), complete=True)
        ((name, _),) = read_alarms(path)
        assert store.acknowledge(None, name, "Mara") is not None
    made = of_journal(path, settings_from_text(text), "tuesday")
    made.findings["sections"][0]["alarms"] = [{"kind": "leak", "raised": raised, "cleared": None}]
    said = " ".join(Page(report_html(made, MADE)).text.split())
    assert made.before is not None
    for was, now in zip(made.before["sections"], made.findings["sections"], strict=True):
        compared = compare_section(was, now)
        assert f"{compared.outcome}. {compared.sentence}" in said
    assert re.search(r"front_left: leak since [^;]*, not over; acknowledged by Mara \w+ \d+ \w+ \d{4} ", said)
    assert "rig, firmware v, a reading every 60 s" in said
    assert (
        "front_left.pressure: 2026-11-02, against gauge 7; none noted for the pressure of front_right" in said
    )


@pytest.mark.parametrize("name", HOSTILE, ids=["script", "long", "right-to-left", "attribute"])
def test_hostile_names_are_shown_and_do_nothing(name: str) -> None:
    page = Page(report_html(material(), MADE, car=name, job=name, customer=name))
    assert "script" not in page.tags
    assert "img" not in page.tags
    assert not any(k.startswith("on") for k, _ in page.attributes)
    assert max(map(len, page.text.split())) < 500
    assert name[:10] in page.text or name.startswith("\u202e")


def test_a_soak_without_much_data_still_makes_a_report(tmp_path: Path) -> None:
    file = tmp_path / "short.csv"
    file.write_text(
        "elapsed_s,a.pressure_kPa,ambient.temperature_degC\n0,700,5\n60,700.1,5\n", encoding="utf-8"
    )
    text = report_html(of_readings(read_recording(file), settings_from_text(""), "short.csv"), MADE)
    assert "too few readings for a plot" in text
    assert "undecided" in text
    assert "no clock" in text
