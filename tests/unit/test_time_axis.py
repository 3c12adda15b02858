"""The time axis from the rig's mouth to the export: conversation, keeper, clock and journal together.

The rig here knows the true time of each sample that it took; events, identities, wraps and restarts come in between.
"""

from __future__ import annotations

import json
import tempfile
from collections import deque
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analysis.export import export_recording
from analysis.live import JournalSoak
from logger.clock import HostTime
from logger.conversation import Conversation
from logger.conversions import open_conversions
from logger.journal import Entry, Journal
from logger.journal_reader import JournalReader
from logger.keeper import Keeper
from logger.protocol import Acknowledge, Identify, Identity, Resend, RigEvent, Sample, decode_rig
from logger.settings import RigSettings, settings_from_text

if TYPE_CHECKING:
    from logger.protocol import RigRecord

WRAP_ms = 1 << 32
# an arbitrary moment, 2026-11-25T12:00:00Z
UTC_us = 1_795_608_000_000_000


@dataclass
class TrueRig:
    """A rig whose samples are held until acknowledged; `true_ms` says when each was taken, on the world's clock."""

    world_ms: int = 0
    name: str = "bench"
    channels: tuple[str, ...] = ("a.pressure", "ambient.temperature")
    period_ms: int = 1000
    boot: int = 7
    booted_ms: int = 0
    first_uptime_ms: int = 0
    true_ms: dict[tuple[int, int], int] = field(default_factory=dict)
    held: deque[Sample] = field(default_factory=deque)
    next_seq: int = 0
    cursor: int = 0
    depth: int = 1_000_000
    slipped_ms: int = 0
    """How far the rig's uptime is off from what it should be: what a firmware must not do."""

    def uptime_ms(self, at_ms: int | None = None) -> int:
        at_ms = self.world_ms if at_ms is None else at_ms
        return (self.first_uptime_ms + at_ms - self.booted_ms + self.slipped_ms) % WRAP_ms

    def take(self) -> None:
        """A period passes, and a sample is taken at its end."""
        self.world_ms += self.period_ms
        values = (self.next_seq % 30_000,) * len(self.channels)
        self.held.append(Sample(self.boot, self.next_seq, self.uptime_ms(), values))
        self.true_ms[self.boot, self.next_seq] = self.world_ms
        self.next_seq += 1
        if len(self.held) > self.depth:
            self.held.popleft()

    def reboot(self) -> None:
        self.boot, self.booted_ms, self.first_uptime_ms = self.boot + 1, self.world_ms, 0
        self.next_seq = self.cursor = 0
        self.held.clear()

    def identity(self) -> Identity:
        first = self.held[0].seq if self.held else self.next_seq
        return Identity(
            1, self.name, "v1", self.period_ms, self.boot, first, self.next_seq - 1, self.channels
        )

    def event(self, ago_ms: int = 0) -> RigEvent:
        """Something happened so long ago (less than zero: the rig's own idea of when is ahead)."""
        return RigEvent(self.boot, self.uptime_ms(self.world_ms - ago_ms), "converter", f"{self.world_ms}")

    def say(self, at_most: int = 1_000_000) -> list[RigRecord]:
        first = self.held[0].seq if self.held else self.next_seq
        self.cursor = max(self.cursor, first)
        said = list(self.held)[self.cursor - first :][:at_most]
        self.cursor += len(said)
        return list(said)


