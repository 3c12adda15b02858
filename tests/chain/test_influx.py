"""At a real InfluxDB: every point once, whatever happens to the server, to us, to the clock or to the token."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import random
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from broker import make_certificates
from hand_rig import HandRig
from influx_db import TOKEN, InfluxDb
from logger_process import wait_for
from pty_rig import PtyRig
from test_check_delivery import check
from test_mqtt import running, until

from analysis.alarm_store import AlarmStore, Seen
from analysis.influx_findings import FindingsSource, alarm_line, findings_mirror
from analysis.state import Look
from logger.clock import Stamp
from logger.influx import InfluxPace, Mirror, Portion
from logger.influx_readings import journal_mirror
from logger.journal import Entry, Journal
from logger.mirror_state import FINDINGS, READINGS, MirrorState, StateFile, read_mirrors, read_refused
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logger.delivery_settings import InfluxSettings

PACE = InfluxPace(first_wait_s=0.05, longest_wait_s=0.2, timeout_s=5.0, poll_s=0.02, save_s=0.05)
CHANNELS = (
    "left.pressure",
    "left.gas_temperature",
    "ambient.temperature",
    "ambient.pressure",
    "rig.supply_voltage",
)
BEGIN_us = 1_800_000_000_000_000
DAY_us = 86_400_000_000


@pytest.fixture
def db(tmp_path: Path) -> Iterator[InfluxDb]:
    opened = InfluxDb(tmp_path / "influx")
    try:
        yield opened.start()
    finally:
        opened.close()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "bay.journal", '[rig]\nname = "bay 2"\n') as opened:
        boot = opened.note_boot(
            boot=9, rig="bay 2", firmware="v", period_ms=1000, channels=CHANNELS, resumed=False
        )
        opened.anchor_boot(boot.id, Stamp(0, BEGIN_us))
        yield opened


def append(journal: Journal, numbers: range, moved_us: int = 0, body: str | None = None) -> None:
    """Samples a second apart; the left transducer gives another count each time."""
    journal.append(
        [
            Entry(0, "D", 1, n, n * 1_000_000, BEGIN_us + n * 1_000_000 + moved_us,
                  body or f"{12_000 + n % 5000},{-80 + n % 7},{300 - n % 9},101325,26666")
            for n in numbers
        ]
    )  # fmt: skip


def influx_of(text: str) -> InfluxSettings:
    found = settings_from_text(text).influx
    assert found is not None
    return found


def mirror_of(db: InfluxDb, journal: Journal, **changes: object) -> Mirror:
    return journal_mirror(influx_of(db.settings(**changes)), journal.path, "bay 2", PACE)


async def mirrored(db: InfluxDb, count: int) -> None:
    await until(lambda: db.count() >= count, f"{count} samples in InfluxDB")


def assert_all_there_once(db: InfluxDb, numbers: range) -> None:
    """One point a sample, each with the number of its entry and its own time, and none of anything else."""
    rows = db.rows("SELECT entry, seq FROM readings WHERE section = 'rig'")
    assert [row["seq"] for row in rows] == list(numbers)
    assert [row["entry"] for row in rows] == [n + 1 for n in numbers]
    assert [row["time"] for row in rows] == [(BEGIN_us + n * 1_000_000) * 1000 for n in numbers]
    assert db.count(what="pressure_quality") == 2 * len(numbers)


# -- readings ------------------------------------------------------------------------------------------------


async def test_what_is_read_back_is_what_was_measured(db: InfluxDb, journal: Journal) -> None:
    append(journal, range(1200))
    append(journal, range(1200, 1203), body="1000,,+,101325,26666")
    async with running(mirror_of(db, journal).run()):
        await mirrored(db, 1203)
    assert_all_there_once(db, range(1203))
    left = db.rows("SELECT * FROM readings WHERE section = 'left'")
    # ratiometric: 10 % of the supply is nothing, 90 % the full scale of 16 bar, the step cancels out;
    # the digital thermometers give sixteenths of a degree
    for n, row in enumerate(left[:1200]):
        assert row["pressure_Pa"] == pytest.approx(
            ((12_000 + n % 5000) / 26_666 - 0.1) / 0.8 * 16e5, rel=1e-8
        )
        assert row["gas_temperature_K"] == pytest.approx((-80 + n % 7) / 16 + 273.15, rel=1e-9)
        assert (row["pressure_quality"], row["rig"], row["clock"]) == ("good", "bay 2", "0")
    # what is no reading has no value, and says why
    for row in left[1200:]:
        assert (row["pressure_Pa"], row["pressure_quality"]) == (None, "open")
        assert (row["gas_temperature_K"], row["gas_temperature_quality"]) == (None, "missing")
    ambient = db.rows("SELECT * FROM readings WHERE section = 'ambient'")
    assert {row["pressure_Pa"] for row in ambient} == {101325.0}
    assert [row["temperature_quality"] for row in ambient[-3:]] == ["out_of_range"] * 3


async def test_a_server_that_was_away_for_an_hour_gets_all_of_it_once(
    db: InfluxDb, journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    append(journal, range(10))
    async with running(mirror_of(db, journal).run()) as task:
        await until(lambda: any(state.entry == 10 for state in read_mirrors(journal.path)), "ten samples")
        db.kill()
        for n in range(10, 3610, 600):
            append(journal, range(n, n + 600))
        await until(lambda: any(state.trouble for state in read_mirrors(journal.path)), "the trouble")
        [state] = read_mirrors(journal.path)
        assert state.trouble.startswith("can't take it now (503): the server is away")
        assert state.entry == 10
        # many tries, few words
        tries = len([r for r in caplog.records if "503" in r.getMessage()])
        await until(lambda: len([r for r in caplog.records if "503" in r.getMessage()]) > tries + 3, "tries")
        assert not task.done()
        db.start()
        await mirrored(db, 3610)
        await until(lambda: read_mirrors(journal.path)[0].entry == 3610, "its end")
    assert_all_there_once(db, range(3610))
    loud = [
        r.getMessage() for r in caplog.records if r.levelno > logging.DEBUG and "InfluxDB" in r.getMessage()
    ]
    assert len(loud) == 3, loud
    assert "again, after" in loud[-1]
    assert TOKEN not in caplog.text
    [state] = read_mirrors(journal.path)
    assert (state.entry, state.points, state.refused) == (3610, 3610 * 3, 0)


MIRROR = """
import asyncio, sys
from pathlib import Path
from logger.influx import InfluxPace
from logger.influx_readings import journal_mirror
from logger.settings import load_settings
pace = InfluxPace(poll_s=0.02, save_s=0.0)
asyncio.run(journal_mirror(load_settings(sys.argv[1]).influx, Path(sys.argv[2]), "bay 2", pace).run())
"""


def test_killed_in_the_middle_of_a_request_nothing_is_lost_or_doubled(
    db: InfluxDb, journal: Journal, tmp_path: Path
) -> None:
    settings = tmp_path / "bay.toml"
    settings.write_text(db.settings())
    append(journal, range(2600))
    arrived, go_on = threading.Event(), threading.Event()

    def hold(_body: bytes) -> None:
        if db.writes == 2:
            arrived.set()
            go_on.wait(20.0)

    db.instead = hold
    words = [sys.executable, "-c", MIRROR, str(settings), str(journal.path)]
    process = subprocess.Popen(words)
    assert arrived.wait(20.0)
    process.kill()
    process.wait()
    # the server gets the third portion all the same, and nobody hears its answer
    go_on.set()
    wait_for(lambda: db.count() >= 1500, "the portion that nobody confirmed")
    assert read_mirrors(journal.path)[0].entry == 1000
    process = subprocess.Popen(words)
    try:
        wait_for(lambda: db.count() >= 2600, "the rest")
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert_all_there_once(db, range(2600))


@pytest.mark.long
def test_sixty_kills_of_the_mirror_and_ten_of_the_server_lose_and_double_nothing(
    db: InfluxDb, journal: Journal, tmp_path: Path
) -> None:
    settings = tmp_path / "bay.toml"
    settings.write_text(db.settings())
    words = [sys.executable, "-c", MIRROR, str(settings), str(journal.path)]
    chance = random.Random(5)
    for number in range(60):
        append(journal, range(4000 * number, 4000 * number + 4000))
        process = subprocess.Popen(words, stderr=subprocess.DEVNULL)
        time.sleep(1.0 + chance.random())  # a random moment is the matter itself
        if number % 6 == 3:
            db.kill()
            db.start()
            time.sleep(chance.random())
        process.kill()
        process.wait()
    process = subprocess.Popen(words)
    try:
        wait_for(lambda: db.count() >= 240_000, "the rest", patience_s=300.0)
    finally:
        process.kill()
        process.wait()
    assert_all_there_once(db, range(240_000))


async def test_a_full_disk_on_its_side_is_waited_out(db: InfluxDb, journal: Journal) -> None:
    append(journal, range(50))
    async with running(mirror_of(db, journal).run()):
        await until(lambda: any(state.entry == 50 for state in read_mirrors(journal.path)), "fifty samples")
        db.fill_disk()
        append(journal, range(50, 900))
        await until(lambda: any(state.trouble for state in read_mirrors(journal.path)), "the trouble")
        [state] = read_mirrors(journal.path)
        # in the server's own words
        assert "can't take it now (500): engine: error writing WAL entry" in state.trouble
        assert (state.entry, state.refused) == (50, 0)
        # what it holds in memory only is gone with its restart, with room on the disk
        db.kill()
        db.start()
        await mirrored(db, 900)
    assert_all_there_once(db, range(900))


async def test_a_wrong_token_is_one_line_and_waits_and_a_new_one_needs_no_restart(
    db: InfluxDb, journal: Journal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    token = tmp_path / "token"
    token.write_text("yesterday's-token\n")
    append(journal, range(20))
    async with running(mirror_of(db, journal, token=None, token_file=str(token)).run()):
        await until(lambda: "refuses the token" in caplog.text, "the line")
        seen = len(caplog.records)
        await until(lambda: len(caplog.records) > seen + 3, "more tries")
        assert db.writes == 0
        [warning] = [r.getMessage() for r in caplog.records if r.levelno >= logging.WARNING]
        assert warning.startswith(
            f"no InfluxDB: {db.url}: refuses the token (influx.token, influx.token_file or"
        )
        assert warning.endswith("unauthorized access")
        token.write_text(TOKEN)
        await mirrored(db, 20)
    assert read_refused(StateFile(journal.path, READINGS).refused) == []
    beside = [StateFile(journal.path, READINGS).path.read_text(), journal.path.read_bytes().decode("latin-1")]
    for secret in ("yesterday's-token", TOKEN):
        assert all(secret not in text for text in [caplog.text, *beside])


async def test_readings_that_a_bucket_does_not_take_are_put_aside_with_its_words(
    db: InfluxDb, journal: Journal
) -> None:
    db.ask("ALTER RETENTION POLICY autogen ON shop DURATION 3650d REPLICATION 1 DEFAULT", "POST")
    # a small computer begins in 1970 until it is told the time
    append(journal, range(700), moved_us=-BEGIN_us)
    append(journal, range(700, 900))
    async with running(mirror_of(db, journal).run()):
        await mirrored(db, 200)
        await until(lambda: any(state.entry == 900 for state in read_mirrors(journal.path)), "the end")
    [state] = read_mirrors(journal.path)
    assert (state.points, state.refused) == (200 * 3, 700 * 3)
    assert "points beyond retention policy" in state.refused_words
    kept = read_refused(StateFile(journal.path, READINGS).refused)
    assert len(kept) == 1000
    assert all("beyond retention policy" in one["words"] for one in kept)
    # of 2100 refused points few were asked for one by one (own output: 78 requests)
    assert db.writes < 150
    with Look(journal.path, None) as look:
        [(well, sentence)] = look.state().mirrors
    assert not well
    assert "it refused 2100 points: “partial write: points beyond retention policy" in sentence


class Lines:
    """A source of lines as they are."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines

    async def open(self, state: MirrorState) -> MirrorState:
        return state

    async def next(self, state: MirrorState) -> Portion | None:
        if state.entry:
            return None
        return Portion(self.lines, replace(state, entry=1), lambda: "harmless v=1i")

    async def done(self, portion: Portion) -> None:
        pass

    def waiting(self) -> int:
        return 0

    def close(self) -> None:
        pass


