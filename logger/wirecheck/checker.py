"""The order in which a rig is checked."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

from logger.port import DEFAULT_BAUD
from logger.protocol import Acknowledge, Identify, Identity, SetPeriod
from logger.wirecheck import dialogue, hands, identity, lines, order, stress, timing
from logger.wirecheck.points import BrokenError, Point, Report, Verdict, fault, not_tried, obeys
from logger.wirecheck.session import Link, LostError, Session

if TYPE_CHECKING:
    from collections.abc import Callable

START_S: Final = 6.0
"""A board that restarts when its port is opened may need seconds before it answers."""
_ASK_S: Final = 1.0
_LONGEST_LISTEN_S: Final = 60.0
_ON_ITS_WAY_S: Final = 0.3
_LONGEST_PERIOD_MS: Final = 2000
_TALK: Final = ("period", "resume", "acknowledge", "strangers", "junk", "flood", "depth")
"""The points for which the rig has to be talked to."""
_ENOUGH_REFUSED: Final = 15
"""So many lines and not a good one among them: there is nothing to wait for."""


@dataclass(frozen=True, slots=True)
class Options:
    """What is to be tried, and for how long."""

    listen_s: float = 15.0
    """How long to listen before anything is asked for."""
    only_listen: bool = False
    """Change nothing at the rig: no acknowledgement, no other period, no junk."""
    depth: int | None = None
    """The buffer's depth as the firmware's notes state it."""
    patience_s: float = 60.0
    """How long filling the buffer may take."""
    reboot_s: float = 0.0
    """Wait so long for somebody to restart the rig; 0: not tried."""
    baud: int = DEFAULT_BAUD
    """Speed of the line: how much may be asked of it."""
    marks_s: float = 0.0
    """Wait so long for somebody to drive an input over its range; 0: not waited."""


class Checker:
    """Checks the rig at a link; `tell` gets what a person at the terminal should know meanwhile."""

    def __init__(self, link: Link, port: str, options: Options, tell: Callable[[str], None]) -> None:
        """Nothing is said before `run`."""
        self._session = Session(link, options.baud)
        self._report = Report(port)
        self._options = options
        self._tell = tell
        self._before_restart: int | None = None

    def run(self) -> Report:
        """Check all that can be. A port that goes away is an error, a rig that falls silent a fault."""
        report, session = self._report, self._session
        if self._introduce():
            try:
                if self._listen() and not self._options.only_listen:
                    self._converse()
            except LostError as lost:
                if not report.of(Verdict.FAULT):  # else that is why
                    report.add(fault("identity", str(lost)))
        self._judge_all()
        if self._options.only_listen:
            for key in (*_TALK, "reboot"):
                report.add(not_tried(key, "only listened"))
        report.identity = session.identity
        report.finish()
        return report

    # ---------------------------------------------------------------- phases

    def _introduce(self) -> bool:
        """Who is there?"""
        session = self._session
        self._tell("asking who is there")
        for _ in range(int(START_S / _ASK_S)):
            if session.answer(Identify(), _ASK_S, tries=1) is not None:
                # once more: the first may have been the one that is said after a restart
                begin_s = session.link.now_s()
                who = session.answer(Identify())
                if who is None:
                    break
                after_ms = 1e3 * (session.link.now_s() - begin_s)
                said = f"{who.rig}, firmware {who.firmware or 'not told'}, after {after_ms:.0f} ms"
                self._report.add(obeys("identity", said))
                return True
            heard = list(session.heard())
            if len(heard) >= _ENOUGH_REFUSED and all(entry.fault is not None for entry in heard):
                break
        self._report.add(identity.why_no_identity(session.entries, session.bytes_heard))
        return False

    def _listen(self) -> bool:
        """What it says without being asked; False if there is no use in talking to it."""
        session, who = self._session, self._session.ask()
        self._report.add(identity.judge_room(who))
        self._report.add(identity.judge_names(who))
        period_s = who.period_ms / 1e3
        seconds = min(max(self._options.listen_s, 10 * period_s), _LONGEST_LISTEN_S)
        self._tell(f"listening for {seconds:.0f} s")
        begin = session.mark()
        session.listen(seconds)
        samples, period_ms = timing.of_period(session.entries)
        heard = session.entries[begin:]
        if any(entry.fault is not None for entry in heard) and len(samples) < timing.FEWEST:
            return False  # form and check say why
        if not session.samples(begin):
            said = f"no sample in {seconds:.0f} s at a period of {period_s:g} s: it has to send without being asked"
            if seconds > 3 * period_s:
                self._report.add(fault("order", said))
                return False
            return True  # a shorter period will show more
        if len(samples) >= timing.FEWEST:
            self._report.add(timing.judge_timing(samples, period_ms))
        self._report.add(timing.judge_clock(heard))
        self._judge_port()
        return lines.judge_boot(heard).verdict is not Verdict.FAULT

    def _judge_port(self) -> None:
        """A rig that was switched on after its port was opened was restarted by that."""
        session, newest = self._session, self._session.newest
        if newest is None:
            return
        up_s = newest.uptime_ms / 1e3
        open_s = session.newest_s - session.opened_s
        if up_s < open_s - _ON_ITS_WAY_S:
            said = f"open for {open_s:.1f} s, but the rig has been up for {up_s:.1f} s only: break that link"
            self._report.add(fault("port", said))
        else:
            self._report.add(obeys("port", f"up for {up_s:.0f} s, the port open for {open_s:.0f} s"))

    def _attempt(self, key: str, attempt: Callable[[], Point]) -> bool:
        """Try one thing; what it meets becomes a point. Says whether it held."""
        try:
            point = attempt()
        except BrokenError as broken:
            point = fault(key, broken.evidence, broken.examples)
        except LostError as lost:
            if not self._report.of(Verdict.FAULT):  # else that is why
                self._report.add(fault(key, str(lost)))
            raise
        self._report.add(point)
        return point.verdict is not Verdict.FAULT

    def _converse(self) -> None:
        session, options, tell = self._session, self._options, self._tell
        native_ms = session.ask().period_ms
        tell("another period")
        try:
            if dialogue.quicken(session, native_ms) > _LONGEST_PERIOD_MS:
                for key in _TALK:
                    why = f"its period stays at {native_ms / 1e3:g} s: for the check let it take 2 s or less"
                    self._report.add(not_tried(key, why))
                return
            keeps_period = self._attempt("period", lambda: dialogue.try_period(session, native_ms))
            period_ms = session.ask().period_ms
            busy_from = session.newest.seq if session.newest else -1
            for key, words, attempt in (
                ("resume", "sending again", dialogue.try_resume),
                ("acknowledge", "acknowledging", dialogue.try_acknowledge),
                ("strangers", "words about other boots", dialogue.try_strangers),
                ("junk", "junk", stress.try_junk),
                ("flood", "a flood", stress.try_flood),
            ):
                tell(words)
                if not self._attempt(key, partial(attempt, session, period_ms)):
                    dialogue.recover(session, period_ms)
            if self._depth(period_ms) and keeps_period:
                busy, _ = timing.of_period(session.entries)
                fresh = [sample for sample in busy if sample.seq > busy_from]
                self._report.add(timing.judge_unhindered(fresh, period_ms))
                if not self._report.has("timing"):  # its own period was too long for that
                    self._report.add(timing.judge_timing(fresh, period_ms))
        finally:
            self._restore(native_ms)
        if options.marks_s:
            hands.try_marks(session, options.marks_s, tell)
        self._before_restart = session.mark()
        if options.reboot_s:
            self._attempt("reboot", lambda: hands.try_reboot(session, options.reboot_s, tell))
        else:
            self._report.add(not_tried("reboot", "--reboot waits while you restart it"))

    def _depth(self, period_ms: int) -> bool:
        session, options = self._session, self._options

        def progress(held: int, passed_s: float) -> None:
            self._tell(f"filling the buffer: {held} samples after {passed_s:.0f} s")

        if not self._attempt(
            "depth", lambda: stress.try_depth(session, period_ms, options.depth, options.patience_s, progress)
        ):
            return False
        self._tell("sending it all again")
        return self._attempt("resume", lambda: stress.catch_up(session, period_ms))

    def _restore(self, native_ms: int) -> None:
        """Leave the rig as it was found, with nothing in its buffer that is of no use to anybody."""
        session = self._session
        answer = session.answer(SetPeriod(native_ms))
        if answer is not None and answer.last_seq >= answer.first_seq:
            session.say(Acknowledge(answer.boot, answer.last_seq))
            session.listen(_ON_ITS_WAY_S)

    # ---------------------------------------------------------------- in the end

    def _judge_all(self) -> None:
        """What every line of the whole conversation shows."""
        session, report = self._session, self._report
        entries = session.entries
        # what a restart mixes up is told by the point about it
        one_life = entries[: self._before_restart] if report.has_fault("reboot") else entries
        for point in (
            lines.judge_check(entries),
            lines.judge_form(entries),
            lines.judge_values(entries),
            lines.judge_boot(one_life),
            lines.judge_range(one_life),
            lines.judge_marks(entries),
            *order.judge_order(order.follow(one_life)),
        ):
            report.add(point)
        identities = [entry.record for entry in entries if isinstance(entry.record, Identity)]
        changed = {(who.rig, who.firmware, who.channels) for who in identities}
        if len(changed) > 1:
            report.add(
                fault("identity", f"it says {len(changed)} different things of itself in one conversation")
            )
        long = [e for e in entries if e.line.startswith(b"I,") and e.fault is not None and len(e.line) > 250]
        if long:
            report.add(
                fault(
                    "room", f"an identity of {len(long[0].line)} bytes: no host can read it", [long[0].line]
                )
            )
