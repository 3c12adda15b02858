"""Do the pressures of a standing car bear out what a tape says?

A car stands on four springs and is stiff: a corner that loses gas hands its load to its neighbours on both sides, so its
pressure falls, that of the two neighbours rises, and that of the opposite corner falls with it. Heights alone that say a
corner has sunk, and pressures that know nothing of it, are a slip of the tape.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.followed import Followed

Array = NDArray[np.float64]

CORNERS: Final = ("front_left", "front_right", "rear_left", "rear_right")
# A slip of one reading is a leak of one corner: two are no proof by themselves (own choice).
HEIGHTS_FOR_LEAK: Final = 3
_SIGNS: Final = np.array([1.0, -1.0, -1.0, 1.0])
HANDED_ON: Final = 1.1
"""Of the warp of the gas lost, as a warp of ln(p): a corner that loses 10 % of its gas loses 3 to 4 % of its pressure (a
rigid body on four rolling-lobe springs with anti-roll bars, own model)."""
AXLE_HANDED_ON: Final = 0.5
"""The same for the difference of left and right, where only the two corners of one axle were measured."""
SEEN: Final = 0.025
"""Of ln(p): four times what the transducers' drift makes of it in the cold (0.02 %/K of full scale, own estimate)."""
LEAST_SHARE: Final = 0.5


def warp(values: Array) -> float:
    """Return how much the diagonals of (4,) values, in the order of `CORNERS`, differ; 0 if any is missing.

    >>> warp(np.array([0.1, 0.0, 0.0, 0.0]))
    0.025
    """
    return float(np.nan_to_num(_SIGNS @ values) / 4.0)


def asked_and_got(lost: Array, log_pressure_change: Array) -> tuple[float, float]:
    """Return what the losses ask of the pressures and what these did: the warp, or left against right of an axle."""
    if len(lost) == len(CORNERS):
        return -HANDED_ON * warp(lost), warp(log_pressure_change)
    left, right = lost
    return float(-AXLE_HANDED_ON * (left - right)), float(log_pressure_change[0] - log_pressure_change[1])


def contradicts(lost: Array, log_pressure_change: Array) -> bool:
    """Return whether the pressures deny the losses (ln of the gas), both (4,) in the order of `CORNERS`, or (2,).

    >>> contradicts(np.array([0.33, 0.0, 0.0, 0.0]), np.zeros(4))
    True
    >>> contradicts(np.array([0.1, 0.0, 0.0, 0.0]), np.array([-0.04, 0.04, 0.04, -0.04]))
    False
    """
    if len(lost) == len(CORNERS):
        axles = [(lost[:2], log_pressure_change[:2]), (lost[2:], log_pressure_change[2:])]
        # of the two axles that from which most load was handed on
        axle = max(axles, key=lambda pair: abs(float(pair[1][0] - pair[1][1])))
        if _apart(*asked_and_got(*axle)):
            return True
    return _apart(*asked_and_got(lost, log_pressure_change))


def _apart(asked: float, got: float) -> bool:
    return abs(got - asked) > max(SEEN, LEAST_SHARE * max(abs(asked), abs(got)))


def bears_out(lost: Array, log_pressure_change: Array) -> bool:
    """Return whether the pressures speak for the losses, and not only don't deny them."""
    asked, _ = asked_and_got(lost, log_pressure_change)
    return abs(asked) > SEEN and not contradicts(lost, log_pressure_change)


def borne_out(soak: Followed, i: int) -> bool:
    """Whether more than two heights by hand speak for a leak of section `i`: a third one, or the pressures."""
    return len(soak.tape.heights_of(i)) >= HEIGHTS_FOR_LEAK or tape_against_loads(soak)[1]


def tape_against_loads(soak: Followed) -> tuple[bool, bool]:
    """Return whether the pressures deny what the tape says of the corners, and whether they bear it out."""
    evidence = soak.known()
    index = _measured(soak)
    if evidence is None or not index or len(soak.loads) < 2:
        return False, False
    (first_s, before), (last_s, after) = soak.loads[0], soak.loads[-1]
    lost = (evidence.weight * evidence.mean_loss_per_s).sum(axis=(1, 2)) * (last_s - first_s)
    change = after - before
    return contradicts(lost[index], change[index]), bears_out(lost[index], change[index])


def _measured(soak: Followed) -> list[int]:
    """Return the sections that can be held against one another: all corners, else those of one axle; else none."""
    known = {name: soak.sections.index(name) for name in CORNERS if name in soak.sections}
    taped = {name: i for name, i in known.items() if soak.tape.measures(i)}
    for names in (CORNERS, CORNERS[:2], CORNERS[2:]):
        if all(name in taped for name in names):
            return [taped[name] for name in names]
    return []
