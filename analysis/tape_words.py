"""What heights measured by hand did for a verdict, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.tape import Tape


def tape_remarks(tape: Tape, i: int, label: Callable[[float], str]) -> list[str]:
    """Return the sentences for section `i`; `label` makes a moment of the soak readable."""
    out = []
    by_hand = tape.heights_of(i)
    if len(by_hand) > 1:
        first, last = by_hand[0], by_hand[-1]
        sunk_mm = 1000.0 * (first.height_m - last.height_m)
        moved = f"{'sunk' if sunk_mm >= 0.0 else 'risen'} by {abs(sunk_mm):.1f} mm"
        out.append(
            f"Judged by {len(by_hand)} heights measured by hand (±{1000.0 * last.deviation_m:.2g} mm), the first at "
            f"{label(first.time_s)}, the last at {label(last.time_s)}: {moved}. By hand a verdict asks for 99 %."
        )
    checks = [apart for reading, apart in tape.apart if reading.section == tape.sections[i]]
    if checks and tape.contradicted(i) is None:
        worst_mm = 1000.0 * max(checks, key=abs)
        out.append(f"Tape and height sensor agree, within {abs(worst_mm):.1f} mm.")
    out += [
        f"The height of {1000.0 * reading.height_m:.0f} mm measured by hand at {label(reading.time_s)} lies lower than "
        "the gas column is long: correct it (cornerhold tape correct), or the column in the settings."
        for reading in tape.impossible
        if reading.section == tape.sections[i]
    ]
    for reading, reason in tape.left_out:
        if reading.section == tape.sections[i]:
            out.append(
                f"The height of {1000.0 * reading.height_m:.0f} mm measured by hand at {label(reading.time_s)} "
                f"does not count: {reason}."
            )
    return out


def contradiction(tape: Tape, i: int, label: Callable[[float], str]) -> str | None:
    """Return why no verdict can rest on section `i`, by what was measured by hand; None if it can."""
    if any(reading.section == tape.sections[i] for reading in tape.impossible):
        return "a height measured by hand can't be"
    found = tape.contradicted(i)
    if found is None:
        return None
    reading, apart_m = found
    return (
        f"the tape at {label(reading.time_s)} lies {1000.0 * abs(apart_m):.1f} mm "
        f"{'above' if apart_m > 0.0 else 'below'} the height sensor, measured from the first reading by hand: one of "
        "the two is not what it seems"
    )


def too_few(tape: Tape, i: int) -> str | None:
    """Return what a standing section without a height sensor still needs; None if nothing was measured by hand."""
    by_hand = tape.heights_of(i)
    if not by_hand:
        return None
    if len(by_hand) == 1:
        return (
            "There is one height measured by hand: a loss shows in the change, so measure again at the end "
            "(cornerhold tape add)."
        )
    return "The heights measured by hand lie less than an hour apart: measure again at the end (cornerhold tape add)."
