"""Before and after a repair: the ratio of the losses with its interval, and whether the second soak proves the repair.

Proven is: it leaked before, it is tight now, the loss fell, and the second soak reached the cold that the leak needs. A
soak that was merely warmer proves nothing of a leak that opens in the cold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Literal

from analysis.verdict import CONFIDENCE

if TYPE_CHECKING:
    from collections.abc import Mapping

Outcome = Literal[
    "proven", "merely warmer", "still leaking", "leaking now", "not proven", "nothing to repair"
]

Z95: Final = 1.959964  # of a normal, two-sided (tabulated everywhere)
# As cold as before, to what a gas temperature is known in the estimate (common practice, no source).
AS_COLD_K: Final = 1.0


def ratio_interval(
    after: tuple[float, float], before: tuple[float, float], z: float = Z95, rho: float = 0.0
) -> tuple[float, float] | None:
    """Return the interval of after/before by Fieller's theorem; None if it has no ends.

    Each is (value, standard deviation), normal, with correlation `rho`. The ratios r with
    (a - r·b)² ≤ z²(u_a² - 2·r·ρ·u_a·u_b + r²·u_b²) lie between the roots of a quadratic, as long as b is z standard
    deviations from zero. Fieller, J. R. Stat. Soc. B 16 (1954) 175 (equation from memory).

    >>> low, high = ratio_interval((1.0, 0.1), (10.0, 0.0001))
    >>> round(low, 4), round(high, 4)
    (0.0804, 0.1196)
    """
    (a, u_a), (b, u_b) = after, before
    square = b * b - (z * u_b) ** 2
    if square <= 0.0:
        return None
    middle = a * b - rho * z * z * u_a * u_b
    root = math.sqrt(max(middle**2 - square * (a * a - (z * u_a) ** 2), 0.0))
    return (middle - root) / square, (middle + root) / square


def widest_ratio(after: tuple[float, float], before: tuple[float, float]) -> tuple[float, float] | None:
    """Return the interval of after/before that holds however the errors of the two hang together; None: no ends.

    Two soaks of one rig have the same transducers, sensors and beliefs, so part of their errors is common, or opposite
    where the one cooled and the other warmed. How large a part, findings don't say, so nothing is taken for granted.
    It is the smallest over the largest that the two intervals allow.

    >>> low, high = widest_ratio((1.0, 0.1), (10.0, 1.0))
    >>> round(low, 4), round(high, 4)  # 0.804/11.96 and 1.196/8.04
    (0.0672, 0.1488)
    """
    found = [ratio_interval(after, before, rho=rho) for rho in (-1.0, 1.0)]
    ends = [end for one in found if one is not None for end in one]
    return (min(ends), max(ends)) if ends else None


def probability_less(after: tuple[float, float], before: tuple[float, float]) -> float:
    """Return the probability that the loss after is less than before, as if their errors stood against each other.

    Of all the ways in which they may hang together that is the one with the widest spread (see `widest_ratio`).
    """
    spread = after[1] + before[1]
    return 0.5 * (1.0 + math.erf((before[0] - after[0]) / spread / math.sqrt(2.0)))


@dataclass(frozen=True)
class Comparison:
    """One section before and after; `ratio` is after/before, its interval 95 %; None = can't be known."""

    name: str
    outcome: Outcome
    ratio: float | None
    ratio_interval95: tuple[float, float] | None
    probability_less: float | None
    needed_degC: float | None
    """How cold the second soak had to get."""
    reached_degC: float | None
    sentence: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        interval = self.ratio_interval95
        return {
            "name": self.name,
            "outcome": self.outcome,
            "ratio": _rounded(self.ratio),
            "ratio_interval95": None if interval is None else [_rounded(x) for x in interval],
            "probability_less": _rounded(self.probability_less),
            "needed_degC": self.needed_degC,
            "reached_degC": self.reached_degC,
            "sentence": self.sentence,
        }


