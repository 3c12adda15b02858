"""Word to people who have no MQTT: which letters are written, when, and how they are sent.

A letter is kept in the alarm store until every address has it, or for a day. The sending itself is `apprise`'s, an
optional part (`pip install '.[notify]'`): push services, e-mail, whatever it knows.
"""

from __future__ import annotations

import asyncio
import json
import logging
from typing import TYPE_CHECKING, Any, Final

from analysis.ages import since_s
from analysis.alarm_words import letter_of, taken_back_letter
from analysis.words import plain_lines
from logger.clock import host_now, utc_from_us
from logger.delivery_settings import URLS_VARIABLE
from logger.errors import PlainError
from logger.foreign_json import foreign_object
from logger.notice import duration_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from analysis.alarm_store import AlarmStore, Changes, Kept
    from logger.clock import HostTime
    from logger.delivery_settings import NotifySettings

_log = logging.getLogger(__name__)

LOOK_s: Final = 5.0
MOST_REPEATS: Final = 3
FLAP_s: Final = 3600.0
"""The same alarm of the same section within this time is told by the repeats, not at once."""
KEEP_s: Final = 86_400.0
_MOST_MEMORY: Final = 1 << 20
_TELLTALES: Final = ("apprise", "urllib3", "requests", "requests_oauthlib", "oauthlib")
"""Their lines could show an address, and with it a password or a token."""
FIRST_WAIT_s, LONGEST_WAIT_s = 15.0, 900.0


class Addresses:
    """Where letters go, by apprise; an address is never shown, it holds secrets."""

    def __init__(self, urls: Sequence[str]) -> None:
        """Refuse what apprise doesn't understand, by its place in the list."""
        try:
            import apprise  # noqa: PLC0415  an optional part
        except ImportError:
            raise PlainError("notify: needs apprise, an optional part: pip install '.[notify]'") from None
        if not urls:
            raise PlainError(f"notify: there is no address, neither notify.urls nor {URLS_VARIABLE}")
        for name in _TELLTALES:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        self._targets: list[Any] = []
        for number, url in enumerate(urls, 1):
            target = apprise.Apprise()
            if not target.add(url):
                raise PlainError(f"notify.urls: number {number} is no address that apprise knows")
            self._targets.append(target)

    def __len__(self) -> int:
        """How many."""
        return len(self._targets)

    def name(self, number: int) -> str:
        """What an address may be called in a log: its place and its service."""
        return f"address {number + 1} ({self._targets[number][0].service_name})"

    async def send(self, number: int, title: str, body: str) -> bool:
        """Send a letter to one address; False if it didn't take it."""
        try:
            return bool(await asyncio.to_thread(self._targets[number].notify, body=body, title=title))
        except Exception:  # noqa: BLE001  a fault in one of a hundred services must not end the watch
            _log.debug("sending by %s failed", self.name(number), exc_info=True)
            return False


_Moment = tuple[float, str]
"""On the monotonic clock in seconds, and its label on the wall clock."""


