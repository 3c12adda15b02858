"""What goes to InfluxDB: lines, times, who is at fault, and what is kept of it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client import Point

from logger.channels import SiBlock
from logger.cursor_file import sealed
from logger.influx_lines import Labels, reading_lines, tag, text_field
from logger.influx_server import AwayError, RefusedError, deliver
from logger.journal import Entry
from logger.mirror_state import (
    MOST_KEPT,
    READINGS,
    MirrorState,
    StateFile,
    mirror_words,
    read_mirrors,
    read_refused,
)
from logger.settings import SettingsError, settings_from_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

# -- lines ---------------------------------------------------------------------------------------------------

# a clock that runs, is disciplined by a hair, and is set, by a day or onto the very same labels
STEPS = st.one_of(
    st.integers(0, 2_000_000), st.integers(-1_500_000, 0), st.sampled_from([86_400_000_000, -86_400_000_000])
)


def times_of(utc_us: Sequence[int], labels: Labels) -> tuple[list[tuple[int, int]], Labels]:
    out = []
    for label in utc_us:
        labels = labels.after(label)
        assert labels.label_us is not None
        out.append((labels.clock, labels.label_us))
    return out, labels


@given(st.lists(STEPS, max_size=60), st.integers(0, 60))
def test_no_two_samples_have_the_same_time_and_none_moves(steps: list[int], cut: int) -> None:
    utc_us = [int(us) for us in 1_800_000_000_000_000 + np.cumsum(steps, dtype=np.int64)] if steps else []
    whole, _ = times_of(utc_us, Labels())
    assert len(set(whole)) == len(whole)
    # a time is never further than a second from the label
    assert all(abs(time_us - label) <= 1_000_000 for (_, time_us), label in zip(whole, utc_us, strict=True))
    # stopped anywhere and gone on by what was kept, the same
    first, kept = times_of(utc_us[:cut], Labels())
    second, _ = times_of(utc_us[cut:], Labels(kept.clock, kept.label_us))
    assert first + second == whole


def block_of(values: list[list[float]], quality: list[list[int]], names: tuple[str, ...]) -> SiBlock:
    axis = np.arange(len(values), dtype=np.int64)
    return SiBlock(axis, axis + 1_800_000_000_000_000, names, np.array(values), np.array(quality, np.uint8))


def test_a_sample_is_a_line_per_section() -> None:
    block = block_of(
        [[800_000.0, 293.15, 5.0], [np.nan, 1e-7, 4.9]], [[0, 0, 0], [1, 0, 3]],
        ("a.pressure", "ambient.temperature", "rig.supply_voltage"),
    )  # fmt: skip
    entries = [Entry(7, "D", 1, 0, 0, 0, ""), Entry(9, "D", 1, 2**31, 0, 0, "")]
    lines, labels = reading_lines("bay 2", block, entries, Labels())
    begin, after = "1800000000000000000", "1800000000000001000"
    head, ambient, rig = (f"readings,rig=bay\\ 2,section={one},clock=0" for one in ("a", "ambient", "rig"))
    assert lines == [
        f'{head} pressure_Pa=800000,pressure_quality="good" {begin}',
        f'{head} pressure_quality="open" {after}',
        f'{ambient} temperature_K=293.15,temperature_quality="good" {begin}',
        f'{ambient} temperature_K=1e-07,temperature_quality="good" {after}',
        f'{rig} supply_voltage_V=5,supply_voltage_quality="good",entry=7i,seq=0i {begin}',
        f'{rig} supply_voltage_quality="out_of_range",entry=9i,seq=2147483648i {after}',
    ]
    assert labels == Labels(0, 1_800_000_000_000_001)
    # a rig without a supply channel has its numbers all the same
    lines, _ = reading_lines("r", block_of([[1.0]], [[0]], ("a.pressure",)), entries[:1], Labels())
    assert lines[-1] == "readings,rig=r,section=rig,clock=0 entry=7i,seq=0i 1800000000000000000"


@given(st.text(min_size=1, alphabet=st.characters(exclude_categories=("Cs", "Cc"))))
def test_texts_are_escaped_as_the_library_does_it(text: str) -> None:
    said = " ".join(text.replace("\\", "/").split())
    if not said:
        return
    # other library: influxdb-client's own points
    point = Point("m").tag("t", said).field("f", said).time(1)
    assert f"m,t={tag(text)} f={text_field(said)} 1" == point.to_line_protocol()
    assert text_field('a \\ "b"\n') == r'"a \\ \"b\""'


# -- who is at fault -----------------------------------------------------------------------------------------


class Server:
    """One that refuses some points, in the ways in which servers do."""

    def __init__(self, bad: set[str], *, counts: bool = False, down_after: int = 10**9) -> None:
        self.bad, self.counts, self.down_after = bad, counts, down_after
        self.there: list[str] = []
        self.requests = 0

    def write(self, lines: Sequence[str]) -> None:
        self.requests += 1
        if self.requests > self.down_after:
            raise AwayError("gone")
        refused = [line for line in lines if line in self.bad]
        if not refused or self.counts:
            self.there += [line for line in lines if line not in self.bad]
        if refused:
            raise RefusedError(
                f"partial write: no dropped={len(refused)}" if self.counts else f"no: {refused[0]}"
            )


LINES = [f"line {n}" for n in range(64)]


@given(st.sets(st.sampled_from(LINES)), st.booleans())
def test_halving_finds_exactly_the_points_at_fault(bad: set[str], counts: bool) -> None:
    server = Server(bad, counts=counts)
    refused = deliver(server.write, LINES, "harmless")
    assert {line for line, _ in refused} == bad
    assert len(refused) == len(bad)
    assert set(server.there) - {"harmless"} == set(LINES) - bad
    # a tree over 64 lines has 127 nodes
    assert server.requests <= 2 + 126


def test_a_part_that_is_bad_as_a_whole_is_not_asked_for_point_by_point() -> None:
    server = Server(set(LINES[:32]), counts=True)
    assert len(deliver(server.write, LINES, "harmless")) == 32
    assert server.requests == 4


def test_a_server_that_refuses_all_or_goes_away_meanwhile_has_nothing_against_a_point() -> None:
    with pytest.raises(AwayError, match="refuses whatever we write: no: harmless"):
        deliver(Server({*LINES, "harmless"}).write, LINES, "harmless")
    with pytest.raises(AwayError, match="gone"):
        deliver(Server({LINES[5]}, down_after=4).write, LINES, "harmless")


# -- what is kept --------------------------------------------------------------------------------------------


def test_a_state_is_found_again(tmp_path: Path) -> None:
    journal = tmp_path / "bay.journal"
    assert StateFile(journal, READINGS).load() == MirrorState(READINGS)
    assert read_mirrors(journal) == []
    state = MirrorState(READINGS, "x", 7, 8, 1, 5, 6, 2, "no", 3, 0, "gone", "2027-01-15T18:00:00Z")
    StateFile(journal, READINGS).save(state)
    assert StateFile(journal, READINGS).load() == state
    assert read_mirrors(journal) == [state]


DAMAGED = ["", "{", "[]", '{"cornerhold": "mirror/1", "entry": 7}', sealed({"entry": 7})]
DAMAGED += [sealed({"cornerhold": "mirror/1"} | rest) for rest in ({"entry": "7"}, {"entry": True}, {"x": 1})]
DAMAGED += [sealed({"cornerhold": "mirror/1", "entry": 7}).replace("7", "5", 1)]


@pytest.mark.parametrize("text", DAMAGED)
def test_a_damaged_state_begins_again_with_a_word(
    tmp_path: Path, text: str, caplog: pytest.LogCaptureFixture
) -> None:
    file = StateFile(tmp_path / "bay.journal", READINGS)
    file.path.write_text(text)
    assert file.load() == MirrorState(READINGS)
    assert "begins again" in caplog.text
    [state] = read_mirrors(tmp_path / "bay.journal")
    assert "can't be read" in state.trouble


def test_refused_points_are_kept_once_and_not_without_end(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "bay.journal", READINGS)
    file.keep_refused([("a", "no"), ("b", "no")])
    # cut off by a loss of power
    with file.refused.open("a") as opened:
        opened.write('{"point": "c", "wo')
    file.keep_refused([("b", "no"), ("d", "never")])
    assert {one["point"] for one in read_refused(file.refused)} >= {"a", "b", "d"}
    assert json.dumps(read_refused(file.refused)).count('"b"') == 1
    file.keep_refused([(f"p {n}", "no") for n in range(2 * MOST_KEPT)])
    assert len(read_refused(file.refused)) == MOST_KEPT


def test_the_words_for_people() -> None:
    state = MirrorState(READINGS, entry=9, entry_utc_us=0)
    assert mirror_words(state, 59_000_000) == (True, "InfluxDB has the readings up to the last 59 s")
    assert mirror_words(state, 7_200_000_000) == (
        True, "InfluxDB is catching up: it lacks the readings of the last 2 h 00 min",
    )  # fmt: skip
    well, words = mirror_words(MirrorState(READINGS, entry=9, refused=3, refused_words="no", missed=2), 0)
    assert not well
    assert words.endswith("; it refused 3 points: “no”; 2 entries were let go by the journal before")


# -- settings ------------------------------------------------------------------------------------------------


def test_a_token_stays_out_of_every_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CORNERHOLD_INFLUX_TOKEN", "from-outside")
    settings = settings_from_text('[influx]\nbucket = "x"\ntoken = "hunter2"\n', tmp_path / "s.toml")
    assert settings.influx is not None
    assert settings.influx.secret() == "hunter2"
    assert "hunter2" not in settings.text + repr(settings)
    outside = settings_from_text("[influx]\n").influx
    assert outside is not None
    assert (outside.secret(), outside.url, outside.bucket) == (
        "from-outside",
        "http://localhost:8086",
        "cornerhold",
    )
    (tmp_path / "token").write_text("from-a-file\n")
    filed = settings_from_text('[influx]\ntoken_file = "token"\n', tmp_path / "s.toml").influx
    assert filed is not None
    assert filed.secret() == "from-a-file"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ('url = "influx.shop.example"', "influx.url: must be an address like"),
        ('url = "ftp://a"', "influx.url"),
        ('url = "http://a:99999"', "influx.url"),
        ('url = "http://me:hunter2@a:1"', "influx.url: host, port and path only"),
        ('url = "http://a/?x=hunter2"', "influx.url: host, port and path only"),
        ('ca = "x.pem"', "influx.ca: means something only with a url that begins with https"),
        ('token = "a"\ntoken_file = "b"', "influx.token_file: there is a token already"),
        ('token = "hunter2 and more"', "influx.token: has blanks"),
        ("token = 7", "influx.token: must be a text in quotes$"),
        ('tokn = "x"', "did you mean 'token'"),
        ("verify = false", "unknown key"),
    ],
)
def test_wrong_keys_are_refused_without_showing_a_secret(text: str, reason: str) -> None:
    with pytest.raises(SettingsError, match=reason) as raised:
        settings_from_text(f"[influx]\n{text}\n")
    assert "hunter2" not in str(raised.value)
