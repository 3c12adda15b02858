"""How far a mirror has come, in a small file beside the journal: for itself after a restart, and for whoever looks.

The file is there whole or not at all. What the other side refused for good is kept in a second file, with the words in
which it said so.
"""

from __future__ import annotations

import json
import logging
import os
from dataclasses import asdict, dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Final

from logger.clock import utc_text
from logger.cursor_file import sealed, unsealed
from logger.errors import naming
from logger.files import replace_file
from logger.foreign_json import foreign_object
from logger.journal_files import beside
from logger.notice import duration_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_log = logging.getLogger(__name__)

READINGS, FINDINGS = "readings", "findings"
MOST_KEPT: Final = 1000
"""So many refused points are kept word for word; more are counted. Whatever they said is in the journal all the same."""
BEHIND_s: Final = 60.0
"""A mirror that is further behind is said to be catching up."""
_FORM: Final = "mirror/1"
_MOST_LINE: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class MirrorState:
    """Where a mirror stands."""

    what: str = READINGS
    """`readings`, or `findings` (these with the alarms)."""
    to: str = ""
    """Which server, without secrets."""
    entry: int = 0
    """The last entry of the journal that is there."""
    entry_utc_us: int = 0
    """Its label."""
    clock: int = 0
    label_us: int | None = None
    """See `logger.influx_lines.Labels`."""
    points: int = 0
    refused: int = 0
    refused_words: str = ""
    missed: int = 0
    """Entries that the journal had let go before they were mirrored."""
    waiting: int = 0
    """What waits (of findings and alarms; of readings the journal tells)."""
    trouble: str = ""
    """Why nothing gets there now."""
    since: str = ""
    """Since when, ISO 8601 with Z."""

    def failing(self, reason: str) -> MirrorState:
        """The same, with a trouble; it began with the first."""
        return replace(self, trouble=reason, since=self.since or utc_text())

    def working(self) -> MirrorState:
        """The same without trouble."""
        return replace(self, trouble="", since="") if self.trouble else self


def state_path(journal: Path, what: str) -> Path:
    """Where a mirror's state is."""
    return beside(journal, f".influx-{what}")


def refused_path(journal: Path, what: str) -> Path:
    """Where the refused points are."""
    return beside(journal, f".influx-{what}-refused")


class StateFile:
    """A mirror's two files."""

    def __init__(self, journal: Path, what: str) -> None:
        """Nothing is read or written yet."""
        self.path = state_path(journal, what)
        self.refused = refused_path(journal, what)
        self._what = what
        self._saved: MirrorState | None = None

    def load(self) -> MirrorState:
        """The kept state; that of a beginning if there is none or it is damaged."""
        try:
            return _parsed(self.path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            pass
        except (OSError, ValueError):
            _log.warning("%s: can't be read, the mirror begins again", self.path)
        return MirrorState(self._what)

    def save(self, state: MirrorState) -> None:
        """Keep it, if it is another one than that which was kept last."""
        if state != self._saved:
            replace_file(self.path, sealed({"cornerhold": _FORM} | asdict(state)))
            self._saved = state

    def keep_refused(self, refused: Sequence[tuple[str, str]]) -> None:
        """Keep points that were refused, with the server's words; on the disk when this returns.

        A point that is there already is not written again: after a restart some are refused a second time.
        """
        known = {str(one.get("point")) for one in read_refused(self.refused)}
        room = MOST_KEPT - len(known)
        new = [one for one in refused if one[0] not in known][: max(room, 0)]
        if not new:
            return
        with naming(self.refused), self.refused.open("a+", encoding="utf-8") as file:
            if file.tell() and not self.refused.read_bytes().endswith(b"\n"):
                file.write("\n")  # a line was cut by a loss of power
            for point, words in new:
                file.write(
                    json.dumps({"when": utc_text(), "words": words, "point": point}, ensure_ascii=False)
                    + "\n"
                )
            file.flush()
            os.fsync(file.fileno())


def read_refused(path: Path) -> list[dict[str, Any]]:
    """The refused points that were kept; a line that was cut by a loss of power is left out."""
    out = []
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return []
    for line in text.splitlines():
        try:
            out.append(foreign_object(line, _MOST_LINE))
        except ValueError:
            continue
    return out


def read_mirrors(journal: Path) -> list[MirrorState]:
    """The mirrors of a journal that have ever run, for whoever looks."""
    out = []
    for what in (READINGS, FINDINGS):
        try:
            out.append(_parsed(state_path(journal, what).read_text(encoding="utf-8")))
        except FileNotFoundError:
            continue
        except (OSError, ValueError):
            out.append(MirrorState(what, trouble=f"{state_path(journal, what).name} can't be read"))
    return out


def mirror_words(state: MirrorState, newest_utc_us: int | None) -> tuple[bool, str]:
    """Whether all is well with a mirror, and a sentence; `newest_utc_us` is the label of the journal's newest sample.

    >>> mirror_words(MirrorState(entry=7, entry_utc_us=0), 4_000_000)
    (True, 'InfluxDB has the readings up to the last 4.0 s')
    >>> mirror_words(MirrorState("findings", trouble="nothing listens there", since="2027-01-15T18:00:00Z", waiting=2), 0)
    (False, 'InfluxDB gets no findings and alarms since 2027-01-15 18:00 UTC (nothing listens there); 2 wait')
    """
    name = "readings" if state.what == READINGS else "findings and alarms"
    behind_s = 0.0 if newest_utc_us is None else max((newest_utc_us - state.entry_utc_us) / 1e6, 0.0)
    if state.trouble:
        since = f" since {state.since[:10]} {state.since[11:16]} UTC" if state.since else ""
        rest = "they wait in the journal" if state.what == READINGS else f"{state.waiting} wait"
        words = f"InfluxDB gets no {name}{since} ({state.trouble}); {rest}"
    elif state.what != READINGS:
        words = f"InfluxDB has the {name}" + (f" but {state.waiting} that wait" if state.waiting else "")
    elif not state.entry:
        words = "InfluxDB has no readings yet"
    elif behind_s > BEHIND_s:
        words = f"InfluxDB is catching up: it lacks the readings of the last {duration_text(behind_s)}"
    else:
        words = f"InfluxDB has the readings up to the last {duration_text(behind_s)}"
    if state.refused:
        words += f"; it refused {state.refused} points: “{state.refused_words}”"
    if state.missed:
        words += f"; {state.missed} entries were let go by the journal before"
    return not (state.trouble or state.refused or state.missed), words


def _parsed(text: str) -> MirrorState:
    """The state in a file; ValueError if it isn't one."""
    said = unsealed(text)
    if said.pop("cornerhold", None) != _FORM:
        raise ValueError("no state of a mirror")
    kinds = {field.name: str(field.type) for field in fields(MirrorState)}
    for key, value in said.items():
        kind = kinds.get(key)
        sound = (isinstance(value, str) and kind == "str") or (
            isinstance(value, int)
            and not isinstance(value, bool)
            and kind in {"int", "int | None"}
            and abs(value) < 2**63
        )
        if not sound and not (value is None and kind == "int | None"):
            raise ValueError("no state of a mirror")
    return MirrorState(**said)
