"""The conversation with a rig, step by step, with time passed in."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from rig_model import CHANNELS

from logger.conversation import BootKey, Conversation, Gap, Heard, Limits, StoredBoot
from logger.ordering import NOT_SENT_AGAIN, OVERWRITTEN, REBOOTED, VALUE_COUNT
from logger.protocol import Acknowledge, Identify, Identity, Resend, RigEvent, Sample, SetPeriod

IDENTITY = Identity(1, "bench", "model", 1000, 7, 0, -1, CHANNELS)


def identity(first: int = 0, last: int = -1, boot: int = 7, **other: object) -> Identity:
    return replace(IDENTITY, boot=boot, first_seq=first, last_seq=last, **other)  # type: ignore[arg-type]


def sample(seq: int, boot: int = 7, values: int = len(CHANNELS)) -> Sample:
    return Sample(boot, seq, 1000 * seq, (0,) * values)


def stored(last_seq: int, boot: int = 7) -> dict[BootKey, StoredBoot]:
    return {("bench", boot): StoredBoot(last_seq, CHANNELS)}


def opened(known: dict[BootKey, StoredBoot] | None = None, **arguments: object) -> Conversation:
    conversation = Conversation(known, **arguments)  # type: ignore[arg-type]
    conversation.opened(0.0)
    assert conversation.take_commands() == [Identify()]
    return conversation


def following(first: int = 0, last: int = -1) -> Conversation:
    conversation = opened()
    conversation.hear(identity(first, last), 0.0)
    conversation.take_items()
    conversation.take_commands()
    return conversation


def seqs(conversation: Conversation) -> list[int | tuple[int, int, str]]:
    """Delivered sequence numbers, gaps as (first, last, reason)."""
    return [
        item.record.seq if isinstance(item, Heard) else item[1:4]
        for item in conversation.take_items()
        if isinstance(item, Gap) or isinstance(item.record, Sample)
    ]


def hear_all(conversation: Conversation, *numbers: int, now_s: float = 1.0) -> None:
    for number in numbers:
        conversation.hear(sample(number), now_s)


def test_first_contact_starts_with_what_the_rig_still_holds() -> None:
    conversation = opened()
    conversation.hear(identity(40, 60), 0.1)
    assert conversation.take_commands() == [Resend(7, 40)]
    assert conversation.take_items() == [Heard(identity(40, 60), 1, 0.1, resumed=False)]
    hear_all(conversation, 40, 41)
    assert seqs(conversation) == [40, 41]


def test_an_empty_rig_is_not_asked_to_send_again() -> None:
    conversation = opened()
    conversation.hear(identity(5, 4), 0.1)
    assert conversation.take_commands() == []


def test_after_a_restart_it_goes_on_behind_the_last_sample_stored() -> None:
    conversation = opened(stored(50))
    conversation.hear(identity(40, 60), 0.1)
    # 40…50 are safe though the rig still holds them: the acknowledgement had been lost
    assert conversation.take_commands() == [Resend(7, 51), Acknowledge(7, 50)]
    assert conversation.take_items() == [Heard(identity(40, 60), 1, 0.1, resumed=True)]
    hear_all(conversation, 50, 51, 52)
    assert seqs(conversation) == [51, 52]
    assert conversation.counters.duplicates == 1


def test_what_was_overwritten_meanwhile_is_an_explicit_gap() -> None:
    conversation = opened(stored(50))
    conversation.hear(identity(55, 60), 0.1)
    assert seqs(conversation) == [(51, 54, OVERWRITTEN)]
    hear_all(conversation, 55)
    assert seqs(conversation) == [55]
    assert (conversation.counters.gaps, conversation.counters.missing) == (1, 4)


def test_a_boot_that_began_unheard_while_the_rig_was_being_logged_misses_its_beginning() -> None:
    conversation = opened(stored(50))
    conversation.hear(identity(3, 9, boot=8), 0.1)
    assert seqs(conversation) == [(0, 2, OVERWRITTEN)]


def test_nothing_is_acknowledged_before_it_is_committed() -> None:
    conversation = following()
    hear_all(conversation, 0, 1, 2, now_s=1.0)
    conversation.tick(1.5)
    assert conversation.take_commands() == []
    conversation.committed(1, 1, 2.0)
    assert conversation.take_commands() == [Acknowledge(7, 1)]


def test_acknowledgements_are_gathered_and_the_last_goes_out() -> None:
    conversation = following()
    hear_all(conversation, 0, 1, 2, 3)
    conversation.committed(1, 1, 2.0)
    conversation.committed(1, 2, 2.01)
    conversation.committed(1, 3, 2.02)
    assert conversation.take_commands() == [Acknowledge(7, 1)]
    conversation.tick(2.1)
    assert conversation.take_commands() == []
    conversation.tick(2.3)
    assert conversation.take_commands() == [Acknowledge(7, 3)]


def test_at_the_end_the_acknowledgement_goes_out_at_once() -> None:
    conversation = following()
    hear_all(conversation, 0, 1)
    conversation.committed(1, 0, 2.0)
    conversation.committed(1, 1, 2.01)
    conversation.take_commands()
    conversation.finish(2.02)
    assert conversation.take_commands() == [Acknowledge(7, 1)]


def test_a_lost_sample_is_asked_for_and_order_is_kept() -> None:
    conversation = following()
    hear_all(conversation, 0, 1, 3, 4)
    assert seqs(conversation) == [0, 1]
    assert conversation.take_commands() == [Resend(7, 2)]
    hear_all(conversation, 2, 3, 4, 5)
    assert seqs(conversation) == [2, 3, 4, 5]
    assert conversation.counters.duplicates == 2
    assert conversation.take_commands() == []


def test_duplicates_are_counted_and_dropped() -> None:
    conversation = following()
    hear_all(conversation, 0, 0, 1, 0, 1)
    assert seqs(conversation) == [0, 1]
    assert conversation.counters.duplicates == 3


def test_a_rig_that_never_sends_again_costs_only_what_was_lost() -> None:
    conversation = following()
    hear_all(conversation, 0)
    now_s, number = 1.0, 2
    while conversation.counters.gaps == 0:
        assert now_s < 60.0
        hear_all(conversation, number, now_s=now_s)
        conversation.tick(now_s)
        now_s, number = now_s + 0.25, number + 1
    last = number - 1
    assert seqs(conversation) == [0, (1, 1, NOT_SENT_AGAIN), *range(2, last + 1)]
    resends = [command for command in conversation.take_commands() if isinstance(command, Resend)]
    assert len(resends) == Limits().unanswered_tries
    # knowing that, the next hole is given up sooner
    begin_s = now_s
    number += 1
    while conversation.counters.gaps == 1:
        hear_all(conversation, number, now_s=now_s)
        conversation.tick(now_s)
        now_s, number = now_s + 0.25, number + 1
    assert now_s - begin_s < 2.5


def test_a_rig_that_says_it_no_longer_has_it_is_believed_at_once() -> None:
    conversation = following()
    hear_all(conversation, 0, 2, 3)
    conversation.hear(identity(2, 3), 1.0)
    assert seqs(conversation) == [0, (1, 1, OVERWRITTEN), 2, 3]


def test_only_so_many_samples_are_held_and_the_rest_is_asked_for_again() -> None:
    conversation = opened(limits=Limits(hold=10))
    conversation.hear(identity(), 0.0)
    hear_all(conversation, *range(1, 30))
    assert conversation.counters.not_held == 19
    hear_all(conversation, *range(30))
    assert seqs(conversation) == list(range(30))


def test_a_reboot_ends_the_old_boot_and_begins_the_new_one() -> None:
    conversation = following()
    hear_all(conversation, 0, 2, 3)  # 1 is lost, and with the reboot for good
    conversation.take_commands()
    conversation.hear(sample(0, boot=8), 2.0)
    assert conversation.take_commands() == [Identify()]
    conversation.hear(identity(0, 1, boot=8), 2.1)
    assert seqs(conversation) == [0, (1, 1, REBOOTED), 2, 3, 0]
    conversation.hear(sample(1, boot=8), 2.2)
    items = conversation.take_items()
    assert items == [Heard(sample(1, boot=8), 2, 2.2)]


def test_a_late_commit_of_the_old_boot_acknowledges_nothing_in_the_new_one() -> None:
    conversation = following()
    hear_all(conversation, 0, 1, 2)
    conversation.hear(identity(0, -1, boot=8), 2.0)
    conversation.take_commands()
    conversation.committed(1, 2, 2.1)
    conversation.tick(9.0)
    assert not [command for command in conversation.take_commands() if isinstance(command, Acknowledge)]


def test_the_same_boot_number_with_fewer_samples_is_another_boot_once_it_is_said_twice() -> None:
    conversation = opened(stored(50))
    conversation.hear(identity(0, 9), 0.1)
    assert conversation.take_items() == []
    assert conversation.take_commands() == [Identify()]
    conversation.hear(identity(0, 9), 0.4)
    items = conversation.take_items()
    assert items == [Heard(identity(0, 9), 1, 0.4, resumed=False)]
    assert conversation.take_commands() == [Resend(7, 0)]
    hear_all(conversation, 0, 1)
    assert seqs(conversation) == [0, 1]


def test_the_same_boot_number_again_while_it_is_followed() -> None:
    conversation = following()
    hear_all(conversation, *range(20))
    conversation.take_items()
    conversation.hear(identity(0, -1), 3.0)
    hear_all(conversation, 0, now_s=3.1)
    conversation.hear(identity(0, 0), 3.3)
    items = conversation.take_items()
    assert items == [Heard(identity(0, 0), 2, 3.3, resumed=False)]
    assert Resend(7, 0) in conversation.take_commands()
    # commits of the life before must not make the rig forget samples of this one
    conversation.committed(1, 19, 3.4)
    assert conversation.take_commands() == []


def test_one_old_identity_that_comes_late_changes_nothing() -> None:
    conversation = following()
    hear_all(conversation, *range(20))
    conversation.hear(identity(0, 9), 3.0)
    conversation.hear(identity(0, 19), 3.5)
    hear_all(conversation, 20, now_s=3.6)
    assert seqs(conversation) == list(range(21))
    assert conversation.counters.gaps == 0


def test_an_old_boot_s_identity_that_comes_late_does_not_lead_back() -> None:
    conversation = following()
    hear_all(conversation, 0)
    conversation.hear(identity(0, -1, boot=8), 1.0)
    conversation.hear(identity(0, 0, boot=7), 1.05)
    conversation.hear(sample(0, boot=8), 1.1)
    assert seqs(conversation) == [0, 0]


@pytest.mark.parametrize("change", [{"rig": "another"}, {"channels": CHANNELS[:2]}])
def test_another_rig_or_other_channels_under_the_same_boot_number_are_another_boot(
    change: dict[str, object],
) -> None:
    conversation = opened(stored(50))
    conversation.hear(identity(0, 90, **change), 0.1)
    [heard, *_] = conversation.take_items()
    assert isinstance(heard, Heard)
    assert not heard.resumed


def renamed(first: int, last: int, **change: object) -> Conversation:
    """Fifty samples are stored and called safe; then the rig says who it is, otherwise than before."""
    conversation = following()
    hear_all(conversation, *range(50))
    conversation.committed(1, 46, 2.0)
    conversation.committed(1, 49, 3.0)
    assert Acknowledge(7, 49) in conversation.take_commands()
    conversation.take_items()
    conversation.hear(identity(first, last, **change), 4.0)  # type: ignore[arg-type]
    return conversation


CHANGES = [{"rig": "another"}, {"channels": (*CHANNELS, "b.pressure")}]


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("first", [0, 47, 50])  # no acknowledgement was heard, one, both
def test_other_names_within_a_boot_are_the_same_boot(change: dict[str, object], first: int) -> None:
    conversation = renamed(first, 55, **change)
    [heard] = conversation.take_items()
    assert isinstance(heard, Heard)
    assert (heard.life, heard.resumed) == (1, True)
    assert Resend(7, 50) in conversation.take_commands()
    width = len(heard.record.channels)  # type: ignore[union-attr]
    for seq in range(47, 56):
        conversation.hear(sample(seq, values=width), 5.0)
    assert seqs(conversation) == list(range(50, 56))
    assert conversation.counters.gaps == 0


@pytest.mark.parametrize("change", CHANGES)
def test_what_a_rig_lost_before_it_said_its_new_names_is_a_gap(change: dict[str, object]) -> None:
    conversation = renamed(60, 70, **change)
    assert seqs(conversation) == [(50, 59, OVERWRITTEN)]


def test_another_rig_whose_buffer_begins_elsewhere_is_another_boot_and_misses_nothing() -> None:
    conversation = renamed(20, 90, rig="another")  # nobody told it to forget up to 19
    [heard] = conversation.take_items()
    assert isinstance(heard, Heard)
    assert (heard.life, heard.resumed) == (2, False)
    assert Resend(7, 20) in conversation.take_commands()


def test_held_samples_of_the_old_names_are_asked_for_again_under_the_new_ones() -> None:
    conversation = following()
    hear_all(conversation, 0, 2, 3)
    conversation.hear(identity(0, 3, channels=CHANNELS[:2]), 1.5)
    assert conversation.take_commands()[-1] == Resend(7, 1)
    for seq in (1, 2, 3):
        conversation.hear(sample(seq, values=2), 2.0)
    assert seqs(conversation) == [0, 1, 2, 3]


def test_samples_before_the_identity_wait_for_it() -> None:
    conversation = opened()
    hear_all(conversation, 0, 1, now_s=0.1)
    assert conversation.take_items() == []
    assert conversation.unidentified_samples == 2
    conversation.hear(identity(0, 1), 0.2)
    assert seqs(conversation) == [0, 1]


def test_the_identity_is_asked_for_until_it_comes_less_and_less_often() -> None:
    conversation = opened()
    asked_s = []
    for tenth in range(1, 300):
        hear_all(conversation, 5, now_s=tenth / 10)
        conversation.tick(tenth / 10)
        asked_s += [tenth / 10 for _ in conversation.take_commands()]
    intervals = [later - earlier for earlier, later in pairwise(asked_s)]
    assert asked_s[0] == pytest.approx(0.5)
    assert intervals == sorted(intervals)
    assert intervals[-1] == pytest.approx(Limits().patience_s, abs=0.11)


def test_a_wrong_number_of_values_is_counted_never_stored_and_stands_as_one_gap() -> None:
    conversation = following()
    hear_all(conversation, 0)
    for number in (1, 2, 3):
        conversation.hear(sample(number, values=3), 1.0)
    assert conversation.counters.value_count == 3
    hear_all(conversation, 4)
    assert seqs(conversation) == [0, (1, 3, VALUE_COUNT), 4]
    assert conversation.take_commands() == []


def test_a_run_of_refused_samples_is_written_down_in_time_and_at_the_end() -> None:
    conversation = following()
    conversation.hear(sample(0, values=9), 1.0)
    conversation.tick(61.5)
    assert seqs(conversation) == [(0, 0, VALUE_COUNT)]
    conversation.hear(sample(1, values=9), 62.0)
    conversation.finish(62.1)
    assert seqs(conversation) == [(1, 1, VALUE_COUNT)]


def test_the_period_is_set_where_it_differs_and_not_for_ever() -> None:
    conversation = opened(period_ms=500)
    for now_s in (0.1, 0.2, 0.3, 0.4, 0.5):
        conversation.hear(identity(), now_s)
    assert conversation.take_commands() == [SetPeriod(500), Identify()] * 3
    conversation.hear(identity(period_ms=500), 0.6)
    assert conversation.take_commands() == []
    periods = [item.record.period_ms for item in conversation.take_items()]  # type: ignore[union-attr]
    assert periods == [1000, 500]


def test_events_are_passed_on_once() -> None:
    conversation = opened()
    event = RigEvent(7, 10, "watchdog", "reset by the watchdog")
    conversation.hear(event, 0.05)
    conversation.hear(identity(), 0.1)
    conversation.hear(event, 0.2)
    other = RigEvent(7, 11, "brownout", "")
    conversation.hear(other, 0.3)
    assert conversation.take_items()[1:] == [Heard(event, 1, 0.05), Heard(other, 1, 0.3)]


def test_an_event_of_an_unknown_boot_asks_who_it_is() -> None:
    conversation = following()
    event = RigEvent(8, 10, "watchdog", "")
    conversation.hear(event, 1.0)
    assert conversation.take_commands() == [Identify()]
    conversation.hear(identity(boot=8), 1.1)
    assert conversation.take_items()[-1] == Heard(event, 2, 1.0)


def test_after_the_line_was_opened_again_it_asks_and_goes_on() -> None:
    conversation = following()
    hear_all(conversation, 0, 1)
    conversation.closed()
    conversation.tick(50.0)
    assert conversation.take_commands() == []
    conversation.opened(60.0)
    hear_all(conversation, 9, now_s=60.1)
    conversation.hear(identity(0, 9), 60.2)
    assert conversation.take_commands() == [Identify(), Resend(7, 2)]
    hear_all(conversation, *range(2, 10), now_s=60.3)
    assert seqs(conversation) == list(range(10))


def test_silence_is_probed_so_that_a_slow_rig_can_show_that_it_lives() -> None:
    conversation = following()
    hear_all(conversation, 0, now_s=1.0)
    conversation.tick(1.0 + Limits().probe_s - 0.1)
    assert conversation.take_commands() == []
    conversation.tick(1.0 + Limits().probe_s)
    assert conversation.take_commands() == [Identify()]
    conversation.tick(1.1 + Limits().probe_s)
    assert conversation.take_commands() == []


def test_two_rigs_with_the_same_boot_number_take_turns_and_lose_nothing() -> None:
    conversation = following()
    hear_all(conversation, 0, 1, now_s=1.0)
    conversation.closed()
    conversation.opened(2.0)
    conversation.hear(identity(rig="other"), 2.1)
    hear_all(conversation, 0, now_s=2.2)
    conversation.closed()
    conversation.opened(3.0)
    for now_s in (3.1, 3.4):  # back to a boot that was left: it has to be said twice
        conversation.hear(identity(0, 2), now_s)
    hear_all(conversation, 0, 1, 2, now_s=3.5)
    heard = [item for item in conversation.take_items() if isinstance(item, Heard)]
    samples = [(item.life, item.record.seq) for item in heard if isinstance(item.record, Sample)]
    assert samples == [(1, 0), (1, 1), (2, 0), (1, 2)]
    assert [item.resumed for item in heard if isinstance(item.record, Identity)] == [False, True]


def test_many_boots_are_not_kept_for_ever_and_yet_not_forgotten() -> None:
    conversation = Conversation()
    conversation.opened(0.0)
    for boot in range(200):
        conversation.hear(identity(boot=boot), float(boot))
        conversation.hear(sample(0, boot=boot), float(boot))
    assert len(conversation._lives) <= 65
    conversation.hear(identity(0, 1, boot=3), 300.0)
    conversation.take_items()
    conversation.hear(sample(0, boot=3), 301.0)
    conversation.hear(sample(1, boot=3), 301.0)
    assert seqs(conversation) == [1]


def test_a_request_made_before_the_line_was_opened_again_is_made_anew() -> None:
    conversation = following()
    hear_all(conversation, 0, 2, now_s=1.0)
    assert conversation.take_commands() == [Resend(7, 1)]
    conversation.closed()
    conversation.opened(1.2)
    conversation.hear(identity(0, 2), 1.3)
    assert conversation.take_commands() == [Identify(), Resend(7, 1)]


def test_a_repeated_request_also_asks_what_the_rig_still_holds() -> None:
    conversation = following()
    hear_all(conversation, 0, 2, now_s=1.0)
    conversation.take_commands()
    conversation.tick(1.0 + Limits().retry_s)
    assert conversation.take_commands() == [Resend(7, 1), Identify()]
