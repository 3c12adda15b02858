"""Whatever comes from outside (messages, answers, small files that were hit) is taken or refused, and ends nothing."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from collections import deque
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from analysis.alarm_store import AlarmStore, Seen
from analysis.echoes import Echoes
from analysis.publisher import MOST_BYTES, MOST_WRONG, Publisher
from logger.cursor_file import CursorFile
from logger.delivery_settings import MqttSettings
from logger.errors import PlainError
from logger.foreign_json import foreign_object
from logger.influx_server import server_words
from logger.mirror_state import READINGS, StateFile, read_mirrors, read_refused, refused_path, state_path
from logger.mqtt import Guard, MqttPace, Post, _ended

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: (
        st.lists(inner) | st.dictionaries(st.sampled_from(["alarm", "by", "entry", "error"]), inner)
    ),
)
DEEP = st.sampled_from(["[", '{"by":', '{"a":[', "-", "9", '"\\ud800', "\ufeff"]).flatmap(
    lambda piece: st.integers(1, 3000).map(lambda count: piece * count)
)
TEXTS = st.text() | JSON.map(json.dumps) | DEEP
PAYLOADS = st.binary() | TEXTS.map(lambda text: text.encode("utf-8", "surrogatepass"))
PLACES = st.sampled_from(
    ["acknowledge", "alarms", "sections", "soak", "presence", "front_left", "leak", "check", ""]
)
TOPICS = st.lists(PLACES | st.text(max_size=20), max_size=6).map("/".join)
in_one_folder = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture
def store(tmp_path: Path) -> Iterator[AlarmStore]:
    with AlarmStore.open(tmp_path / "bay.journal", rig="bay-2", publishing=True) as opened:
        yield opened


@in_one_folder
@given(st.lists(st.tuples(TOPICS, PAYLOADS, st.booleans()), max_size=20))
@example([("acknowledge/a/b", b"[" * 1000, False)])
def test_no_message_breaks_who_hears_it(store: AlarmStore, messages: list[tuple[str, bytes, bool]]) -> None:
    leak = Seen("front_left", "leak", 1, None, "2027-01-15T20:00:00Z", None)
    store.reconcile(1, [leak], lambda _: ("front_left leaks.", {}), complete=True)
    before = store.standing()

    async def hear() -> Publisher:
        publisher = Publisher(MqttSettings(), store, "bay-2")
        for topic, payload, retained in messages:
            publisher.hear(f"cornerhold/bay-2/{topic}", payload, retained=retained)
        return publisher

    publisher = asyncio.run(hear())
    ours = ("alarms/", "sections/")
    others = [topic for topic, *_ in messages if not topic.startswith(ours) and topic != "soak"]
    # each is counted, as what it was
    assert publisher.heard.total() == len(others)
    assert [alarm.id for alarm in store.standing()] == [alarm.id for alarm in before]


async def test_junk_topics_cost_no_memory_without_end(store: AlarmStore) -> None:
    publisher = Publisher(MqttSettings(), store, "bay-2")
    for number in range(3 * MOST_WRONG):
        publisher.hear(f"cornerhold/bay-2/alarms/x/{number}", b"x", retained=False)
    assert len(publisher._wrong) == MOST_WRONG


@given(PAYLOADS | TEXTS, st.integers(0, 2 * MOST_BYTES))
def test_foreign_json_is_an_object_or_a_value_error(text: bytes | str, most: int) -> None:
    try:
        said = foreign_object(text, most)
    except ValueError:
        return
    assert isinstance(said, dict)
    assert len(text) <= most


@in_one_folder
@given(PAYLOADS)
@example(b"[" * 100_000)
def test_no_small_file_breaks_who_reads_it(tmp_path: Path, content: bytes) -> None:
    journal = tmp_path / "bay.journal"
    for path in (tmp_path / "cursor", state_path(journal, READINGS), refused_path(journal, READINGS)):
        path.write_bytes(content)
    assert CursorFile(tmp_path / "cursor").load(100) == 0
    assert StateFile(journal, READINGS).load().entry == 0
    assert read_mirrors(journal)[0].trouble
    assert all(isinstance(one, dict) for one in read_refused(refused_path(journal, READINGS)))


@given(PAYLOADS | TEXTS)
@example("[" * 100_000)
def test_a_server_s_words_are_a_short_line_whatever_it_says(body: bytes | str) -> None:
    words = server_words(body)
    assert len(words) <= 300
    assert words.isprintable() or not words.isascii()


# -- what stands at the broker -------------------------------------------------------------------------------


@given(st.integers(0, 2**32), st.integers(1, 60))
def test_in_the_end_the_broker_has_our_last_word(seed: int, steps: int) -> None:
    """A broker with a queue either way; we and a stranger write, in any order."""
    chance = random.Random(seed)
    echoes, wrong = Echoes(), False
    to_broker: deque[str] = deque()
    from_broker: deque[str] = deque()
    stands, said, corrections = "", "", 0

    def say(payload: str) -> None:
        echoes.saying("t", payload, 0.0)
        to_broker.append(payload)

    for step in range(steps + 1000):
        going_on = step < steps
        what = chance.choice(["say", "forge", "broker", "hear", "right"][0 if going_on else 2 :])
        if what == "say":
            say(said := f"ours {step % 3}")
        elif what == "forge":
            stands = f"forged {step % 3}"
            from_broker.append(stands)
        elif what == "broker" and to_broker:
            stands = to_broker.popleft()
            from_broker.append(stands)
        elif what == "hear" and from_broker:
            wrong = echoes.is_foreign("t", from_broker.popleft(), 0.0)
        elif what == "right" and wrong:
            wrong = False
            corrections += 1
            say(echoes.true("t"))
    assert stands == said
    # our own words are no reason to speak again
    assert corrections <= steps


# -- the guard -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (RecursionError("too deep"), "a fault of the program: RecursionError: too deep"),
        (PlainError("bay.alarms: is damaged"), "bay.alarms: is damaged"),
        (OSError(28, "No space left on device", "bay.cursor"), "bay.cursor: No space left on device"),
    ],
)
async def test_work_that_fails_is_told_once_and_begun_again(
    error: Exception, words: str, caplog: pytest.LogCaptureFixture
) -> None:
    tries = 0
    done = asyncio.Event()

    async def work(_client: Any) -> None:
        nonlocal tries
        tries += 1
        if tries == 5:
            done.set()
            await asyncio.Event().wait()
        raise error

    guard = Guard(Post("probe", "p"), MqttPace(again_s=0.001))
    task = asyncio.create_task(guard.keep(work, None))  # type: ignore[arg-type]  no client is needed
    await asyncio.wait_for(done.wait(), 60.0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert [record.getMessage() for record in caplog.records if record.levelname == "WARNING"] == [
        f"probe publishes nothing for now: {words}"
    ]


async def test_a_call_to_end_that_is_swallowed_is_repeated() -> None:
    """As asyncio.wait_for does it when the wait is over in the same turn."""

    async def deaf() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.Event().wait()
        await asyncio.Event().wait()

    task = asyncio.ensure_future(deaf())
    await asyncio.sleep(0)
    await asyncio.wait_for(_ended([task]), 60.0)
    assert task.cancelled()
