"""The watch: which soak runs, what its readings say, and which alarms stand. No port, no broker, no waiting.

Alarms that readings raise come from the soak's analysis and are the same in a replay. One is the watch's own: `blind`
while nothing comes, since a reading that is missing can't tell. When readings come again and the gap stands in the
journal, the analysis finds the same alarm, and the store knows it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from analysis.alarm_store import Changes, Seen
from analysis.alarm_words import evidence_of, sentence_of
from analysis.live import PORTION, JournalFollower
from analysis.soak_model import WHOLE_JOURNAL
from logger.clock import us_from_utc, utc_now, utc_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.alarm_store import AlarmStore
    from analysis.register import RegisterReader
    from analysis.soak_model import Soak
    from logger.journal_reader import JournalReader
    from logger.settings import Settings

BLIND_PERIODS: Final = 3.0
BLIND_s: Final = 30.0
"""Silence for so many sample periods and so long is `blind` (as in analysis/watch.py)."""
UNKNOWN_SECTION: Final = "rig"
"""Under this name a rig is blind that has not said yet which sections it has."""
_SLACK_s: Final = 10.0
_TAKEN: Final = "acknowledgements taken"


class Watcher:
    """Follows the register of soaks and the journal; keeps the alarms in the store."""

    def __init__(
        self,
        reader: JournalReader,
        settings: Settings | None,
        register: RegisterReader,
        store: AlarmStore | None = None,
        *,
        rig: str = "rig",
        on_changes: Callable[[Changes], None] = lambda _changes: None,
    ) -> None:
        """Without a store nothing is kept or told: a look only. `on_changes` is called when an alarm's state changed."""
        self.reader = reader
        self.settings = settings
        self.register = register
        self.store = store
        self.rig = rig
        self.on_changes = on_changes
        self.said: dict[str, Any] | None = None
        """The findings that were worked out last."""
        self.heard_s: float | None = None
        self.times_taken_up = 0
        """How often the soak, or another one, was read from its begin."""
        self._soak: Soak | None = None
        self._reconciled: tuple[object, ...] = ()
        self._blind: dict[str, int] = {}
        self._held = Changes()
        self._newest_us: int | None = None
        self._caught_up = False
        self.follower = self._take_up(self._latest())

    @property
    def soak(self) -> Soak | None:
        """The soak that is followed; None: the whole journal."""
        return self._soak

    @property
    def running(self) -> bool:
        """Whether readings are judged now."""
        return self._soak is None or self._soak.ended is None

    @property
    def over(self) -> bool:
        """The soak was ended, and all that belongs to it was taken."""
        return self.follower.ended

    def look(self) -> bool:
        """See whether a soak was begun or ended; return whether another one is followed now."""
        latest = self._latest()
        self._take_acknowledgements()
        other = (None if latest is None else latest.id) != (None if self._soak is None else self._soak.id)
        # a height by hand or a note may be of long before the newest reading, and what was said of the soak may have been
        # put right: it is read again, as in a replay
        if other or self.register.beside() != self._beside or _corrected(self._soak, latest):
            self.follower = self._take_up(latest)
            return other
        if latest is not None and latest != self._soak:
            self._soak = latest
            self.follower.end(latest)
        return False

    def step(self, now_s: float, limit: int = PORTION) -> int:
        """Take the next entries; return how many there were. `now_s` is monotonic."""
        count = self.follower.step(limit)
        newest_us = self.follower.journal.newest_us if self.follower.journal.soak is not None else None
        news, self._newest_us = newest_us != self._newest_us, newest_us
        if not self._caught_up:
            # what is read from the disk after a start was not heard now
            self._caught_up = count < limit
            self.heard_s = now_s - (self._silent_before_s() if self._caught_up else 0.0)
            self._blind = {
                name: us for name, us in self._blind.items() if newest_us is None or newest_us < us
            }
        elif news:
            self.heard_s, self._blind = now_s, {}
        if self.running:
            self._see_silence(now_s)
            self._reconcile(complete=count < limit)
        elif self.over and self.store is not None:
            self._tell(self.store.close_soaks(None))
        self._tell(Changes())
        return count

    def silent_s(self, now_s: float) -> float:
        """How long no reading has come in."""
        return 0.0 if self.heard_s is None else now_s - self.heard_s

    @property
    def patience_s(self) -> float:
        """How long silence is no alarm yet."""
        return BLIND_PERIODS * self.follower.period_s() + BLIND_s

    def findings(self, *, final: bool = False) -> dict[str, Any] | None:
        """Work out the findings so far, or None before the first sample."""
        self.said = self.follower.findings(final=final)
        return self.said

    # -- inside ----------------------------------------------------------------------------------------------

    def _latest(self) -> Soak | None:
        soaks = self.register.soaks()
        return soaks[-1] if soaks else None

    def _take_acknowledgements(self) -> None:
        """Take what was acknowledged by command; by the broker it comes another way."""
        if self.store is None:
            return
        taken = int(self.store.fact(_TAKEN) or 0)
        for number, name, who in self.register.acknowledgements(taken):
            alarm = self.store.acknowledge(None, name, who or None)
            self.store.note(_TAKEN, str(number))
            if alarm is not None:
                self._tell(Changes(acknowledged=(alarm,)))

    def _number(self) -> int:
        return WHOLE_JOURNAL if self._soak is None else self._soak.id

    def _take_up(self, soak: Soak | None) -> JournalFollower:
        self._soak = soak
        self.times_taken_up += 1
        self._beside = self.register.beside()
        self.said, self.heard_s, self._newest_us = None, None, None
        self._reconciled, self._caught_up, self._blind = (), False, {}
        if self.store is not None:
            self._tell(self.store.close_soaks(self._number() if self.running else None))
            # a rig that was blind before a restart still is, until it speaks
            self._blind = {
                alarm.section: alarm.raised_us for alarm in self.store.standing() if alarm.kind == "blind"
            }
        return JournalFollower(self.reader, self.settings, soak, self._beside)

    def _silent_before_s(self) -> float:
        """How old the newest reading was when the watch was taken up, as far as that leaves time to hear another."""
        newest = self.reader.newest()
        settings = self.follower.journal.settings
        if newest is None or settings.rig.clock != "host":
            return 0.0
        age_s = (us_from_utc(utc_now()) - newest.utc_us) / 1e6
        return min(max(age_s, 0.0), max(self.patience_s - self.follower.period_s() - _SLACK_s, 0.0))

    def _see_silence(self, now_s: float) -> None:
        if self._blind or self.silent_s(now_s) < self.patience_s:
            return
        raised_us = (self._newest_us or 0) + round(self.patience_s * 1e6)
        self._blind = dict.fromkeys(self._sections(), raised_us)

    def _sections(self) -> tuple[str, ...]:
        soak = self.follower.journal.soak
        return (UNKNOWN_SECTION,) if soak is None else soak.sections

    def _reconcile(self, *, complete: bool) -> None:
        soak = self.follower.journal.soak
        book = None if soak is None else soak.book
        state = (
            0 if book is None else len(book.alarms),
            0 if book is None else len(book.standing),
            tuple(self._blind),
            complete,
        )
        if self.store is None or state == self._reconciled:
            return
        self._reconciled = state
        self._tell(self.store.reconcile(self._number(), self._seen(), self._describe, complete=complete))

    def _seen(self) -> list[Seen]:
        journal = self.follower.journal
        seen: list[Seen] = []
        if journal.soak is not None:
            for alarm in journal.soak.book.alarms:
                raised_us = journal.first_us + round(alarm.raised_s * 1e6)
                cleared_us = (
                    None if alarm.cleared_s is None else journal.first_us + round(alarm.cleared_s * 1e6)
                )
                seen.append(
                    Seen(
                        alarm.section,
                        alarm.kind,
                        raised_us,
                        cleared_us,
                        journal.label(raised_us),
                        None if cleared_us is None else journal.label(cleared_us),
                        alarm.evidence or self._quality(alarm.section, alarm.kind),
                        alarm.taken_back,
                    )
                )
        seen.sort(key=lambda one: (one.raised_us, one.section, one.kind))
        known = journal.soak is not None
        seen += [
            Seen(section, "blind", us, None, journal.label(us) if known else utc_text(), None)
            for section, us in self._blind.items()
        ]
        return seen

    def _quality(self, section: str, kind: str) -> str:
        """What is wrong with a transducer, by its last reading."""
        return self.follower.journal.qualities.get(f"{section}.pressure", "") if kind == "sensor" else ""

    def _describe(self, seen: Seen) -> tuple[str, dict[str, Any]]:
        """The sentence and the evidence of a new alarm; a leak's are worked out anew, it rests on them."""
        said = self.findings() if seen.kind == "leak" or self.said is None else self.said
        section = None
        if said is not None:
            section = next((one for one in said["sections"] if one["name"] == seen.section), None)
        return sentence_of(seen, section, self.rig), evidence_of(seen, section)

    def _tell(self, changes: Changes) -> None:
        """Pass on what has changed; what a start finds on the way to the present is told together, at its end."""
        held = self._held
        self._held = Changes(
            held.raised + changes.raised,
            held.cleared + changes.cleared,
            held.acknowledged + changes.acknowledged,
        )
        if self._held and self._caught_up:
            told, self._held = self._held, Changes()
            self.on_changes(told)


def _corrected(before: Soak | None, now: Soak | None) -> bool:
    """Whether something else than the end of a running soak is new."""
    if before is None or now is None or before == now:
        return False
    return before.ended is not None or replace(now, last_entry=None, ended=None) != before
