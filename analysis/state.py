"""How a rig's soak stands right now, for whoever looks: the terminal and the page. It only reads."""

from __future__ import annotations

from dataclasses import dataclass
from time import monotonic, thread_time
from typing import TYPE_CHECKING, Any, Final

from analysis.alarm_store import alarms_path, read_alarms
from analysis.deciding import Decision, EVERY_s, History, decisions, planned_end
from analysis.live import PORTION
from analysis.mirrors import mirrors_of
from analysis.register import RegisterReader
from analysis.report_data import Material, material_of
from analysis.watcher import Watcher
from logger.clock import us_from_utc, utc_now
from logger.conversions import stored_settings
from logger.errors import PlainError
from logger.journal_reader import JournalReader

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Self

    from analysis.alarm_store import Kept
    from logger.settings import Settings

MOST_STEPS: Final = 100_000
"""So many portions of a journal are taken at one look; a rig writes slower than that."""


@dataclass(frozen=True)
class State:
    """One look at a rig."""

    rig: str
    soak: str | None
    job: str
    car: str
    running: bool
    """Whether readings are judged."""
    age_s: float | None
    """Since the newest reading; None: there is none, or its age can't be told (time lapse) before the next one."""
    measuring: bool
    planned_hours: float | None
    planned_end: str | None
    """UTC with Z."""
    findings: dict[str, Any] | None
    gas_left: dict[str, float | None]
    """By section, a fraction of what there was at the begin."""
    decisions: dict[str, Decision]
    """By section: since when it is decided, or when it will be."""
    alarms: tuple[tuple[str, Kept], ...]
    """What stands, with its id."""
    alarms_kept: bool
    """Whether an analysis keeps alarms for this journal at all."""
    mirrors: tuple[tuple[bool, str], ...] = ()
    """How it stands with each mirror: whether all is well, and a sentence."""

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "rig": self.rig,
            "soak": self.soak,
            "job": self.job,
            "car": self.car,
            "running": self.running,
            "measuring": self.measuring,
            "age_s": None if self.age_s is None else round(self.age_s, 1),
            "planned_hours": self.planned_hours,
            "planned_end": self.planned_end,
            "gas_left": self.gas_left,
            "decisions": {name: decision.as_dict() for name, decision in self.decisions.items()},
            "alarms": [alarm_dict(name, alarm) for name, alarm in self.alarms],
            "alarms_kept": self.alarms_kept,
            "mirrors": [{"well": well, "sentence": sentence} for well, sentence in self.mirrors],
            "findings": self.findings,
        }

    @property
    def heartbeat(self) -> str:
        """Whether it is measuring, in words."""
        if self.age_s is None and self.findings is None:
            return "NOT MEASURING: there is no reading yet"
        if self.age_s is None:
            return "NOT SEEN MEASURING: no reading has come since this look began"
        age = age_words(self.age_s)
        if not self.measuring:
            return f"NOT MEASURING: the last reading is {age} old"
        judged = "measuring" if self.running else "measuring, but no soak runs: nothing is judged"
        return f"{judged}; the last reading is {age} old"


def alarm_dict(name: str, alarm: Kept) -> dict[str, Any]:
    """An alarm for JSON."""
    return {
        "alarm": name,
        "section": alarm.section,
        "kind": alarm.kind,
        "state": alarm.state,
        "raised": alarm.raised,
        "cleared": alarm.cleared,
        "acknowledged": alarm.acknowledged,
        "acknowledged_by": alarm.acknowledged_by,
        "sentence": alarm.sentence,
    }


def age_words(seconds: float) -> str:
    """Return an age as people say it.

    >>> age_words(4.2), age_words(200), age_words(9000)
    ('4 s', '3 min', '2.5 h')
    """
    if seconds < 120.0:
        return f"{max(seconds, 0.0):.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