def compare_section(before: Mapping[str, Any], after: Mapping[str, Any]) -> Comparison:
    """Compare two findings of one section."""
    first, second = _loss(before), _loss(after)
    ratio = interval = less = None
    if first is not None and second is not None:
        less = probability_less(second, first)
        interval = widest_ratio(second, first)
        ratio = None if interval is None else second[0] / first[0]
    needed, reached = _needed_degC(before), after["coldest_gas_degC"]
    warm = needed is None or reached is None or reached > needed
    outcome, sentence = _judge(before, after, less=less, warm=warm)
    if outcome == "merely warmer":
        sentence = _warmer(needed, reached)
    return Comparison(before["name"], outcome, ratio, interval, less, needed, reached, sentence)


NO_LEAK_BEFORE: Final[Mapping[str, tuple[Outcome, str]]] = MappingProxyType(
    {
        "tight": ("nothing to repair", "It was tight before, so nothing is proven of a repair."),
        "undecided": (
            "not proven",
            "Whether it leaked before was undecided, so nothing is proven of a repair.",
        ),
    }
)


def _leaks(was: str, *, fallen: bool) -> tuple[Outcome, str]:
    if was != "leaking":
        return "leaking now", f"Before the repair it was {was}: look at what was touched."
    return "still leaking", (
        "It leaks less than before, and still over the limit." if fallen else "It leaks as it did."
    )


def _judge(
    before: Mapping[str, Any], after: Mapping[str, Any], *, less: float | None, warm: bool
) -> tuple[Outcome, str]:
    was, now = before["verdict"], after["verdict"]
    if now == "leaking":
        return _leaks(was, fallen=less is not None and less >= CONFIDENCE)
    if was != "leaking":
        return NO_LEAK_BEFORE[was]
    if now == "undecided":
        return "not proven", "The second soak decides nothing: " + (
            " ".join(after["notes"][:1]) or "stand it longer."
        )
    if warm:
        return "merely warmer", ""
    if less is None or less < CONFIDENCE:
        return "not proven", "It is tight now, but the losses of the two soaks can't be told apart."
    return "proven", "It leaked, and is tight now, as cold as the leak needs."


def _warmer(needed: float | None, reached: float | None) -> str:
    if needed is None:
        return "It is tight now, but how cold the gas was when it leaked isn't known: the cold may be what it needs."
    got = "an unknown temperature" if reached is None else f"{reached:.1f} °C"
    return (
        f"It is tight now, but the gas got only to {got}: to prove the repair it must get to {needed:.1f} °C. "
        "Soak it again in the cold."
    )


def _needed_degC(before: Mapping[str, Any]) -> float | None:
    """Return how cold it must get for the leak to open: a kelvin below all of its onset, else as cold as it was."""
    onset = before["cold_onset_interval95_degC"]
    coldest: float | None = before["coldest_gas_degC"]
    if onset is not None:
        below = float(onset[0]) - AS_COLD_K
        return round(below if coldest is None else max(below, coldest + AS_COLD_K), 2)
    return None if coldest is None else round(coldest + AS_COLD_K, 2)


def _loss(section: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return the loss and its standard deviation, by the normal that has the same interval."""
    loss, interval = section["loss_per_day"], section["loss_per_day_interval95"]
    if loss is None or interval is None:
        return None
    return float(loss), max((float(interval[1]) - float(interval[0])) / (2.0 * Z95), 1e-9)


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")


ASSUMED: Final = (
    "The interval holds however the errors of the two soaks hang together: of the same transducers, sensors and "
    "beliefs."
)


def conditions(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Return what the two soaks did not have in common, in sentences."""
    out = [
        f"The {what} differs: {before[what]} before, {after[what]} after; a loss of gas compares all the same, a leak "
        "may not be the same under it."
        for what in ("support", "gas")
        if before[what] != after[what]
    ]
    if after["hours"] < 0.5 * before["hours"]:
        out.append(f"The second soak was much shorter: {after['hours']:.1f} h after {before['hours']:.1f} h.")
    if after["begin"] < before["end"] and after["begin"] >= "1971" <= before["begin"]:
        out.append(
            "The soak that is called the second began before the first had ended: are they the right way round?"
        )
    return out
