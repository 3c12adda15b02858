"""The catalogue's table, in Markdown."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.evenings.judge import BROKE, REFUSED

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tests.evenings.catalogue import Row
    from tests.evenings.judge import Said

PAGE: Final = Path(__file__).with_name("README.md")
BEGIN: Final = "<!-- table: written by python -m tests.evenings -->"
END: Final = "<!-- end of the table -->"
LIVE_BEGIN: Final = "<!-- live: written by python -m tests.evenings --live -->"
LIVE_END: Final = "<!-- end of live -->"
VERDICTS: Final = ("tight", "leaking", "undecided", REFUSED)
HEAD: Final = (
    "| evening | soaks | tight | leaking | undecided | refused | wrong | false alarms (taken back) | missed | reasons |\n"
    "|---|---:|---:|---:|---:|---:|---:|---:|---:|---|"
)


@dataclass(frozen=True)
class Line:
    """What was said in all soaks of one row."""

    row: Row
    said: tuple[Said, ...]

    @property
    def soaks(self) -> int:
        """How many were played."""
        return len({one.seed for one in self.said})

    @property
    def wrong(self) -> int:
        """Sections with a confident wrong verdict."""
        return sum(one.wrong for one in self.said)

    @property
    def false_alarms(self) -> int:
        """Alarms that nothing bears out."""
        return sum(len(one.false_alarms) for one in self.said)

    @property
    def taken_back(self) -> int:
        """Of these: cleared before the end."""
        return sum(one.taken_back for one in self.said)

    @property
    def missed(self) -> int:
        """Sections that lose over twice the threshold and are not called leaking."""
        return sum(one.missed for one in self.said)

    @property
    def verdicts(self) -> dict[str, int]:
        """How often each was given, by section."""
        return Counter(one.verdict for one in self.said)

    def markdown(self) -> str:
        """One row of the table."""
        counts = self.verdicts
        reasons = Counter(code for one in self.said for code in one.reasons)
        if counts.get(BROKE):
            reasons["**broke**"] = counts[BROKE]
        named = ", ".join(f"{code} {count}" for code, count in reasons.most_common())
        unexplained = sum(one.unexplained for one in self.said)
        if unexplained:
            named += f"{'; ' if named else ''}none of those asked for: {unexplained}"
        cells = [f"**{self.row.name}** {self.row.what}", str(self.soaks)]
        cells += [str(counts.get(verdict, 0) or "") for verdict in VERDICTS]
        back = f" ({self.taken_back})" if self.taken_back else ""
        wrong = f"**{self.wrong}**" if self.wrong else "0"
        false = f"**{self.false_alarms}**{back}" if self.false_alarms else "0"
        return f"| {' | '.join([*cells, wrong, false, str(self.missed or ''), named])} |"


def lines_of(rows: Sequence[Row], said: Iterable[Said]) -> list[Line]:
    """Gather what was said by row, in the catalogue's order."""
    by_row: dict[str, list[Said]] = {}
    for one in said:
        by_row.setdefault(one.row, []).append(one)
    return [Line(row, tuple(by_row[row.name])) for row in rows if row.name in by_row]


def totals(lines: Sequence[Line]) -> str:
    """Return the sums that stand on top."""
    closed = [line for line in lines if line.row.open is None]
    out = [
        f"{len(lines)} rows, {sum(line.soaks for line in lines)} soaks, {sum(len(x.said) for x in lines)} sections."
    ]
    for name, part in (
        ("ordinary evenings", [x for x in closed if x.row.family == "controls"]),
        ("a wrong air thermometer", [x for x in closed if x.row.air_is_wrong]),
        (
            "all other evenings",
            [x for x in closed if not x.row.air_is_wrong and x.row.family != "controls"],
        ),
        ("what physics can't tell", [x for x in lines if x.row.open is not None]),
    ):
        if not part:
            continue
        sections = sum(len(line.said) for line in part)
        wrong, false = sum(x.wrong for x in part), sum(x.false_alarms for x in part)
        rows = sum(bool(x.wrong or x.false_alarms) for x in part)
        decided = sum(x.verdicts.get("tight", 0) + x.verdicts.get("leaking", 0) for x in part)
        out.append(
            f"- **{name}**: {len(part)} rows, {sections} sections: confident wrong verdicts **{wrong}**, false alarms "
            f"**{false}** (taken back {sum(x.taken_back for x in part)}), in {rows} rows; leaking sections not called so "
            f"{sum(x.missed for x in part)}; decided {100 * decided / sections:.0f} %"
        )
    return "\n".join(out)


def page_part(lines: Sequence[Line], command: str) -> str:
    """Return the generated part of the page."""
    families = list(dict.fromkeys(line.row.family for line in lines))
    parts = [f"Written by `{command}`.", "", totals(lines), ""]
    for family in families:
        parts += [f"### {family}", "", HEAD]
        parts += [line.markdown() for line in lines if line.row.family == family and line.row.open is None]
        parts.append("")
    undecidable = [line for line in lines if line.row.open is not None]
    if undecidable:
        parts += ["### What physics can't tell", "", HEAD, *(line.markdown() for line in undecidable), ""]
        told = dict.fromkeys(f"- **{x.row.make.__name__}**: {x.row.open}" for x in undecidable)
        parts += [*told, ""]
    return "\n".join(parts)


def write(part: str, begin: str = BEGIN, end_mark: str = END, page: Path = PAGE) -> None:
    """Put a generated part into the page, between its marks."""
    text = page.read_text(encoding="utf-8")
    before, mark, rest = text.partition(begin)
    _, end, after = rest.partition(end_mark)
    if not mark or not end:
        raise ValueError(f"{page}: the marks of the table are missing")
    page.write_text(f"{before}{begin}\n\n{part}\n{end_mark}{after}", encoding="utf-8")