class Look:
    """Follows one journal for a person who looks; keeps no alarms and sends no word."""

    def __init__(self, path: Path, settings: Settings | None) -> None:
        """Raises an error in a line if there is no such journal."""
        self.path = path
        self.reader = JournalReader(path)
        self.register = RegisterReader(path)
        stored = self.reader.configurations()
        given = settings or stored_settings(path, stored[-1].text if stored else "")
        self.rig = given.rig.name
        self._labels_are_true = given.rig.clock == "host"
        self.watcher = Watcher(self.reader, settings, self.register, rig=self.rig)
        self._settings = settings
        self._first = self.reader.newest("D")
        self.material: Material | None = None
        self._told: tuple[object, ...] = ()
        self._history = History()
        self._followed: object = None
        self._decisions: dict[str, Decision] = {}

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()

    def close(self) -> None:
        """Let the files go."""
        self.register.close()
        self.reader.close()

    def state(self) -> State:
        """Take what is new and say how it stands."""
        watcher = self.watcher
        if not self.catch_up():
            raise PlainError(f"{self.path}: grows faster than it can be read")
        follower = watcher.follower
        told = (watcher.soak, follower.journal.newest_us, id(follower.journal))
        if told != self._told:
            self.material, self._told = material_of(follower, final=False), told
            self._decisions = {}
            if self.material is not None:
                outlook = None if self.material.ahead is None else self.material.ahead.outlook
                soak = self.material.soak
                self._decisions = decisions(soak, outlook, self._history, running=watcher.running)
        alarms = read_alarms(self.path)
        return State(
            rig=self.rig,
            soak=None if watcher.soak is None else watcher.soak.name,
            job="" if watcher.soak is None else watcher.soak.job,
            car="" if watcher.soak is None else watcher.soak.car,
            running=watcher.running,
            age_s=(age := self._age_s()),
            measuring=age is not None and age < watcher.patience_s,
            planned_hours=follower.journal.settings.soak.planned_hours,
            planned_end=None if self.material is None else planned_end(self.material.soak),
            findings=None if self.material is None else self.material.findings,
            gas_left=self._gas_left(),
            decisions=self._decisions,
            alarms=tuple((name, alarm) for name, alarm in alarms if alarm.cleared is None),
            alarms_kept=alarms_path(self.path).exists(),
            mirrors=mirrors_of(self.reader, self._settings),
        )

    def catch_up(self, budget_s: float | None = None) -> bool:
        """Take what is there to its end, or for `budget_s` of this thread's work; return whether the end was reached.

        On the way it looks at the verdicts every half hour of the soak.
        """
        watcher, begun_s = self.watcher, thread_time()
        watcher.look()
        for _ in range(MOST_STEPS):
            period_s = watcher.follower.period_s()
            portion = PORTION if period_s <= 0.0 else min(max(round(EVERY_s / period_s), 1), PORTION)
            count = watcher.step(monotonic(), portion)
            journal = watcher.follower.journal
            if journal is not self._followed:
                # another soak, or the same from its begin on
                self._history, self._followed = History(), journal
            if not count:
                return True
            if journal.soak is not None:
                self._history.pass_by(journal.soak)
            if budget_s is not None and thread_time() - begun_s >= budget_s:
                return False
        return False

    def _age_s(self) -> float | None:
        newest = self.reader.newest("D")
        if newest is None:
            return None
        by_label = (us_from_utc(utc_now()) - newest.utc_us) / 1e6
        # a label from the future, or in time lapse, says nothing of the age
        if self._labels_are_true and by_label >= 0.0:
            return by_label
        # what lay there before we looked may be of any age
        heard = self._first is None or newest.id > self._first.id
        return self.watcher.silent_s(monotonic()) if heard else None

    def _gas_left(self) -> dict[str, float | None]:
        out: dict[str, float | None] = {}
        if self.material is None:
            return out
        for name, course in zip(self.material.soak.sections, self.material.over_time, strict=True):
            last = float(course.left[-1]) if len(course.left) else float("nan")
            out[name] = round(last, 5) if last == last else None  # noqa: PLR0124  NaN is not itself
        return out
