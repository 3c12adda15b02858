"""The `leak` alarm of the estimator: when it is raised, what keeps it from being told, when it is taken back.

Steps and bursts count by the account of the gas, everything else by the posterior of a leak. What the sections contradict
(analysis/agreement.py) or what can't be (analysis/doubts.py) wakes nobody.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.bank import clearest_leak
from analysis.blank import without_rig
from analysis.steps import MOST_THERMAL
from analysis.warp import borne_out

if TYPE_CHECKING:
    from analysis.followed import Followed

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAK_PRIOR: Final = 0.2
# Repeated looking is paid for: the alarm asks more than the verdict does, and twice in a row.
ALARM_PROBABILITY: Final = 0.998
ALARM_CLEARED: Final = 0.5
# No shape of leak that is clearer than this, in standard deviations: no alarm can come of it (it takes far more).
WORTH_WEIGHING: Final = 2.0
# A quick look is enough at a leak that is less probable than this, and at an alarm that is surer.
WORTH_A_LOOK: Final = 0.3
SURE: Final = 0.95
ALARM_AFTER_s: Final = 3600.0
# What stands against a leak is looked at again so often while its alarm stands.
DOUBT_AGAIN_s: Final = 3600.0
TAKEN_BACK: Final = "the readings contradict one another, so they prove no leak"


class LeakAlarm:
    """Looks after each bin; all arrays (S,)."""

    def __init__(self, sections: int) -> None:
        """Nothing was seen yet."""
        self.leak_seen = np.zeros(sections, dtype=np.intp)
        self.fell = np.zeros(sections, dtype=np.bool_)
        """Over the limit, as good as surely, by what went in steps."""
        self.doubted = np.zeros(sections, dtype=np.bool_)
        self.doubt_due_s = self.fell_due_s = self.stepped_until_s = -np.inf

    def look(self, soak: Followed, time_s: float) -> None:
        """Raise and clear leaks after a bin that the estimator has used."""
        if time_s - soak.first_s < ALARM_AFTER_s:
            return
        limit = soak.limit_per_s()
        raised = np.array([(name, "leak") in soak.book.standing for name in soak.sections])
        worth = np.flatnonzero(raised | (clearest_leak(soak.estimator.bank) > WORTH_WEIGHING))
        probability = np.zeros(len(soak.sections))
        if len(worth) and (glance := soak.estimator.glance(worth)) is not None:
            glance = without_rig(glance, soak.rig_loss_per_s[worth], soak.rig_deviation_per_s[worth])
            probability[worth] = glance.probability_leaks_over(limit[worth], LEAK_PRIOR)
        doubt = np.where(raised, probability < SURE, probability > WORTH_A_LOOK)
        if doubt.any() and (full := soak.known()) is not None:
            probability = full.probability_leaks_over(limit, LEAK_PRIOR)
        usable = np.array([soak.usable(i) for i in range(len(soak.sections))])
        probability = np.where(usable, probability, 0.0)
        fell = self._fell(soak, limit, usable)
        over = (probability > ALARM_PROBABILITY) | fell
        doubted = self._not_to_be_told(soak, over, raised, time_s)
        if (probability[usable] > ALARM_CLEARED).sum() > max(1, usable.sum() // 2):
            # most of them at once: rather their common temperature, until the witnesses have been heard
            agreed = soak.agreement()
            differs = np.zeros(len(usable), dtype=np.bool_) if agreed is None else agreed.differs
            doubted |= over & ~raised & ~differs & ~self.fell_far(soak)
        for k in np.flatnonzero(over).tolist():
            doubted[k] |= bool(soak.tape.heights_of(k)) and not borne_out(soak, k)
        held = soak.fast.held(time_s) | fell
        self.leak_seen = np.where(over & ~doubted, self.leak_seen + 1, 0)
        for i, name in enumerate(soak.sections):
            if self.leak_seen[i] == 2 or (fell[i] and not doubted[i]):
                soak.book.raise_(name, "leak", time_s)
            elif doubted[i]:
                soak.book.clear(name, "leak", time_s, TAKEN_BACK)
            elif probability[i] < ALARM_CLEARED and not held[i]:
                soak.book.clear(name, "leak", time_s)

    def _not_to_be_told(self, soak: Followed, over: Mask, raised: Mask, time_s: float) -> Mask:
        """Return whose leak must not be told, (S,): before it is told, and hourly as long as it stands."""
        out = np.zeros(len(soak.sections), dtype=np.bool_)
        fresh = over & ~raised
        due = raised.any() and time_s >= self.doubt_due_s
        if not fresh.any() and not due:
            return out
        if time_s < self.doubt_due_s and not (fresh & ~self.doubted).any():
            return self.doubted & (fresh | raised)  # nothing can have changed so much meanwhile
        self.doubt_due_s = time_s + DOUBT_AGAIN_s
        agreed = soak.agreement()
        if agreed is not None:
            # what is only doubtful isn't told; what is contradicted is taken back, too
            held = np.where(raised, not agreed.trusted, agreed.held)
            out |= held & ~agreed.differs & ~self.fell_far(soak)
        for i in np.flatnonzero(over | raised):
            out[i] |= bool(soak.doubts(int(i)))
        self.doubted = out & (fresh | raised)
        return self.doubted

    def _fell(self, soak: Followed, limit_per_s: Array, usable: Mask) -> Mask:
        """Return which sections are over the limit, as good as surely, by what went in steps, (S,)."""
        steps = soak.estimator.guard.steps
        until_s = max((step.until_s for step in steps), default=-np.inf)
        if not steps or (until_s == self.stepped_until_s and soak.estimator.time_s < self.fell_due_s):
            return self.fell & usable
        self.stepped_until_s, self.fell_due_s = until_s, soak.estimator.time_s + DOUBT_AGAIN_s
        stepped = np.array([any(s.size < 0.0 for s in soak.steps_of(i)) for i in range(len(soak.sections))])
        stepped &= usable
        if not stepped.any() or (evidence := soak.known()) is None:
            return self.fell & usable
        net = evidence.probability_over(limit_per_s + soak.risen_per_s())
        standing = np.array([(name, "leak") in soak.book.standing for name in soak.sections])
        self.fell = np.asarray(stepped & (net > np.where(standing, ALARM_CLEARED, ALARM_PROBABILITY)))
        return self.fell

    def fell_far(self, soak: Followed) -> Mask:
        """Return which of those fell further than any temperature takes them, (S,)."""
        far = [any(s.size < -MOST_THERMAL for s in soak.steps_of(i)) for i in range(len(soak.sections))]
        return np.asarray(self.fell & np.array(far))