@dataclass
class Host:
    """Conversation, keeper and journal, as the daemon holds them; the world's clock is the rig's."""

    path: Path
    rig: TrueRig
    wall_us: int = 0
    """How far the host's wall clock is off."""

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        self.keeper = Keeper(Journal.open(self.path), RigSettings())
        self.conversation = Conversation(self.keeper.stored_boots())
        self.conversation.opened(self.now_s)
        self.settle()

    @property
    def now_s(self) -> float:
        return self.rig.world_ms / 1000

    def kill(self) -> None:
        self.keeper.close()
        self.start()

    def hear(self, *records: RigRecord) -> None:
        for record in records:
            self.conversation.hear(record, self.now_s)
        self.settle()

    def settle(self) -> None:
        """Commit, and let the rig hear what is said to it; as long as there is something to say."""
        for _ in range(20):
            items = self.conversation.take_items()
            now_us = round(self.now_s * 1e6)
            safe = self.keeper.keep(items, HostTime(now_us, UTC_us + now_us + self.wall_us))
            if safe is not None:
                self.conversation.committed(*safe, self.now_s)
            commands = self.conversation.take_commands()
            if not commands:
                return
            for command in commands:
                match command:
                    case Identify():
                        self.conversation.hear(self.rig.identity(), self.now_s)
                    case Resend(boot, seq) if boot == self.rig.boot:
                        self.rig.cursor = seq
                    case Acknowledge(boot, seq) if boot == self.rig.boot:
                        while self.rig.held and self.rig.held[0].seq <= seq:
                            self.rig.held.popleft()
        raise AssertionError("they talk for ever")

    def finish(self) -> None:
        """All that the rig holds arrives."""
        self.conversation.opened(self.now_s)
        self.settle()
        self.hear(*self.rig.say())
        self.keeper.close()


def live(host: Host, count: int) -> None:
    for _ in range(count):
        host.rig.take()
        host.hear(*host.rig.say())


def rows(path: Path, kinds: str = "D") -> list[Entry]:
    with JournalReader(path) as reader:
        out: list[Entry] = []
        while entries := reader.read(700):
            out += [entry for entry in entries if entry.kind in kinds]
    return out


def off(path: Path, rig: TrueRig, tolerance_us: int = 0) -> int:
    """How many samples stand at another time than they were taken at, measured from the first one."""
    with JournalReader(path) as reader:
        boots = reader.boots()
    samples = rows(path)
    key = [(boots[entry.boot_id or 0].boot, entry.seq or 0) for entry in samples]
    begin_us = samples[0].rig_us - 1000 * rig.true_ms[key[0]]
    return sum(
        abs(entry.rig_us - begin_us - 1000 * rig.true_ms[one]) > tolerance_us
        for entry, one in zip(samples, key, strict=True)
    )


