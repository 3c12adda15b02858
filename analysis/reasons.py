"""Why a section has no verdict, or which doubts stand beside it: a closed list for machines, a sentence for people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Code = Literal[
    "air_doubtful",  # the air's thermometer and the sections contradict one another
    "alarm_standing",  # an alarm that stands at the end forbids "tight"
    "begin_unclear",  # how warm the gas was at the begin can't be told from a leak yet
    "channel_dead",  # no readings of a channel, for so long that nothing can be said
    "contradiction",  # what was read in two ways doesn't agree
    "empty",  # no gas under pressure worth the name: nothing was tested
    "fall_unexplained",  # a step down that nobody has explained
    "gains_gas",  # a closed section can't
    "gap_unexplained",  # gas went while nobody looked
    "height_frozen",  # the height doesn't move as load and cold ask
    "implausible_input",  # readings that can't be
    "leaks_at_times",  # over the threshold during a part of the time
    "lost_fast",  # a burst, or faster than cooling can explain
    "misfit",  # the readings do what no model here describes
    "near_threshold",  # the loss isn't known well enough against the threshold
    "neighbour_doubtful",  # another section of the soak contradicts the common temperature
    "no_gas_column",
    "no_heights",
    "no_temperature",
    "not_cold_enough",  # the planned cold was not reached
    "sampling_too_slow",
    "too_few_readings",
    "too_short",
    "wrong_support",  # a standing car judged as blocked, or the reverse
]
CODES: tuple[str, ...] = get_args(Code)


@dataclass(frozen=True)
class Reason:
    """One reason: its code, and a sentence without capital and full stop, as it goes into a list."""

    code: Code
    sentence: str

    def __post_init__(self) -> None:
        """Refuse a code that the list doesn't have."""
        if self.code not in CODES:
            raise ValueError(f"no such reason: {self.code}")
