"""The study's short form: enough soaks to notice a broken estimator, too few to measure one.

The bounds are the design's "at least" figures, widened for the small number of soaks; the full figures are what
`python -m tests.study` prints (own simulator; sources of its parts in logger/virtual).
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

import pytest

from tests.study.score import Score, score
from tests.study.soaks import run

SEED = 500_000


def scored(case: str, soaks: int) -> Score:
    with ProcessPoolExecutor(2) as pool:
        results = pool.map(run, [(case, SEED + k) for k in range(soaks)])
        return score(case, [section for soak in results for section in soak])


@pytest.mark.parametrize(
    ("case", "soaks", "rms", "common_practice_is_worse_by"),
    [
        ("blocked-14", 8, 0.012, 1.5),
        ("blocked-62", 4, 0.0030, 1.5),
        ("standing-14", 8, 0.014, 5.0),
        ("standing-62", 4, 0.0060, 5.0),
    ],
)
def test_measures_the_loss(case: str, soaks: int, rms: float, common_practice_is_worse_by: float) -> None:
    found = scored(case, soaks)
    assert found.rms < rms
    assert found.rms * common_practice_is_worse_by < found.rms_two_readings
    assert found.coverage > 0.75
    assert found.wrong_soaks == 0
    assert found.decided > 0.4


def test_a_leak_in_the_night_is_raised_within_an_hour_and_nothing_else() -> None:
    found = scored("night-leak", 8)
    assert found.missed == 0
    assert found.delay_min[1] < 60.0
    assert found.false_alarm_soaks <= 1


@pytest.mark.long
@pytest.mark.parametrize(
    ("case", "rms"),
    [("blocked-14", 0.0075), ("blocked-62", 0.0015), ("standing-14", 0.0085), ("standing-62", 0.0025)],
)
def test_measures_the_loss_in_two_hundred_soaks(case: str, rms: float) -> None:
    found = scored(case, 200)
    assert found.rms < rms
    assert 0.85 < found.coverage < 0.99
    assert found.wrong_soaks <= 1