def backlog_with(
    tmp_path: Path, *events: RigEvent | int, held: int = 3600, rig: TrueRig | None = None
) -> Host:
    """A few samples live, `held` while nobody listens, sent again with events after a third of them, a few more live.

    An event given as a number happened so many ms ago.
    """
    rig = rig or TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    for _ in range(18):
        rig.take()
        host.hear(*rig.say())
    for _ in range(held):
        rig.take()
    host.conversation.opened(host.now_s)
    host.settle()
    heard = [rig.event(event) if isinstance(event, int) else event for event in events]
    host.hear(*rig.say(held // 3), *heard, *rig.say())
    for _ in range(18):
        rig.take()
        host.hear(*rig.say())
    host.finish()
    return host


def test_an_event_of_now_in_the_middle_of_a_backlog_moves_no_sample(tmp_path: Path) -> None:
    host = backlog_with(tmp_path, 0)
    assert len(rows(host.path)) == 3636
    assert off(host.path, host.rig) == 0
    [event] = rows(host.path, "E")
    newest = next(
        entry for entry in rows(host.path) if entry.seq == 3617
    )  # the last one before the line was there
    assert (event.rig_us, event.utc_us) == (newest.rig_us, newest.utc_us)


# -- every order ---------------------------------------------------------------------------------------------

DAY_ms = 86_400_000
STEPS = st.one_of(
    st.tuples(st.just("live"), st.integers(1, 20)),
    st.tuples(st.just("away"), st.sampled_from([1, 7, 60, 700, 1500])),
    st.tuples(st.just("say"), st.integers(1, 900)),
    st.tuples(st.just("event"), st.integers(-10 * DAY_ms, 10 * DAY_ms)),
    st.tuples(st.just("event now"), st.just(0)),
    st.tuples(st.just("identity"), st.just(0)),
    st.tuples(st.just("plug"), st.just(0)),
    st.tuples(st.just("kill"), st.just(0)),
    st.tuples(st.just("reboot"), st.just(0)),
    st.tuples(st.just("rename"), st.integers(1, 3)),
    st.tuples(st.just("clock set"), st.integers(-2 * DAY_ms, 2 * DAY_ms)),
)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    story=st.lists(STEPS, min_size=3, max_size=25),
    first_uptime_ms=st.sampled_from([0, 12, WRAP_ms // 2, WRAP_ms - 5_000, WRAP_ms - DAY_ms]),
    period_ms=st.sampled_from([10, 1000, 60_000, 3_600_000]),
    depth=st.sampled_from([50, 1_000_000]),
)
# an event of now comes after its boot's first sample, while two months of samples wait
@example([("live", 1), ("away", 1500), ("event now", 0), ("kill", 0), ("say", 900)], 12, 3_600_000, 1_000_000)
@example([("live", 3), ("away", 1500), ("plug", 0), ("live", 3)], WRAP_ms - 5_000, 3_600_000, 50)
def test_samples_keep_their_times_whatever_is_said_between_them(
    story: list[tuple[str, int]], first_uptime_ms: int, period_ms: int, depth: int
) -> None:
    """Intervals of each boot's samples are those of the rig, to the microsecond; an event's time is its own."""
    with tempfile.TemporaryDirectory() as folder:
        rig = TrueRig(first_uptime_ms=first_uptime_ms, period_ms=period_ms, depth=depth)
        host = Host(Path(folder) / "a.journal", rig)
        events_ms: dict[str, int] = {}
        for what, size in story:
            told(host, what, size, events_ms)
        host.finish()
        assert not rows(host.path, "C") or {
            json.loads(note.body)["kind"] for note in rows(host.path, "C")
        } <= {
            "step",
            "behind",
            "names",
        }
        held_against(host, events_ms)


def told(host: Host, what: str, size: int, events_ms: dict[str, int]) -> None:
    """One step of a story."""
    rig = host.rig
    if what == "live":
        live(host, size)
    elif what == "away":
        for _ in range(size):
            rig.take()
    elif what == "say":
        host.hear(*rig.say(size))
    elif what.startswith("event"):
        event = replace(rig.event(size), text=f"number {len(events_ms)}")
        events_ms[event.text] = rig.world_ms - size
        host.hear(event)
    elif what == "clock set":
        host.wall_us += 1000 * size
    elif what == "kill":
        host.kill()
    else:
        identified(host, what, size)


def identified(host: Host, what: str, size: int) -> None:
    """A step after which the rig says who it is."""
    rig = host.rig
    if what == "plug":
        host.conversation.closed()
        host.conversation.opened(host.now_s)
    elif what == "reboot":
        host.hear(*rig.say())
        rig.reboot()
    elif what == "rename":
        rig.name = f"bench-{size}"
    host.hear(rig.identity())


def held_against(host: Host, events_ms: dict[str, int]) -> None:
    with JournalReader(host.path) as reader:
        boots = {number: record.boot for number, record in reader.boots().items()}
    entries = rows(host.path, "DEG")
    samples = [entry for entry in entries if entry.kind == "D"]
    numbers = [(boots[entry.boot_id or 0], entry.seq or 0) for entry in samples]
    assert len(set(numbers)) == len(numbers), "stored twice"
    missing = {
        (boots[gap.boot_id or 0], seq)
        for gap in entries
        if gap.kind == "G"
        for seq in range(gap.seq or 0, json.loads(gap.body)["last_seq"] + 1)
    }
    assert not missing & set(numbers), "a gap over what is stored"
    # what a rig overwrote before the first sample that was ever stored is not missing
    known_from = min(missing | set(numbers), default=(0, 0))
    assert missing | set(numbers) == {one for one in host.rig.true_ms if one >= known_from}
    assert all(b.rig_us > a.rig_us for a, b in pairwise(samples))
    zero_us: dict[int, int] = {}
    for entry in entries:
        boot = boots[entry.boot_id or 0]
        if entry.kind == "D":
            place_us = entry.rig_us - 1000 * host.rig.true_ms[boot, entry.seq or 0]
            assert zero_us.setdefault(boot, place_us) == place_us, (boot, entry.seq)
        elif entry.kind == "E" and boot in zero_us:
            assert entry.rig_us - 1000 * events_ms[json.loads(entry.body)["text"]] == zero_us[boot]


# -- what we give to others ----------------------------------------------------------------------------------

STORIES = json.loads((Path(__file__).parents[2] / "firmware_notes" / "vectors.json").read_text())["times"]


@pytest.mark.parametrize("story", [pytest.param(story, id=story["name"][:50]) for story in STORIES])
def test_the_host_dates_samples_as_the_vectors_say(story: dict[str, Any], tmp_path: Path) -> None:
    keeper = Keeper(Journal.open(tmp_path / "a.journal"), RigSettings())
    conversation = Conversation()
    conversation.opened(100.0)
    for line in story["lines"]:
        conversation.hear(decode_rig(line.encode()), 100.0)
    keeper.keep(conversation.take_items(), HostTime(100_000_000, UTC_us))
    keeper.close()
    samples = rows(tmp_path / "a.journal")
    assert [[s.seq, (s.rig_us - samples[0].rig_us) / 1000] for s in samples] == story["times"]
    assert rows(tmp_path / "a.journal", "G") == []
    assert bool(notes(tmp_path / "a.journal")) == story["warned"]


# -- what a firmware must not do -----------------------------------------------------------------------------


def notes(path: Path) -> list[dict[str, Any]]:
    return [json.loads(note.body) for note in rows(path, "C")]


@pytest.mark.parametrize("back_ms", [19_000, 1_500, 99_500])
@pytest.mark.parametrize("first_uptime_ms", [0, WRAP_ms - 100_500])
def test_an_uptime_that_goes_back_is_noted_and_moves_no_time(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, back_ms: int, first_uptime_ms: int
) -> None:
    rig = TrueRig(first_uptime_ms=first_uptime_ms)
    host = Host(tmp_path / "a.journal", rig)
    live(host, 100)
    before = export_of(host.path, tmp_path)
    rig.slipped_ms -= back_ms
    live(host, 50)
    host.kill()  # where it goes on is known to the next logger
    live(host, 50)
    host.finish()
    assert off(host.path, rig) == 0
    labels = [entry.utc_us - 1000 * rig.true_ms[7, entry.seq or 0] for entry in rows(host.path)]
    assert set(labels) == {UTC_us}
    after = export_of(host.path, tmp_path)
    assert after[: len(before)] == before
    [note] = notes(host.path)
    # by so much less than the second that should have passed
    went_s = (back_ms - 1000) / 1000
    assert note["kind"] == "uptime"
    assert note["seconds"] == pytest.approx(-went_s)
    assert f"went back by {went_s:.1f} s" in note["sentence"]
    assert note["sentence"] in caplog.text


def export_of(journal: Path, folder: Path) -> list[str]:
    with JournalReader(journal) as reader:
        export_recording(reader, folder / "out.csv")
    return (folder / "out.csv").read_text().splitlines()


def test_a_single_wrong_uptime_leaves_the_samples_around_it_alone(tmp_path: Path) -> None:
    rig = TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    live(host, 50)
    rig.slipped_ms = -30_000
    live(host, 1)
    rig.slipped_ms = 0
    live(host, 50)
    host.finish()
    assert off(host.path, rig) == 0
    assert len(notes(host.path)) == 1


def test_a_rig_that_began_anew_under_its_old_number_is_dated_by_the_host(tmp_path: Path) -> None:
    rig = TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    live(host, 50)
    rig.world_ms += 600_000  # it was off for ten minutes, and knows nothing of it
    rig.slipped_ms = -rig.uptime_ms()
    live(host, 50)
    host.finish()
    assert off(host.path, rig) == 0
    assert {entry.utc_us - 1000 * rig.true_ms[7, entry.seq or 0] for entry in rows(host.path)} == {UTC_us}


def test_an_uptime_that_stands_does_not_fill_the_journal(tmp_path: Path) -> None:
    rig = TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    live(host, 10)
    for _ in range(100):
        rig.slipped_ms -= 1500  # each sample half a second before the last
        live(host, 1)
    host.finish()
    assert off(host.path, rig) == 0
    assert len(notes(host.path)) == 7  # the 1st, 2nd, 4th … 64th time


def test_two_rigs_that_take_turns_each_keep_their_intervals(tmp_path: Path) -> None:
    """What the first one took while the second was logged comes late: it can't stand before that on one axis."""
    one, other = TrueRig(), TrueRig(name="other", boot=8)
    host = Host(tmp_path / "a.journal", one)
    live(host, 20)
    other.world_ms = one.world_ms
    host.rig = other
    host.conversation.opened(host.now_s)
    host.settle()
    for _ in range(30):
        one.take()
        live(host, 1)
    host.rig = one
    for _ in range(2):  # back to a boot that was left: it has to be said twice
        host.conversation.opened(host.now_s)
        host.settle()
        one.take()
    host.hear(*one.say())
    host.finish()
    samples = rows(host.path)
    assert all(b.rig_us > a.rig_us for a, b in pairwise(samples))
    late = [entry for entry in samples[50:] if entry.boot_id == samples[0].boot_id]
    assert len(late) >= 30
    assert {b.rig_us - a.rig_us for a, b in pairwise(late)} == {1_000_000}
    assert [note["kind"] for note in notes(host.path)] == ["uptime"]


@pytest.mark.parametrize(
    "change",
    [
        {"name": "bench-2"},
        {"channels": ("b.pressure", "ambient.temperature")},
        {"channels": ("a.pressure", "b.pressure", "ambient.temperature")},
        {"name": "bench-2", "channels": ("b.pressure",)},
    ],
)
@pytest.mark.parametrize("kill", [False, True])
def test_names_that_change_within_a_boot_make_no_gap_and_nothing_twice(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, change: dict[str, Any], kill: bool
) -> None:
    rig = TrueRig(first_uptime_ms=WRAP_ms - 25_000)
    host = Host(tmp_path / "a.journal", rig)
    live(host, 50)
    # three were stored, and the rig doesn't know it yet
    unheard = deque(sample for sample in rig.held)
    for _ in range(3):
        rig.take()
        unheard.append(rig.held[-1])
        host.hear(*rig.say())
    rig.held = unheard
    for name, value in change.items():
        setattr(rig, name, value)
    host.hear(rig.identity())
    live(host, 5)
    if kill:
        host.kill()
    live(host, 5)
    host.finish()
    assert rows(host.path, "G") == []
    assert [entry.seq for entry in rows(host.path)] == list(range(63))
    assert off(host.path, rig) == 0
    with JournalReader(host.path) as reader:
        boots = reader.boots()
    names = [(boots[entry.boot_id or 0].rig, boots[entry.boot_id or 0].channels) for entry in rows(host.path)]
    assert names == [("bench", ("a.pressure", "ambient.temperature"))] * 53 + [(rig.name, rig.channels)] * 10
    [note] = notes(host.path)
    assert note["kind"] == "names"
    assert "samples from 53 on" in note["sentence"]
    assert note["sentence"] in caplog.text


def test_a_boot_under_other_names_is_no_restart_and_what_the_rig_did_is_told(tmp_path: Path) -> None:
    rig = TrueRig()
    host = Host(tmp_path / "a.journal", rig)
    live(host, 5)
    rig.name = "bench-2"
    host.hear(rig.identity())
    live(host, 5)
    host.finish()
    with JournalReader(host.path) as reader:
        soak = JournalSoak(settings_from_text(""), open_conversions(reader, None))
        boots = reader.boots()
        soak.take(reader.read(), boots)
    assert soak.restarts == 0
    [said] = soak.notes()
    assert said.startswith("The rig changed its names without a new boot number: rig bench became bench-2")
