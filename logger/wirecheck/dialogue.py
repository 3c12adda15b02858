"""What has to be asked: another period, sending again, acknowledging, and words that must change nothing."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from logger.protocol import MAX_UINT32, Acknowledge, Identity, Resend, SetPeriod, crc16
from logger.wirecheck.points import BrokenError, Point, insist, obeys

if TYPE_CHECKING:
    from logger.wirecheck.session import Session

QUICK_MS: Final = (20, 50, 100, 250, 500, 1000, 2000)
"""Periods asked for so that the check doesn't take all day."""
_ENOUGH: Final = 12
_SETTLE_S: Final = 1.0


def quicken(session: Session, native_ms: int) -> int:
    """Have the rig sample faster if it can and its line can carry it; the period that runs."""
    least_ms = 3000 * session.sample_s  # two thirds are left for sending again
    for period_ms in QUICK_MS:
        if period_ms < least_ms:
            continue
        if period_ms >= native_ms:
            break
        answer = session.answer(SetPeriod(period_ms))
        if answer is not None and answer.period_ms == period_ms:
            return period_ms
    return session.ask().period_ms


def try_period(session: Session, native_ms: int) -> Point:
    """`P`: the new period is said and kept, or the old one is; a period that can't be is dropped."""
    running = session.ask().period_ms
    try:
        said = _other_period(session, running, native_ms)
    finally:
        session.answer(SetPeriod(running))
    for content in (b"P,0", b"P,3600001"):
        session.say(b"%b*%04X\n" % (content, crc16(content)))
    session.listen(_SETTLE_S / 2)
    after = session.ask().period_ms
    insist(after == running, f"a period of 0 or over an hour was taken: it runs {after} ms now")
    return obeys("period", said)


def _other_period(session: Session, running: int, native_ms: int) -> str:
    wanted = running * 2
    begin = session.mark()
    answer = session.answer(SetPeriod(wanted))
    if answer is None:
        raise BrokenError(f"no identity came after P,{wanted}")
    said_ms = answer.period_ms
    insist(said_ms in {wanted, running, native_ms}, f"P,{wanted} was answered with a period of {said_ms} ms")
    session.wait_samples(4, 6 * said_ms / 1e3 + _SETTLE_S)
    uptimes = [sample.uptime_ms for sample in session.samples(begin)][-3:]
    steps = [(later - earlier) % 2**32 for earlier, later in pairwise(uptimes)]
    insist(bool(steps), f"no samples came after P,{wanted}")
    insist(
        max(steps) >= 0.8 * said_ms and min(steps) <= 1.2 * said_ms,
        f"it says {said_ms} ms after P,{wanted}, but samples are {steps[0]} ms apart",
    )
    return f"P,{wanted} is answered with {said_ms} ms, and samples are {steps[0]} ms apart"


def held(who: Identity) -> int:
    """How many samples the rig holds."""
    return who.last_seq - who.first_seq + 1


def fill(session: Session, period_ms: int) -> Identity:
    """See that the buffer holds some samples and isn't near its end; who the rig is then."""
    who = session.ask()
    if held(who) > 4 * _ENOUGH:
        session.say(Acknowledge(who.boot, who.last_seq - 2 * _ENOUGH))
        session.listen(_SETTLE_S / 4)
        who = session.ask()
    missing = _ENOUGH - held(who)
    if missing > 0:
        session.wait_samples(missing + 1, 2 * (missing + 1) * period_ms / 1e3 + _SETTLE_S)
        who = session.ask()
    return who


def after_jump(session: Session, begin: int, before: int, seq: int) -> list[int]:
    """The numbers heard since `begin` from the jump back on; `before` was the last one until then, `seq` is asked for.

    Samples that were on their way when it was asked come first, and are left out.
    """
    seqs = [sample.seq for sample in session.samples(begin)]
    jump = next((n for n, (a, b) in enumerate(pairwise([before, *seqs])) if b < a or b == seq), None)
    return [] if jump is None else seqs[jump:]


def _sent_again(session: Session, boot: int, seq: int, through: int, period_ms: int) -> list[int]:
    """Ask for `seq`; the numbers that come from the jump back on, until `through` was there."""
    begin, before = session.mark(), session.latest
    session.say(Resend(boot, seq))
    longest_s = _SETTLE_S + max(0.05, 3 * session.sample_s) * (through - seq + 1) + 3 * period_ms / 1e3
    session.listen(longest_s, lambda: through in after_jump(session, begin, before, seq))
    got = after_jump(session, begin, before, seq)
    # what came twice in a row is a matter of order, not of this
    return [number for number, last in zip(got, [-1, *got], strict=False) if number != last]


def _is_whole(got: list[int], seq: int, last: int, refused: int) -> bool:
    """Whether every number from `seq` to `last` came in order, but for lines that came and were refused."""
    wanted = range(seq, last + 1)
    came = [number for number in got if number in wanted]
    until = got.index(came[-1]) + 1 if came else 0
    return got[:until] == sorted(set(came)) and len(wanted) - len(came) <= refused