class Desk:
    """Writes letters: alarms at once, what nobody acknowledged again and quietly, a summary in the morning.

    What was told when is remembered by the monotonic clock, and kept for a restart by labels of the wall clock.
    """

    def __init__(
        self, notify: NotifySettings, store: AlarmStore, rig: str, now: Callable[[], HostTime] = host_now
    ) -> None:
        """`now` is replaced in tests only."""
        self._notify, self._store, self._rig, self._now = notify, store, rig, now
        self._told: dict[str, _Moment] = {}
        self._repeats: dict[str, tuple[int, _Moment]] = {}
        self._remember()
        if store.fact("summary") is None and self._summary_due_today():
            # today's hour is past: the first one comes tomorrow
            store.note("summary", self._today())

    def changed(self, changes: Changes) -> None:
        """Write of what was raised; of blindness also that it is over."""
        now = self._moment()
        fresh: list[Kept] = []
        for alarm in changes.raised:
            if self._mark(f"{alarm.section}/{alarm.kind}", now):
                fresh.append(alarm)
            self._repeats[str(alarm.id)] = (0, now)
        seeing = [alarm for alarm in changes.cleared if alarm.kind == "blind" and alarm.cleared]
        if fresh:
            self._store.write_letter(*letter_of(fresh, self._rig))
        back = [alarm for alarm in changes.cleared if alarm.evidence.get("taken_back")]
        if back:
            self._store.write_letter(*taken_back_letter(back, self._rig))
        # blindness that was told a moment ago, and its end, are two letters an hour at most
        if seeing and not fresh and self._mark("blind is over", now):
            self._store.write_letter(f"{self._rig}: readings come in again", "The watch sees again.")
        self._store.note("told", json.dumps({place: label for place, (_, label) in self._told.items()}))
        self._note_repeats()

    def look(
        self, said: Mapping[str, Any] | None, silent_s: float, *, judging: bool, planned_h: float | None
    ) -> None:
        """Write what is due by now: repeats and the summary."""
        self._repeat()
        if self._notify.summary_at is None or not self._summary_due_today():
            return
        if self._store.fact("summary") == self._today():
            return
        self._store.note("summary", self._today())
        if judging:
            self._store.write_letter(*self._summary(said, silent_s, planned_h))

    # -- what was told when ----------------------------------------------------------------------------------

    def _moment(self) -> _Moment:
        now = self._now()
        return now.monotonic_us / 1e6, utc_from_us(now.utc_us).isoformat()

    def _remember(self) -> None:
        """Take over what an earlier run has kept; what can't be believed is told once more rather than never."""
        now = self._now()
        for place, label in self._fact("told").items():
            told_s = since_s(label, now)
            if told_s is not None:
                self._told[place] = (told_s, str(label))
        for key, kept in self._fact("repeats").items():
            match kept:
                case [int(count), str(label)]:
                    told_s = since_s(label, now)
                    # an unknown age begins now
                    self._repeats[key] = (count, self._moment() if told_s is None else (told_s, label))

    def _fact(self, name: str) -> dict[str, Any]:
        try:
            return foreign_object(self._store.fact(name) or "{}", _MOST_MEMORY)
        except ValueError:
            return {}

    def _mark(self, what: str, now: _Moment) -> bool:
        """Whether it may be told now; then it was."""
        last = self._told.get(what)
        if last is not None and now[0] - last[0] < FLAP_s:
            return False
        self._told[what] = now
        return True

    def _note_repeats(self) -> None:
        kept = {key: [count, label] for key, (count, (_, label)) in self._repeats.items()}
        self._store.note("repeats", json.dumps(kept))

    def _repeat(self) -> None:
        if not self._repeats:
            return
        now = self._moment()
        standing = {str(a.id): a for a in self._store.standing() if a.acknowledged is None}
        kept = {key: value for key, value in self._repeats.items() if key in standing}
        due = []
        for key, (count, last) in kept.items():
            wait_s = self._notify.repeat_s * 2**count
            if count < MOST_REPEATS and now[0] - last[0] >= wait_s:
                kept[key] = (count + 1, now)
                due.append(standing[key])
        if due:
            self._store.write_letter(*letter_of(due, self._rig, "still, not acknowledged: "))
        if kept != self._repeats:
            self._repeats = kept
            self._note_repeats()

    # -- the summary -----------------------------------------------------------------------------------------

    def _summary_due_today(self) -> bool:
        at = self._notify.summary_at
        return at is not None and self._local().time() >= at

    def _today(self) -> str:
        return self._local().date().isoformat()

    def _local(self) -> datetime:
        return utc_from_us(self._now().utc_us).astimezone()

    def _summary(
        self, said: Mapping[str, Any] | None, silent_s: float, planned_h: float | None
    ) -> tuple[str, str]:
        lines = ["No reading has come in yet."] if said is None else plain_lines(said, planned_h)
        if silent_s > 60.0:
            lines.insert(0, f"The newest reading is {duration_text(silent_s)} old.")
        standing = self._store.standing()
        lines += [f"{a.state}: {a.sentence}" for a in standing]
        title = f"{self._rig}, this morning: {len(standing) or 'no'} alarm{'s' if len(standing) > 1 else ''}"
        return title, "\n".join(lines)


class Postman:
    """Sends the letters that wait; tries again, ever less often, what an address didn't take."""

    def __init__(
        self,
        addresses: Addresses,
        store: AlarmStore,
        first_wait_s: float = FIRST_WAIT_s,
        now: Callable[[], HostTime] = host_now,
    ) -> None:
        """Nothing is sent yet. `now` is replaced in tests only."""
        self._addresses, self._store, self._first_wait_s, self._now = addresses, store, first_wait_s, now
        self._made_s: dict[int, float] = {}
        self._done: set[tuple[int, int]] = set()
        self._wait_s = first_wait_s
        self._failing: set[int] = set()
        self._news = asyncio.Event()

    def post(self) -> None:
        """A letter may wait."""
        self._news.set()

    async def run(self) -> None:
        """Send until cancelled."""
        while True:
            self._news.clear()
            if await self._round():
                self._wait_s = self._first_wait_s
                await self._news.wait()
            else:
                # letters that are new meanwhile wait, too: the way is blocked
                await asyncio.sleep(self._wait_s)
                self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_s)

    async def _round(self) -> bool:
        """Try all that waits once; whether all of it has left."""
        complete = True
        for number, title, body, made in self._store.letters():
            for address in range(len(self._addresses)):
                if (number, address) in self._done:
                    continue
                if await self._addresses.send(address, title, body):
                    self._done.add((number, address))
                    self._recovered(address)
                else:
                    self._failed(address)
                    complete = False
            left = [a for a in range(len(self._addresses)) if (number, a) not in self._done]
            if not left or self._age_s(number, made) > KEEP_s:
                self._store.sent(number)
                self._made_s.pop(number, None)
                if left:
                    _log.warning("a letter was given up after a day: %s", title)
        return complete

    def _age_s(self, number: int, made: str) -> float:
        """How old a letter is; by its label only where another run has written it."""
        now = self._now()
        now_s = now.monotonic_us / 1e6
        if number not in self._made_s:
            made_s = since_s(made, now)
            self._made_s[number] = now_s if made_s is None else made_s
        return now_s - self._made_s[number]

    def _failed(self, address: int) -> None:
        level = logging.DEBUG if address in self._failing else logging.WARNING
        self._failing.add(address)
        _log.log(level, "no word to people: %s does not take it; trying again", self._addresses.name(address))

    def _recovered(self, address: int) -> None:
        if address in self._failing:
            self._failing.discard(address)
            _log.info("word to people goes out again by %s", self._addresses.name(address))
