"""The kept alarms: raised, acknowledged, cleared; once each, whatever is restarted."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.alarm_store import AlarmStore, Seen
from analysis.database import DatabaseError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LEAK = Seen("front_left", "leak", 100, None, "2027-01-16T02:10:00Z", None)
OVER = replace(LEAK, cleared_us=500, cleared="2027-01-16T05:00:00Z")


def describe(seen: Seen) -> tuple[str, dict[str, Any]]:
    return f"{seen.section} {seen.kind}.", {"loss_per_day": 0.4}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bay.journal"


@pytest.fixture
def store(path: Path) -> Iterator[AlarmStore]:
    with AlarmStore.open(path, rig="bay-2", publishing=True) as opened:
        yield opened


def posted(store: AlarmStore) -> list[tuple[str, str]]:
    """What waits in the outbox: topic, and the alarm's state or nothing."""
    return [(topic, json.loads(text)["state"] if text else "") for _, topic, text in store.outbox()]


def test_raised_acknowledged_cleared(store: AlarmStore) -> None:
    [alarm] = store.reconcile(1, [LEAK], describe, complete=True).raised
    assert alarm.state == "raised"
    assert not store.reconcile(1, [LEAK], describe, complete=True)
    taken = store.acknowledge(("front_left", "leak"), store.name_of(alarm), "Mara")
    assert taken is not None
    assert (taken.state, taken.acknowledged_by) == ("acknowledged", "Mara")
    assert store.acknowledge(("front_left", "leak"), None, None) is None, "once is enough"
    [ended] = store.reconcile(1, [OVER], describe, complete=True).cleared
    assert (ended.state, ended.cleared) == ("cleared", OVER.cleared)
    place = "alarms/front_left/leak"
    assert posted(store) == [(place, "raised"), (place, "acknowledged"), (place, "")]
    for number, *_ in store.outbox():
        store.published(number)
    assert store.outbox() == []


def test_a_message_carries_what_a_person_and_a_program_need(store: AlarmStore) -> None:
    [alarm] = store.reconcile(3, [LEAK], describe, complete=True).raised
    said = json.loads(store.message(alarm))
    assert said == {
        "cornerhold": "alarm/1", "alarm": store.name_of(alarm), "rig": "bay-2", "state": "raised", "soak": 3,
        "section": "front_left", "kind": "leak", "raised": "2027-01-16T02:10:00Z", "acknowledged": None,
        "acknowledged_by": None, "sentence": "front_left leak.", "evidence": {"loss_per_day": 0.4},
    }  # fmt: skip


def test_nothing_is_raised_twice_after_a_restart(path: Path) -> None:
    with AlarmStore.open(path, rig="r", publishing=True) as store:
        store.reconcile(1, [LEAK], describe, complete=True)
        name = store.name_of(store.standing()[0])
    with AlarmStore.open(path, rig="r", publishing=True) as store:
        # while it reads the soak again the analysis hasn't come to the alarm yet
        assert not store.reconcile(1, [], describe, complete=False)
        # and another version of the program may come to it a little earlier
        assert not store.reconcile(1, [replace(LEAK, raised_us=40)], describe, complete=True)
        assert store.name_of(store.standing()[0]) == name
        assert len(store.outbox()) == 1


def test_what_came_and_went_unseen_is_told_once(store: AlarmStore) -> None:
    changes = store.reconcile(1, [OVER], describe, complete=False)
    assert [alarm.state for alarm in changes.raised] == ["cleared"]
    assert posted(store) == [("alarms/front_left/leak", "raised"), ("alarms/front_left/leak", "")]
    assert not store.reconcile(1, [OVER], describe, complete=True)


def test_an_alarm_that_comes_again_is_another_one(store: AlarmStore) -> None:
    again = replace(LEAK, raised_us=900)
    store.reconcile(1, [OVER], describe, complete=True)
    assert len(store.reconcile(1, [OVER, again], describe, complete=True).raised) == 1
    assert len({store.name_of(alarm) for alarm in store.alarms(1)}) == 2


def test_what_is_no_longer_seen_is_cleared_only_when_all_was_looked_at(store: AlarmStore) -> None:
    store.reconcile(1, [LEAK], describe, complete=True)
    assert not store.reconcile(1, [], describe, complete=False)
    assert len(store.reconcile(1, [], describe, complete=True).cleared) == 1
    # it stands after all: whoever was told that it is over must be told
    assert len(store.reconcile(1, [LEAK], describe, complete=True).raised) == 1
    assert not store.reconcile(1, [LEAK], describe, complete=True)


def test_the_end_of_a_soak_closes_its_alarms_only(store: AlarmStore) -> None:
    store.reconcile(1, [LEAK], describe, complete=True)
    store.reconcile(2, [LEAK], describe, complete=True)
    assert [alarm.soak for alarm in store.close_soaks(2).cleared] == [1]
    assert [alarm.soak for alarm in store.standing()] == [2]


@pytest.mark.parametrize(
    ("section", "kind", "name"),
    [("front_right", "leak", None), ("front_left", "burst", None), ("front_left", "leak", "somebody-1")],
)
def test_an_acknowledgement_of_something_else_changes_nothing(
    store: AlarmStore, section: str, kind: str, name: str | None
) -> None:
    store.reconcile(1, [LEAK], describe, complete=True)
    assert store.acknowledge((section, kind), name, None) is None
    assert store.standing()[0].state == "raised"


def test_without_a_broker_the_outbox_stays_empty(path: Path) -> None:
    with AlarmStore.open(path, rig="r") as store:
        store.reconcile(1, [LEAK], describe, complete=True)
        assert store.outbox() == []


def test_one_analysis_at_a_time(path: Path, store: AlarmStore) -> None:
    assert store.standing() == []
    with pytest.raises(DatabaseError, match="written by another process"):
        AlarmStore.open(path, rig="r")


TIMES = st.lists(st.integers(1, 60), min_size=2, max_size=12)


@settings(max_examples=25, deadline=None)  # each example writes files
@given(TIMES, st.lists(st.integers(0, 12), max_size=6), st.integers(0, 3))
def test_any_cut_and_any_restart_gives_each_alarm_once(
    steps: list[int], looks: list[int], restarts: int
) -> None:
    """Intervals that don't meet; seen growing, with restarts in between that begin from nothing."""
    import tempfile  # noqa: PLC0415  a folder per example
    from pathlib import Path  # noqa: PLC0415

    times = [sum(steps[: n + 1]) for n in range(len(steps))]
    whole = [
        replace(LEAK, raised_us=a, cleared_us=b, cleared="x" if b else None)
        for a, b in zip(times[::2], [*times[1::2], None], strict=False)
    ]

    def up_to(n: int) -> list[Seen]:
        seen = whole[: n // 2 + n % 2]
        return [*seen[:-1], replace(seen[-1], cleared_us=None, cleared=None)] if n % 2 and seen else seen

    with tempfile.TemporaryDirectory() as folder:
        for _ in range(restarts + 1):
            with AlarmStore.open(Path(folder) / "j", rig="r", publishing=True) as store:
                for n in sorted(looks):
                    store.reconcile(1, up_to(n), describe, complete=False)
                store.reconcile(1, whole, describe, complete=True)
                assert len(store.alarms(1)) == len(whole)
        raised = [state for _, state in posted_of(Path(folder) / "j") if state == "raised"]
        assert len(raised) == len(whole)


def posted_of(path: Path) -> list[tuple[str, str]]:
    with AlarmStore.open(path, rig="r", publishing=True) as store:
        return posted(store)
