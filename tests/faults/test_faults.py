"""Every fault in its short form; `pytest -m long tests/faults` does each as often as the table says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.faults.bench import Bench
from tests.faults.catalogue import KINDS, Kind

if TYPE_CHECKING:
    from pathlib import Path

    from tests.faults.bench import Row


def done(kind: Kind, folder: Path, times: int, seed: int) -> Row:
    with Bench(folder, times, seed) as bench:
        return kind.fault(bench)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_nothing_is_lost_doubled_or_wrong(kind: Kind, tmp_path: Path) -> None:
    row = done(kind, tmp_path, kind.short, seed=1)
    assert row.clean, row
    assert row.samples > 0, row


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_nothing_is_lost_doubled_or_wrong_however_often(kind: Kind, tmp_path: Path) -> None:
    row = done(kind, tmp_path, kind.long, seed=2)
    assert row.clean, row
