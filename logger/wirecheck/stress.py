"""Junk, damaged commands, a flood, and a buffer that nobody empties."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, Final

from logger.protocol import Acknowledge, Identify, Resend, RigEvent, SetPeriod, crc16, encode, line_length
from logger.wirecheck.dialogue import after_jump, fill, held
from logger.wirecheck.points import BrokenError, Point, insist, not_tried, obeys
from logger.wirecheck.session import LostError

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.protocol import Identity
    from logger.wirecheck.session import Session

_SETTLE_S: Final = 0.5
_ATTACK_S: Final = 0.25
_FLOOD_BYTES: Final = 6_000
_QUESTIONS: Final = 4


def _damaged(line: bytes) -> bytes:
    """A command of which one digit of the check has changed."""
    return line[:-2] + (b"0" if line[-2:-1] != b"0" else b"1") + line[-1:]


def _attacks() -> list[tuple[str, Callable[[Identity], bytes]]]:
    """What is sent, made for the rig as it is just then."""
    chance = random.Random(1)  # noqa: S311  the same junk each time
    noise = bytes(byte for byte in bytes(range(32)) + chance.randbytes(400) if byte != 0x0A)
    return [
        ("400 random bytes and all control characters", lambda _: noise + b"\n"),
        ("1000 bytes without a line end", lambda _: b"U" * 1000 + b"\n"),
        ("a damaged acknowledgement", lambda who: _damaged(encode(Acknowledge(who.boot, who.last_seq)))),
        ("a damaged P", lambda who: _damaged(encode(SetPeriod(2 * who.period_ms)))),
        ("a damaged R", lambda who: _damaged(encode(Resend(who.boot, who.first_seq)))),
        ("an acknowledgement without a check", lambda who: b"A,%d,%d\n" % (who.boot, who.last_seq)),
        ("a command that doesn't exist", lambda _: b"X,1*%04X\n" % crc16(b"X,1")),
    ]


def try_junk(session: Session, period_ms: int) -> Point:
    """What is no command changes nothing, and the command after it is understood."""
    attacks = _attacks()
    for what, made in attacks:
        _attack(session, what, made, period_ms)
    for what, data in (("check in lower case", b"?*264c\n"), ("CR before the LF", b"?*264C\r\n")):
        insist(session.answer(data) is not None, f"'?' with {what} is a good command, and was not answered")
    goes_on = session.wait_samples(2, 3 * period_ms / 1e3 + _SETTLE_S)
    insist(goes_on, "after the junk no more samples came")
    return obeys("junk", f"{len(attacks)} kinds of junk; lower case and CR are understood")


def _attack(session: Session, what: str, made: Callable[[Identity], bytes], period_ms: int) -> None:
    before = fill(session, period_ms)
    latest = session.latest
    begin = session.mark()
    data = made(before)
    session.say(data)
    session.listen(_ATTACK_S + len(data) / session.bytes_per_s)
    answers = session.identities(begin)
    try:
        after = session.ask()
    except LostError:
        raise BrokenError(f"after {what} it no longer answers '?'") from None
    insist(after.boot == before.boot, f"{what} made it restart: boot {before.boot} became {after.boot}")
    forgot = f"{what} made it forget samples: the oldest was {before.first_seq}, is {after.first_seq}"
    insist(held(after) >= held(before) - 1, forgot)  # one less may be the oldest of a full buffer
    insist(after.period_ms == before.period_ms, f"{what} changed the period to {after.period_ms} ms")
    insist(all(sample.seq >= latest for sample in session.samples(begin)), f"{what} made it send again")
    insist(not answers, f"{what} was answered; what is no command is dropped without an answer")


def try_flood(session: Session, period_ms: int) -> Point:
    """A flood of questions and junk: the same boot goes on, and it answers afterwards."""
    before = fill(session, period_ms)
    questions = 0
    piece = encode(Identify()) * _QUESTIONS + b"junk that ends\n" + b"\xff" * 150 + b"\n"
    sent = 0
    while sent < _FLOOD_BYTES:
        session.say(piece)
        sent, questions = sent + len(piece), questions + _QUESTIONS
        session.listen(0.02)
    flood = f"{sent} bytes of questions and junk"
    # it may answer each question, and the line takes its time for that
    answers_s = (sent + questions * line_length(before)) / session.bytes_per_s
    goes_on = session.wait_samples(2, 2 * answers_s + 3 * period_ms / 1e3 + 2.0)
    try:
        after = session.ask()
    except LostError:
        raise BrokenError(f"after {flood} it no longer answers") from None
    insist(after.boot == before.boot, f"{flood} made it restart: boot {before.boot} became {after.boot}")
    insist(goes_on, f"after {flood} no more samples came")
    forgot = f"{flood} made it forget: the oldest was {before.first_seq}, is {after.first_seq}"
    insist(held(after) >= held(before) - 1, forgot)
    return obeys("flood", f"{flood}; it answers, in the same boot")


def try_depth(
    session: Session,
    period_ms: int,
    stated: int | None,
    patience_s: float,
    progress: Callable[[int, float], None],
) -> Point:
    """Acknowledge nothing until the oldest goes: how many does it hold, is that said, and are they the newest ones?"""
    start = session.ask()
    if start.last_seq >= start.first_seq:
        session.say(Acknowledge(start.boot, start.last_seq))
    session.listen(_SETTLE_S)
    start = session.ask()
    if held(start) > 1 + 2 * _SETTLE_S * 1e3 / period_ms:
        return not_tried("depth", f"the buffer can't be emptied: {held(start)} samples are left")
    begin, begin_s = session.mark(), session.link.now_s()
    who = start
    while who.first_seq == start.first_seq:
        passed_s = session.link.now_s() - begin_s
        count = held(who)
        progress(count, passed_s)
        insist(stated is None or count <= stated, f"it holds {count} samples, {stated} are stated")
        if passed_s > patience_s:
            rest = (
                f"; {stated} are stated: --patience {_need_s(stated, period_ms)} would fill it"
                if stated
                else ""
            )
            return not_tried(
                "depth", f"at least {count} samples at {period_ms} ms; not full after {passed_s:.0f} s{rest}"
            )
        last = who.last_seq
        session.listen(max(_SETTLE_S, 10 * period_ms / 1e3))
        who = session.ask()
        insist(
            who.boot == start.boot,
            f"while the buffer filled it restarted: boot {start.boot} became {who.boot}",
        )
        stopped = f"with {count} samples held it takes no new ones: the oldest has to go, not the newest"
        insist(who.last_seq > last, stopped)
    count = held(who)
    insist(stated is None or count == stated, f"it holds {count} samples, {stated} are stated")
    told = [
        e for e in session.heard(begin) if isinstance(e.record, RigEvent) and e.record.code == "overwritten"
    ]
    times = "never" if not told else f"{len(told)} times"
    insist(len(told) == 1, f"it held {count} and lost the oldest, and said `overwritten` {times}, not once")
    return obeys(
        "depth", f"holds {count} samples{' as stated' if stated else ''}; then the oldest goes, said once"
    )


def _need_s(stated: int, period_ms: int) -> int:
    return int(1.1 * stated * period_ms / 1e3) + 10


def catch_up(session: Session, period_ms: int) -> Point:
    """Have everything held sent again, with samples coming in meanwhile."""
    who = session.ask()
    begin, begin_s, before = session.mark(), session.link.now_s(), session.latest
    session.say(Resend(who.boot, who.first_seq))
    # what comes in meanwhile may take a third of the line
    longest_s = 3.0 + max(0.02, 3 * session.sample_s) * held(who) + 10 * period_ms / 1e3

    def on_again() -> bool:
        return any(seq > who.last_seq for seq in after_jump(session, begin, before, who.first_seq)[-1:])

    caught = session.listen(longest_s, on_again)
    got = after_jump(session, begin, before, who.first_seq)
    passed_s = session.link.now_s() - begin_s
    where = f"it got from {got[0]} to {got[-1]}" if got else "nothing came again"
    insist(caught, f"asked for all {held(who)} it holds, {where} in {passed_s:.0f} s")
    session.wait_samples(3, 4 * period_ms / 1e3 + _SETTLE_S)
    return obeys(
        "resume",
        f"all {held(who)} samples that it holds sent again in {passed_s:.1f} s, and on with new ones",
    )
