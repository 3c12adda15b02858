"""Follow a journal: entries to SI to rows to the soak's analysis. Live and replay are this one path.

The time axis is the rig's own (`rig_us`), so a host clock that is set changes no loss. Dates are the label of the first
sample, moved along when the host's clock is set later (a small computer often begins in another year).
"""

from __future__ import annotations

import json
from bisect import bisect_right
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.blank_register import blanks_for
from analysis.earlier import Earlier, LOOK_BACK_s
from analysis.findings import findings
from analysis.note_register import notes_for
from analysis.reasons import Reason
from analysis.register import Beside, read_register
from analysis.soak import SoakAnalysis
from analysis.tape_register import readings_of
from logger.channels import Quality
from logger.clock import RIG_NOTES
from logger.conversions import Conversions, stored_settings
from logger.errors import PlainError
from logger.journal_reader import JournalReader

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.soak_model import Soak
    from logger.channels import SiBlock
    from logger.journal_schema import BootRecord, Entry
    from logger.settings import Settings

PORTION: Final = 2000
NOTHING_BESIDE: Final = Beside()
LABEL_STEP_us: Final = 1_000_000
"""A label that moves by more than this against rig time was set; less is a clock that is kept right."""
EVENTS_TOLD: Final = 5


class JournalSoak:
    """The analysis of all that a journal holds, fed entry by entry."""

    def __init__(
        self,
        settings: Settings,
        conversions: Conversions,
        beside: Beside = NOTHING_BESIDE,
        plan: Soak | None = None,
        earlier: Earlier | None = None,
    ) -> None:
        """Nothing is known of the sections before the first sample. Of `beside` what belongs to `plan` counts.

        `earlier`: what was read before the begin; it is complete when the first entry is taken.
        """
        self.settings = settings
        self.beside, self.plan, self.earlier = beside, plan, earlier
        self.conversions = conversions
        self.soak: SoakAnalysis | None = None
        self.first_us = 0
        self.newest_us = 0
        self.missing = 0
        self.boots_seen: set[int] = set()
        self.restarts = 0
        self.events: list[tuple[int, str]] = []
        self.wrongs: list[tuple[int, str]] = []
        """What the firmware did that it must not, in the logger's words."""
        self.qualities: dict[str, str] = {}
        """Channels whose last reading was not good, and why."""
        self._last: tuple[int, int] | None = None
        """Boot and number of the last sample: under other names a boot has another row in the table of boots."""
        self._label_us = 0
        self._clock_noted = False
        self._newest: Entry | None = None  # the last sample taken
        self._moved_us = 0

    def take(self, entries: Sequence[Entry], boots: dict[int, BootRecord]) -> None:
        """Take entries in the journal's order, however many at a time."""
        for entry in entries:
            if entry.kind == "G":
                self.missing += _lost(entry.body)
            elif entry.kind == "C":
                self._note(entry)
            elif entry.kind == "E":
                said = json.loads(entry.body)
                self.events.append((entry.rig_us, f"{said['code']} ({said['text']})"))
            elif entry.kind == "D" and entry.boot_id is not None:
                self.boots_seen.add(entry.boot_id)
                number, seq = boots[entry.boot_id].boot, entry.seq or 0
                if self._last is not None and (number != self._last[0] or seq <= self._last[1]):
                    self.restarts += 1
                self._last = number, seq
        for block in self.conversions.convert(entries, boots):
            if self.soak is None:
                self._open(block, entries)
            if self.soak is not None:
                self._feed(block, self.soak)
        self._note_settings(entries)

    def _note_settings(self, entries: Sequence[Entry]) -> None:
        """What was read before and after a change of a transducer's settings doesn't compare."""
        of = [*([] if self._newest is None else [self._newest]), *entries]
        self._newest = next((entry for entry in reversed(of) if entry.kind == "D"), None)
        if self.soak is None:
            return
        for rig_us, before, after in self.conversions.changed(of):
            for name in self.soak.sections:
                channels = [f"{name}.pressure", f"{name}.height"]
                same = before.sensor_of(name) == after.sensor_of(name) and all(
                    before.channels.get(channel) == after.channels.get(channel) for channel in channels
                )
                if not same:
                    sentence = (
                        f"the settings of its transducer were changed at {self.label(rig_us)}: what was read before and "
                        "after doesn't compare; end the soak there and begin another one"
                    )
                    self.soak.doubted.note(name, Reason("contradiction", sentence))

    def _note(self, entry: Entry) -> None:
        said = json.loads(entry.body)
        if said["kind"] in RIG_NOTES:
            self.wrongs.append((entry.rig_us, said["sentence"]))
        else:
            self._clock_noted = True

    def _open(self, block: SiBlock, entries: Sequence[Entry]) -> None:
        """Begin the analysis with the first block, of these entries, that has a section's pressure."""
        sections = tuple(
            section
            for section, _, what in (name.rpartition(".") for name in block.names)
            if what == "pressure" and section != "ambient"
        )
        if not sections:
            return
        self.first_us = int(block.rig_us[0])
        self._label_us = int(block.utc_us[0]) - self.first_us
        begin_utc = np.datetime64(int(block.utc_us[0]), "us")
        self.soak = SoakAnalysis(
            self.settings,
            sections,
            begin_utc=begin_utc,
            tape=readings_of(self.beside.heights, self.plan, self.first_us),
            blanks=blanks_for(self.beside.blanks, self.plan, self.first_us),
            notes=notes_for(self.beside.notes, self.plan, self.first_us, begin_utc),
        )
        if self.earlier is not None:
            boot = next((e.boot_id for e in entries if e.kind == "D" and e.rig_us == self.first_us), None)
            if (rows := self.earlier.rows(self.first_us, boot)) is not None:
                self.soak.prelude(*rows)
            self.earlier = None

    def _feed(self, block: SiBlock, soak: SoakAnalysis) -> None:
        self._follow_labels(block, soak)
        time_s = (block.rig_us - self.first_us) / 1e6
        good = block.good()
        soak.feed(time_s, {name: good[:, k] for k, name in enumerate(block.names)})
        self.newest_us = int(block.rig_us[-1])
        self.qualities = {
            name: Quality(word).name.lower().replace("_", " ")
            for name, word in zip(block.names, block.quality[-1], strict=True)
            if word != Quality.GOOD
        }

    def _follow_labels(self, block: SiBlock, soak: SoakAnalysis) -> None:
        """Move the begin's label by what the labels have jumped against rig time."""
        labels = np.concatenate(([self._label_us], block.utc_us - block.rig_us))
        steps = np.diff(labels)
        jumped = int(steps[np.abs(steps) > LABEL_STEP_us].sum())
        self._moved_us += jumped
        self._label_us = int(labels[-1])
        if jumped and soak.begin_utc is not None:
            soak.begin_utc += np.timedelta64(jumped, "us")

    def notes(self) -> tuple[str, ...]:
        """Return what the journal itself says about the readings."""
        out = []
        if self.missing:
            out.append(f"{self.missing} samples of the rig are known to be lost.")
        if self.restarts:
            out.append(f"The rig restarted {self.restarts} time(s) during the recording.")
        out += [f"{what[:1].upper()}{what[1:]} ({self.label(us)})." for us, what in self.wrongs[:EVENTS_TOLD]]
        out += [f"The rig reported {what} at {self.label(us)}." for us, what in self.events[:EVENTS_TOLD]]
        if len(self.events) > EVENTS_TOLD:
            out.append(f"The rig reported {len(self.events) - EVENTS_TOLD} more such things.")
        # without the logger's note it is a backlog's label that was not known better, or a play in time lapse
        if self._clock_noted and abs(self._moved_us) > LABEL_STEP_us:
            out.append("The computer's clock was set meanwhile: times are told by what it showed last.")
        return tuple(out)

    def label(self, rig_us: int) -> str:
        """Return a moment of rig time as UTC, to the second."""
        begin = None if self.soak is None else self.soak.begin_utc
        moment = (np.datetime64(0, "us") if begin is None else begin) + np.timedelta64(
            rig_us - self.first_us, "us"
        )
        return f"{moment.astype('datetime64[s]')}Z"

    def findings(self, name: str, *, final: bool) -> dict[str, Any] | None:
        """Return the findings so far, or None before the first sample; `final` closes the soak."""
        if self.soak is None:
            return None
        if final:
            self.soak.finish()
        return findings(self.soak if final else self.soak.snapshot(), name, self.notes())