def try_resume(session: Session, period_ms: int) -> Point:
    """`R` from the oldest held and from the middle: from exactly there, in order, up to the newest and on."""
    who = fill(session, period_ms)
    first, last = who.first_seq, who.last_seq
    if session.overwritten:
        first += held(who) // 4  # the oldest of a full buffer may go while they are asked for
    insist(last - first >= 2, f"nothing was acknowledged, but the rig says it holds only {first} to {last}")
    for seq in (first, (first + last) // 2):
        asked = f"R,{who.boot},{seq}"
        begin = session.mark()
        got = _sent_again(session, who.boot, seq, last, period_ms)
        insist(bool(got), f"{asked} had no effect, though {first} to {last} are held")
        refused = sum(entry.fault is not None for entry in session.heard(begin))
        insist(got[0] == seq or refused > 0, f"{asked} was answered from {got[0]} on")
        insist(
            _is_whole(got, seq, last, refused),
            f"after {asked} not every sample from {seq} on came in order: {_break(got, seq)}",
        )
    goes_on = session.wait_samples(2, 3 * period_ms / 1e3 + _SETTLE_S)
    insist(goes_on, "after sending again it sends no new samples")
    middle = (first + last) // 2
    return obeys(
        "resume",
        f"{first} to {last} held; sent again from {first} and from {middle}, and on with the new ones",
    )


def _break(got: list[int], seq: int) -> str:
    """Where a row of numbers from `seq` on is interrupted.

    >>> _break([7, 8, 10, 11], 7)
    '8, then 10'
    >>> _break([7, 8], 7)
    'it ends with 8'
    """
    place = next((n for n, number in enumerate(got) if number != seq + n), None)
    return f"it ends with {got[-1]}" if place is None else f"{seq + place - 1}, then {got[place]}"


def _some(seqs: list[int]) -> str:
    return ", ".join(map(str, seqs[:8])) + (" …" if len(seqs) > 8 else "")


def try_acknowledge(session: Session, period_ms: int) -> Point:
    """`A`: what is safe goes, what isn't stays, no answer; `R` from before it starts at the oldest held."""
    who = fill(session, period_ms)
    safe = (who.first_seq + who.last_seq) // 2
    said = f"A,{who.boot},{safe}"
    begin = session.mark()
    session.say(Acknowledge(who.boot, safe))
    session.listen(_SETTLE_S / 2)
    answered = [entry.line for entry in session.heard(begin) if isinstance(entry.record, Identity)]
    after = session.ask()
    first = after.first_seq
    insist(after.boot == who.boot, f"after {said} the rig is in boot {after.boot}")
    insist(first > safe, f"after {said} it still holds {first} to {after.last_seq}")
    lost = f"after {said} the oldest it holds is {first}: samples went that nobody has called safe"
    insist(first == safe + 1, lost)
    insist(not answered, "an acknowledgement was answered; it has no answer", answered)
    got = _sent_again(session, who.boot, who.first_seq, after.last_seq, period_ms)
    came = f"came {_some(got)}" if got else "nothing came"
    insist(got[:1] == [first], f"{first} is the oldest held, but after R,{who.boot},{who.first_seq} {came}")
    return obeys("acknowledge", f"{said}: {first} is the oldest held, and R from before starts there")


def try_strangers(session: Session, period_ms: int) -> Point:
    """Words about another boot, or about samples that don't exist yet."""
    who = fill(session, period_ms)
    other = (who.boot + 1) % (MAX_UINT32 + 1)
    beyond = who.last_seq + 100_000
    answer = session.answer(Resend(other, who.first_seq))
    insist(
        answer is not None,
        f"R,{other},{who.first_seq} names another boot and has to be answered with I; no answer",
    )
    _resend_in_vain(session, Resend(other, who.first_seq), "R of another boot", period_ms)
    _resend_in_vain(session, Resend(who.boot, beyond), "R from beyond the newest sample", period_ms)
    _acknowledge_in_vain(session, Acknowledge(other, who.last_seq), "A of another boot")
    _acknowledge_in_vain(session, Acknowledge(who.boot, beyond), "A of a sample that doesn't exist yet")
    return obeys("strangers", "R and A of another boot, and of samples beyond the newest")


def _resend_in_vain(session: Session, words: Resend, what: str, period_ms: int) -> None:
    latest = session.latest
    begin = session.mark()
    session.say(words)
    session.listen(_SETTLE_S / 4)  # what was on its way
    goes_on = session.wait_samples(2, 3 * period_ms / 1e3 + _SETTLE_S)
    seqs = [sample.seq for sample in session.samples(begin)]
    insist(min(seqs, default=latest) >= latest, f"{what} made it send again: {_some(seqs)}")
    insist(goes_on, f"after {what} no more samples came")


def _acknowledge_in_vain(session: Session, words: Acknowledge, what: str) -> None:
    before = session.ask()
    session.say(words)
    session.listen(_SETTLE_S / 4)
    after = session.ask()
    # one less may be the oldest of a full buffer
    insist(
        after.boot == before.boot and held(after) >= held(before) - 1,
        f"{what} made it forget: it held {before.first_seq} to {before.last_seq}, "
        f"now {after.first_seq} to {after.last_seq}",
    )


def recover(session: Session, period_ms: int) -> None:
    """After a fault: the period again, and the samples from where they stopped: a fair start for the next attempt."""
    who = session.answer(SetPeriod(period_ms))
    if who is not None:
        session.say(Resend(who.boot, max(session.latest + 1, who.first_seq)))
        session.listen(_SETTLE_S / 2)
