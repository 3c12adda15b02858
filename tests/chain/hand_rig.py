"""A rig that measures when the test says so, and what it says."""

from __future__ import annotations

import time
from dataclasses import dataclass

from rig_model import RingRig

from logger.protocol import Sample

# 16 bar at 4.5 V and nothing at 0.5 V of a 5 V supply, 187.5 µV a count: 7 bar are 2.25 V, 2 bar are 1.0 V
SEVEN_BAR, TWO_BAR = 12_000, 5_333
SUPPLY = 26_667  # 5 V
TEN_DEGREES = 160  # a sixteenth of a degree a count


@dataclass
class HandRig(RingRig):
    """Two corners; `pressure` is the front left's, in counts."""

    pressure: int = SEVEN_BAR
    name: str = "bay-2"
    period_ms: int = 100
    _begun_s: float = 0.0

    def take(self) -> Sample:
        """Measure now."""
        now_s = time.monotonic()
        self._begun_s = self._begun_s or now_s
        # never twice the same count: a real converter's last digits are noise
        wiggle = self.next_seq % 7
        values = (self.pressure + wiggle, SEVEN_BAR - wiggle, TEN_DEGREES + wiggle, SUPPLY + wiggle)
        sample = Sample(self.boot, self.next_seq, round(1000 * (now_s - self._begun_s)), values)
        self.ring.append(sample)
        self.next_seq += 1
        return sample