def _lost(body: str) -> int:
    """Return how many samples a gap stands for; a gap of unknown length counts none."""
    said = json.loads(body)
    first, last = said.get("first_seq"), said.get("last_seq")
    return last - first + 1 if isinstance(first, int) and isinstance(last, int) else 0


class JournalFollower:
    """Reads a journal, or a soak of it, from its begin on, step by step; what it finds doesn't depend on the steps.

    With a soak it takes only the soak's entries, and judges them by the soak's plan. Without settings of its own it
    judges by those under which the newest sample was logged. When the logger is started again with others, it begins
    anew: a replay would use the new ones from the begin, too. Likewise whoever follows begins anew, with another
    follower, when what was measured beside the readings has changed: it may be entered long after it was measured.
    """

    def __init__(
        self,
        reader: JournalReader,
        settings: Settings | None,
        soak: Soak | None = None,
        beside: Beside = NOTHING_BESIDE,
    ) -> None:
        """`reader`'s cursor is put to the soak's begin; `beside`: of the whole register."""
        self.reader = reader
        self.given = settings
        self.soak = soak
        self.beside = beside
        self.ended = False
        """Everything of an ended soak was taken."""
        self._seek_begin()
        self._number = -1
        self._journal = self._begin()

    @property
    def journal(self) -> JournalSoak:
        """The soak so far."""
        return self._journal

    def step(self, limit: int = PORTION) -> int:
        """Take the next entries, at most `limit`; return how many; with less than `limit` all is taken that is there."""
        if self.ended:
            return 0
        if self.reader.cursor < self._begin_entry:
            self._step_before(limit)
            return limit
        entries = self._read(limit)
        if not entries:
            return 0
        if self.given is None and self._newest_number() != self._number:
            self._seek_begin()
            self._journal = self._begin()
            return limit  # more is to come, from the begin on
        self._journal.conversions.learn(self.reader.configurations())
        self._journal.take(entries, self.reader.boots())
        return len(entries)

    def period_s(self) -> float:
        """Return the sample period of the rig's last boot, 0 if there is none yet."""
        boots = self.reader.boots()
        return boots[max(boots)].period_ms / 1000.0 if boots else 0.0

    def findings(self, *, final: bool) -> dict[str, Any] | None:
        """Return the findings so far, under the journal's file name, or None before the first sample."""
        said = self._journal.findings(self.reader.path.name, final=final)
        if said is not None and self.soak is not None:
            said["soak"] = self.soak.name
        return said

    def end(self, soak: Soak) -> None:
        """Take note that the soak was ended: no entry after its last one is taken."""
        self.soak = soak
        if soak.last_entry is not None and self.reader.cursor > soak.last_entry:
            # it was ended for a moment that is past: what came after must not count
            self._seek_begin()
            self._journal = self._begin()

    def _seek_begin(self) -> None:
        """Put the cursor to where the hours before the soak begin."""
        self.reader.cursor = self._begin_entry
        if (last := self.reader.newest(up_to=self._begin_entry)) is not None:
            self.reader.seek(last.rig_us - round(LOOK_BACK_s * 1e6))
        self.ended = False

    @property
    def _begin_entry(self) -> int:
        return 0 if self.soak is None else self.soak.after_entry

    def _step_before(self, limit: int) -> None:
        """Take the next entries of before the soak."""
        earlier = self._journal.earlier
        entries = self.reader.read(limit)
        if not entries or entries[-1].id > self._begin_entry:
            self.reader.cursor = self._begin_entry
        if earlier is not None:
            earlier.conversions.learn(self.reader.configurations())
            earlier.take([entry for entry in entries if entry.id <= self._begin_entry], self.reader.boots())

    def _read(self, limit: int) -> list[Entry]:
        entries = self.reader.read(limit)
        last = None if self.soak is None else self.soak.last_entry
        if last is not None and (self.reader.cursor >= last or not entries):
            self.ended = True
            entries = [entry for entry in entries if entry.id <= last]
        return entries

    def _begin(self) -> JournalSoak:
        settings = self.given
        if settings is None:
            stored = self.reader.configurations()
            self._number = self._newest_number()
            text = stored[self._number].text if stored else ""
            settings = stored_settings(self.reader.path, text)
        if self.soak is not None:
            settings = self.soak.settings(settings)
        conversions = Conversions(self.reader.path, self.given)
        earlier = Earlier(Conversions(self.reader.path, self.given))
        return JournalSoak(settings, conversions, self.beside, self.soak, earlier)

    def _newest_number(self) -> int:
        """Which of the stored settings were in force at the newest sample (at first: at all)."""
        newest, stored = self.reader.newest(), self.reader.configurations()
        if newest is None:
            return -1
        return max(bisect_right(stored, newest.id, key=lambda one: one.first_entry) - 1, 0)


def analyse_journal(
    path: Path, settings: Settings | None, portion: int = PORTION, soak: str | None = None
) -> dict[str, Any]:
    """Return the findings of a soak of a journal: what the live analysis says at its end.

    `soak` is its name; None: the soak that was begun last, or the whole journal if there never was one.
    """
    with JournalReader(path, whole=True) as reader:
        follower = JournalFollower(reader, settings, *chosen(path, soak))
        while follower.step(portion):
            pass
        said = follower.findings(final=True)
    if said is None:
        what = "" if follower.soak is None else f" in the soak '{follower.soak.name}'"
        raise PlainError(f"{path}: holds no samples of a section's pressure{what}")
    return said


def chosen(path: Path, name: str | None) -> tuple[Soak | None, Beside]:
    """Return the soak of this name (None: the one begun last, if there is any), and what was measured beside."""
    soaks, beside = read_register(path)
    if name is None:
        return (soaks[-1] if soaks else None), beside
    for soak in soaks:
        if soak.name == name:
            return soak, beside
    known = ", ".join(f"'{soak.name}'" for soak in soaks) or "none was begun"
    raise PlainError(f"{path}: there is no soak '{name}' (there: {known})")
