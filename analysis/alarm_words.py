"""An alarm in one sentence for a person, with the evidence it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.wording import and_list, loss_words, short_time

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analysis.alarm_store import Kept, Seen

_EVIDENCE = (
    "verdict",
    "loss_per_day",
    "loss_per_day_interval95",
    "threshold_per_day",
    "probability_over_threshold",
    "coldest_gas_degC",
)


def evidence_of(seen: Seen, section: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return what an alarm rests on: the section's finding at that time, and the reading that raised it."""
    found = {} if section is None else {key: section[key] for key in _EVIDENCE}
    return found | {"reading": seen.reading or None}


def sentence_of(seen: Seen, section: Mapping[str, Any] | None, rig: str) -> str:
    """Return the sentence; `section` is its finding, None before there is one."""
    name, since = seen.section, f"{short_time(seen.raised)} UTC"
    reading = f" ({seen.reading})" if seen.reading else ""
    slow = f"{name} leaks: {_loss(section)}; known since {since}."
    # a reading raised it, for so fast a leak needs no estimate (analysis/fast_leak.py)
    fast = f"{name} loses gas fast: {seen.reading} at {since}: the corner will drop, keep away from the car."
    sentences = {
        "leak": fast if seen.reading else slow,
        "burst": f"{name} lost gas fast, more than 2 % within a minute, at {since}: a corner may have dropped, "
        "keep away from the car.",
        "floor": f"{name} is under its lowest allowed pressure{reading} since {since}: an empty air spring can fold "
        "and tear, don't load or refill it before the maker's procedure was read.",
        "sensor": f"The pressure sensor of {name} gives no usable reading{reading} since {since}: {name} is not watched.",
        "blind": f"No readings of {name} from {rig} since shortly before {since}: nothing is watched until they "
        "come again.",
        "supply": f"The supply of {rig} is low{reading} since {since}: the readings of {name} may soon be wrong or "
        "end.",
    }
    return sentences[seen.kind]


def _loss(section: Mapping[str, Any] | None) -> str:
    if section is None or section["loss_per_day"] is None:
        return "how fast is not known yet"
    words = f"{loss_words(section)} over the whole soak so far, limit {100 * section['threshold_per_day']:.3g} %/day"
    over = section["probability_over_threshold"]
    if over is not None:
        words += f", over it with {100 * min(over, 0.999):.3g} % probability"
    coldest = section["coldest_gas_degC"]
    return words if coldest is None else f"{words}, gas down to {coldest:.1f} °C"


def letter_of(alarms: Sequence[Kept], rig: str, begin: str = "") -> tuple[str, str]:
    """Return title and body of one letter about alarms: each kind once, with its sections, then the sentences.

    Several sections that go blind or lose their supply together have one cause and one sentence.
    """
    kinds: dict[str, list[str]] = {}
    for alarm in alarms:
        names = kinds.setdefault(alarm.kind, [])
        if alarm.section not in names:
            names.append(alarm.section)
    title = f"{begin}{rig}: " + "; ".join(f"{kind} {and_list(names)}" for kind, names in kinds.items())
    return title, "\n".join(_joint(alarms))


def taken_back_letter(alarms: Sequence[Kept], rig: str) -> tuple[str, str]:
    """Return title and body of a letter about alarms that should not have been raised."""
    names = and_list([f"{alarm.kind} {alarm.section}" for alarm in alarms])
    lines = [
        f"The alarm {alarm.kind} of {alarm.section} at {short_time(alarm.raised)} UTC is taken back: "
        f"{alarm.evidence['taken_back']}."
        for alarm in alarms
    ]
    return f"{rig}: taken back: {names}", "\n".join(lines)


def _joint(alarms: Iterable[Kept]) -> list[str]:
    lines: dict[tuple[str, str], tuple[list[str], Kept]] = {}
    for alarm in alarms:
        # the rig's own troubles are the same for all its sections
        key = (alarm.kind, alarm.raised if alarm.kind in {"blind", "supply"} else alarm.section)
        lines.setdefault(key, ([], alarm))[0].append(alarm.section)
    return [_line(names, alarm) for names, alarm in lines.values()]


def _line(names: list[str], alarm: Kept) -> str:
    sentence = alarm.sentence.replace(alarm.section, and_list(names), 1) if len(names) > 1 else alarm.sentence
    return sentence if alarm.cleared is None else f"{sentence} (Over since {short_time(alarm.cleared)} UTC.)"