async def carried(db: InfluxDb, lines: list[str], folder: Path) -> list[dict[str, Any]]:
    """Carry lines; return what was put aside."""
    file = StateFile(folder / "x", READINGS)
    mirror = Mirror(influx_of(db.settings()), Lines(lines), file, PACE)
    async with running(mirror.run()):
        await until(lambda: file.path.exists() and '"entry": 1' in file.path.read_text(), "the end")
    return read_refused(file.refused)


async def test_a_clock_that_is_set_while_all_is_refused_lets_the_rest_go_on(
    db: InfluxDb, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    db.ask("ALTER RETENTION POLICY autogen ON shop DURATION 3650d REPLICATION 1 DEFAULT", "POST")
    monkeypatch.setattr("logger.influx_readings.now_us", lambda: 5_000_000)
    append(journal, range(3), moved_us=-BEGIN_us)
    async with running(mirror_of(db, journal).run()):
        await until(lambda: any(state.trouble for state in read_mirrors(journal.path)), "the trouble")
        [state] = read_mirrors(journal.path)
        # in 1970 a point of now is as old as the others: nobody can say yet which are at fault
        assert "refuses whatever we write: partial write: points beyond retention policy" in state.trouble
        monkeypatch.undo()
        append(journal, range(3, 20))
        await mirrored(db, 17)
        await until(lambda: any(state.refused == 9 for state in read_mirrors(journal.path)), "the three")


async def test_a_poisoned_point_is_found_and_the_others_are_there(db: InfluxDb, tmp_path: Path) -> None:
    lines = [f"m,n={n} v={n} {n}" for n in range(1, 301)]
    lines[77] = "m,n=78 v=one 78"
    lines[200] = "m,n=201 v=201i 201"
    refused = await carried(db, lines, tmp_path)
    assert [one["point"] for one in refused] == [lines[77], lines[200]]
    assert "unable to parse" in refused[0]["words"]
    assert "field type conflict" in refused[1]["words"]
    assert db.count("m", "v") == 298
    assert db.writes < 50


async def test_a_bucket_that_takes_nothing_has_nothing_against_our_points(
    db: InfluxDb, journal: Journal
) -> None:
    append(journal, range(20))
    db.instead = lambda _body: (400, {}, '{"error":"the plain request was sent to the other port"}')
    async with running(mirror_of(db, journal).run()):
        await until(lambda: any(state.trouble for state in read_mirrors(journal.path)), "the trouble")
        [state] = read_mirrors(journal.path)
        assert "refuses whatever we write: the plain request" in state.trouble
        assert (state.entry, state.refused) == (0, 0)
        db.instead = None
        await mirrored(db, 20)
    assert_all_there_once(db, range(20))


ANSWERS = [
    ((200, {}, "<html>the guests' network</html>"), "answers 200 to a write: this is no InfluxDB"),
    ((200, {}, "\xff\xfe"), "200"),
    ((302, {"Location": "http://127.0.0.1:9/api/v2/write"}, ""), "sends us to another address (302)"),
    ((303, {"Location": "/ping"}, ""), "sends us to another address (303)"),
    ((404, {}, '{"code":"not found","message":"bucket \\"shop\\" not found"}'), 'bucket "shop" not found'),
    ((429, {"Retry-After": "1"}, '{"message":"too many"}'), "can't take it now (429): too many"),
    ((500, {}, "<h1>no</h1>\x1b[31m"), "can't take it now (500): <h1>no</h1> [31m"),
]


@pytest.mark.parametrize(("answer", "words"), ANSWERS, ids=lambda value: str(value)[:20])
def test_what_is_no_yes_moves_no_cursor(
    bare_front: InfluxDb, answer: tuple[int, dict[str, str], str], words: str
) -> None:
    from logger.influx_server import AwayError, InfluxServer  # noqa: PLC0415

    bare_front.instead = lambda _body: answer
    server = InfluxServer(influx_of(bare_front.settings()), 5.0)
    with pytest.raises(AwayError) as raised:
        server.write(["m v=1 1"])
    server.close()
    assert words in raised.value.reason
    assert raised.value.wait_s == (1.0 if answer[0] == 429 else 0.0)


def test_tls_is_verified_and_each_trouble_with_it_is_named(tmp_path: Path, bare_front: InfluxDb) -> None:
    from logger.influx_server import AwayError, InfluxServer  # noqa: PLC0415

    secure = InfluxDb(tmp_path / "influx", tls=True)
    secure.instead = lambda _body: (204, {}, "")
    make_certificates(secure.folder, "other")
    ca = f"{secure.folder}/ca.pem"
    try:
        server = InfluxServer(influx_of(secure.settings(ca=ca)), 5.0)
        server.write(["m v=1 1"])
        server.close()
        plain = bare_front.url.replace("http:", "https:")
        for changes, words in (
            ({}, "its certificate is not accepted (influx.ca): "),
            ({"ca": f"{secure.folder}/other.pem"}, "its certificate is not accepted (influx.ca): "),
            ({"ca": f"{secure.folder}/nowhere.pem"}, "influx.ca"),
            ({"ca": ca, "url": plain}, "doesn't speak TLS (influx.url begins with https)"),
            ({"url": "http://nowhere.invalid:1"}, "there is no such host"),
        ):
            server = InfluxServer(influx_of(secure.settings(**changes)), 5.0)
            with pytest.raises(AwayError) as raised:
                server.write(["m v=1 1"])
            server.close()
            assert words in raised.value.reason
    finally:
        secure.close()


@pytest.fixture(scope="module")
def bare_front(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxDb]:
    """The front alone, for what never comes to the server behind it."""
    front = InfluxDb(tmp_path_factory.mktemp("front") / "influx")
    yield front
    front.close()


async def test_a_clock_that_is_set_back_wipes_nothing_out(db: InfluxDb, journal: Journal) -> None:
    append(journal, range(300))
    # an hour later it is set back by a day and a bit, later by exactly four minutes, onto the very same labels
    append(journal, range(300, 600), moved_us=-DAY_us)
    append(journal, range(600, 1200))
    append(journal, range(1200, 1500), moved_us=-240_000_000)
    for _ in range(2):
        async with running(mirror_of(db, journal).run()):
            await mirrored(db, 1500)
            await until(lambda: any(state.entry == 1500 for state in read_mirrors(journal.path)), "the end")
        rows = db.rows("SELECT entry, clock FROM readings WHERE section = 'rig'")
        assert sorted(row["entry"] for row in rows) == list(range(1, 1501))
        assert {row["clock"] for row in rows} == {"0", "1", "2"}
        # without its place it sends all of it again, to no effect
        StateFile(journal.path, READINGS).path.unlink()


async def test_a_mirror_that_stands_still_does_not_hold_up_the_end(db: InfluxDb, journal: Journal) -> None:
    append(journal, range(5))
    held = threading.Event()
    db.instead = lambda _body: held.wait(20.0) and None
    mirror = journal_mirror(influx_of(db.settings()), journal.path, "bay 2", replace(PACE, timeout_s=20.0))
    task = asyncio.create_task(mirror.keep())
    try:
        await until(lambda: any(t.name == "InfluxDB" for t in threading.enumerate()), "the request")
        task.cancel()
        done, _ = await asyncio.wait((task,), timeout=5.0)
        assert done
    finally:
        held.set()


# -- findings and alarms -------------------------------------------------------------------------------------

README = Path(__file__).parents[2] / "README.md"
LEAK = Seen("front_left", "leak", 100, None, "2027-01-16T02:10:00Z", None)


def finding(**changes: object) -> dict[str, Any]:
    """The README's findings."""
    [text] = [part.partition("```")[0] for part in README.read_text().split("```json\n")[1:]]
    said: dict[str, Any] = json.loads(text)
    said["sections"][0].update(changes)
    return said


async def test_findings_and_alarms_are_there_with_their_states(db: InfluxDb, tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    with AlarmStore.open(
        path, rig="bay 2", line_of=lambda name, alarm: alarm_line("bay 2", name, alarm)
    ) as store:
        source = FindingsSource(store, "bay 2")
        said = finding() | {"soak": "job, 1042"}
        source.tell(said)
        source.tell(said)
        # every ten minutes anew, and at once with another verdict
        source.tell(said | {"hours": 14.1, "end": "2027-01-16T08:06:00Z"})
        source.tell(said | {"hours": 14.2, "end": "2027-01-16T08:12:00Z"})
        source.tell(finding(verdict="undecided", loss_per_day=None, loss_per_day_interval95=None))
        store.reconcile(
            1, [LEAK], lambda _: ('front_left "leaks".', {"loss_per_day": 1, "reading": None}), complete=True
        )
        store.acknowledge(None, None, "Mara")
        store.close_soaks(None)
        mirror = findings_mirror(influx_of(db.settings()), path, source, PACE)
        db.kill()
        async with running(mirror.run()):
            await until(lambda: any(state.trouble for state in read_mirrors(path)), "the trouble")
            [state] = read_mirrors(path)
            assert (state.what, state.waiting) == (FINDINGS, 6)
            db.start()
            await until(lambda: not store.points_waiting(), "the points")
            await until(lambda: not read_mirrors(path)[0].trouble, "the state")
    found = db.rows("SELECT * FROM findings")
    assert [row["verdict"] for row in found] == ["undecided", "leaking", "leaking"]
    # the time is the findings' end, the values those of the README
    assert found[1]["time"] == 1_800_086_400_000_000_000
    assert (found[1]["loss_per_day"], found[1]["loss_per_day_low95"]) == (0.061, 0.052)
    assert (found[1]["probability_over_threshold"], found[1]["alarms_standing"]) == (1.0, 1)
    assert (found[1]["soak"], found[1]["section"]) == ("job, 1042", "front_left")
    assert (found[0]["loss_per_day"], found[0]["soak"]) == (None, None)
    alarms = db.rows("SELECT * FROM alarms")
    assert sorted((row["state"], row["standing"]) for row in alarms) == [
        ("acknowledged", 1),
        ("cleared", 0),
        ("raised", 1),
    ]
    assert {row["sentence"] for row in alarms} == {'front_left "leaks".'}
    assert {row["loss_per_day"] for row in alarms} == {1.0}
    assert {row["acknowledged_by"] for row in alarms} == {None, "Mara"}


# -- from the command line -----------------------------------------------------------------------------------


def test_check_delivery_writes_a_point_and_reads_it_back(
    db: InfluxDb, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, said = check(tmp_path, db.settings())
    assert code == 0, said
    assert said["InfluxDB, bucket shop, read back"] == (True, "the test point is there")
    [row] = db.rows("SELECT * FROM cornerhold_check")
    assert row["rig"] == "bay-2"
    code, said = check(tmp_path, db.settings(bucket="nowhere"))
    assert code == 1
    assert 'database not found: "nowhere"' in said["InfluxDB, bucket nowhere"][1]
    code, said = check(tmp_path, db.settings(token="wrong-one"))  # noqa: S106  not a real one
    assert code == 1
    assert "refuses the token" in said["InfluxDB, bucket shop"][1]
    assert "wrong-one" not in str(said)
    monkeypatch.delenv("CORNERHOLD_INFLUX_TOKEN", raising=False)
    code, said = check(tmp_path, db.settings(token=None))
    assert "there is no token" in said["InfluxDB, bucket shop"][1]
    db.close()
    code, said = check(tmp_path, db.settings())
    assert said["InfluxDB, bucket shop"][1].endswith("nothing listens there")


def test_run_mirrors_readings_findings_and_alarms_while_they_come(db: InfluxDb, tmp_path: Path) -> None:
    settings, journal = tmp_path / "bay-2.toml", tmp_path / "bay-2.journal"
    settings.write_text(
        f'[rig]\nname = "bay-2"\n[journal]\npath = "bay-2.journal"\n{db.settings(token=None)}'
    )
    main = [sys.executable, "-c", "from analysis.commands import main; main()"]
    with PtyRig(tmp_path, HandRig(), period_s=0.05) as port:
        process = subprocess.Popen(
            [*main, "run", "-s", str(settings), "-p", str(port.path)],
            env=os.environ | {"CORNERHOLD_INFLUX_TOKEN": TOKEN},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            wait_for(lambda: db.count() > 30 and db.count("findings", "verdict") > 0, "readings and findings")
            shown = subprocess.run(
                [*main, "show", "-s", str(settings), "--once"], capture_output=True, text=True, check=True
            ).stdout
        finally:
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=30)
    assert process.returncode == 0, said
    assert "Traceback" not in said
    assert f"connected to the InfluxDB {db.url}" in said
    assert "InfluxDB has the readings up to the last" in " ".join(shown.split())
    assert "InfluxDB has the findings and alarms" in shown
    assert TOKEN not in said + shown
    assert not any(TOKEN.encode() in file.read_bytes() for file in tmp_path.glob("bay-2.journal*"))
    # what was logged after the last request is written after the next start
    rows = db.rows("SELECT entry FROM readings WHERE section = 'rig'")
    assert len({row["entry"] for row in rows}) == len(rows)
    assert read_mirrors(journal)[0].entry >= max(row["entry"] for row in rows)
