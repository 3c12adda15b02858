"""What a person has to do: restart the rig, drive an input over its range."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from logger.port import PortError
from logger.protocol import Identity, RigEvent, Sample
from logger.wirecheck.lines import judge_marks
from logger.wirecheck.points import BrokenError, Point, Verdict, insist, not_tried, obeys

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.wirecheck.session import Entry, Session

_STEP_S: Final = 0.5


def _again(session: Session) -> bool:
    """Wait for the port to come back after a plug was pulled; False if it did not within the moment."""
    if not session.link.reopen():
        return False
    session.reopened()
    return True


def _listen_through(session: Session, seconds: float, until: Callable[[], bool]) -> bool:
    """Listen for so long, also through a port that goes away and comes back."""
    end_s = session.link.now_s() + seconds
    lost = False
    while not until():
        if session.link.now_s() >= end_s:
            return False
        try:
            if lost and not _again(session):
                session.link.pause(_STEP_S)
                continue
            lost = False
            session.listen(_STEP_S, until)
        except PortError:
            lost = True
            session.link.pause(_STEP_S)
    return True


def try_reboot(session: Session, patience_s: float, tell: Callable[[str], None]) -> Point:
    """Somebody restarts the rig: identity first, a boot number never used, samples from 0."""
    before = session.ask()
    boots = {entry.record.boot for entry in session.entries if isinstance(entry.record, Identity)}
    newest = session.newest.seq if session.newest else -1
    begin = session.mark()
    tell(f"restart the rig now (reset button, or its power); waiting {patience_s:.0f} s")

    def restarted() -> bool:
        return any(_of_another_life(entry, before.boot, newest) for entry in session.heard(begin))

    if not _listen_through(session, patience_s, restarted):
        return not_tried("reboot", f"nobody restarted it within {patience_s:.0f} s, or it said nothing of it")
    first = next(entry for entry in session.heard(begin) if _of_another_life(entry, before.boot, newest))
    place = session.entries.index(first)
    session.listen(_STEP_S + 3 * before.period_ms / 1e3)
    who = session.ask()
    insist(
        who.boot not in boots,
        f"after the restart it has the boot number {who.boot} again: the host would mix the two",
    )
    record = first.record
    damaged = any(entry.fault is not None for entry in session.heard(begin))
    if damaged and not isinstance(record, Identity):
        return not_tried("reboot", "lines around the restart came damaged")
    if not isinstance(record, Identity):
        raise BrokenError("the first line after the restart is no identity", [first.line])
    begins = f"after the restart its samples begin at {max(record.first_seq, who.first_seq)}, not at 0"
    insist(record.first_seq == who.first_seq == 0, begins, [first.line])
    numbers = [sample.seq for sample in session.samples(place)]
    insist(
        damaged or numbers[:1] in ([], [0]),
        f"the first sample after the restart is not number 0 but {numbers[:1]}",
    )
    codes = [e.record.code for e in session.heard(place) if isinstance(e.record, RigEvent)]
    told = f"events: {', '.join(codes)}" if codes else "no event says why"
    return obeys("reboot", f"boot {before.boot} became {who.boot}, identity first, samples from 0; {told}")


def _of_another_life(entry: Entry, boot: int, newest: int) -> bool:
    """Whether a line can only come from after a restart."""
    record = entry.record
    if isinstance(record, Identity):
        return record.boot != boot or record.last_seq < newest
    if isinstance(record, Sample):
        return record.boot != boot or (record.seq == 0 and newest > 0)
    return isinstance(record, RigEvent) and record.boot != boot


def try_marks(session: Session, patience_s: float, tell: Callable[[str], None]) -> None:
    """Wait until somebody has driven an input beyond its range; what came is judged with everything else."""
    tell(f"drive an input beyond the converter's range now; waiting {patience_s:.0f} s")
    begin = session.mark()
    session.listen(patience_s, lambda: judge_marks(session.entries[begin:]).verdict is not Verdict.NOT_TRIED)
