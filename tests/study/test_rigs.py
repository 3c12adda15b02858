"""The bench of what a rig costs, in its short form; `-m long` runs the whole target for a minute."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.study.rigs import CORES, HEAD, TARGET, Cost, measure

if TYPE_CHECKING:
    from pathlib import Path


def _check(cost: Cost) -> None:
    print(f"\n{HEAD}\n{cost.line()}")
    assert cost.missing == 0
    assert len(cost.alarms_s) == cost.fallen
    # CPU time, so that a busy machine makes little of a difference; own measurement 10 to 11, regression only
    assert cost.daemon_cpu_s_per_h < 40.0


def test_what_a_few_rigs_cost(tmp_path: Path) -> None:
    _check(measure(3, 4.0, tmp_path))


@pytest.mark.long
def test_the_target_on_two_cores(tmp_path: Path) -> None:
    cost = measure(TARGET, 60.0, tmp_path)
    _check(cost)
    assert cost.cores < CORES
