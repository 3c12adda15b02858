"""What earns a `tight`: steps, doubts, witnesses and the tape's proof, each on both sides of its limit."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.agreement import common_loss
from analysis.frozen import HEIGHT, FrozenHeights
from analysis.pressurised import EMPTY_Pa, Pressurised, default_floor_Pa
from analysis.probe import Probes
from analysis.reasons import CODES, Reason
from analysis.steps import GAP_s, StepGuard
from analysis.verdict import Conditions, decide
from analysis.warp import bears_out, contradicts
from analysis.witness import _most_gained

BIN_s = 300.0


# -- reasons -------------------------------------------------------------------------------------------------


def test_the_schema_and_the_pages_name_the_same_reasons() -> None:
    root = Path(__file__).parents[1]
    schema = json.loads((root / "external/data/findings.schema.json").read_text("utf-8"))
    (enum,) = [schema["properties"]["sections"]["items"]["properties"]["reasons"]["items"]["enum"]]
    assert sorted(enum) == sorted(CODES)
    page = (root.parent / "README.md").read_text("utf-8")
    assert [code for code in CODES if f"`{code}`" not in page] == []


def test_a_reason_that_is_not_on_the_list_is_refused() -> None:
    with pytest.raises(ValueError, match="no such reason"):
        Reason("weather", "it rains")  # type: ignore[arg-type]


# -- the account of the gas ----------------------------------------------------------------------------------


def walk(
    guard: StepGuard, levels: list[list[float]], deviation: float = 1e-3, begin_s: float = 0.0
) -> list[int]:
    """Feed bins (n, S) of a filter that foretells zero until a step was taken in; return the states opened."""
    opened = []
    told = np.zeros(len(guard.sections))
    for k, row in enumerate(levels):
        level = np.array(row)
        innovation = (level - told)[:, None]
        use = np.isfinite(level)
        used, moved = guard.look(
            begin_s + k * BIN_s,
            np.nan_to_num(level)[:, None],
            np.nan_to_num(innovation),
            np.full((len(told), 1), deviation**2),
            use,
            np.full(len(told), 50.0),
        )
        guard.used(used, begin_s + k * BIN_s)
        for i, state, _ in moved:
            opened.append(state)
            told[i] = level[i]
    return opened


def test_what_went_down_is_gone_and_what_went_up_only_moves_the_level() -> None:
    from analysis.effects import LEVEL, WOBBLE  # noqa: PLC0415  the states by name

    guard = StepGuard(("a",))
    assert walk(guard, [[0.0]] * 3 + [[-0.08]] * 4 + [[0.02]] * 4) == [WOBBLE, LEVEL]
    down, up = guard.steps
    assert (down.size, up.size) == (pytest.approx(-0.08), pytest.approx(0.10))
    assert down.time_s == 3 * BIN_s, "when it happened, not when it was believed"


def test_a_single_wild_bin_is_no_step_and_what_is_not_settled_yet_is_told() -> None:
    guard = StepGuard(("a",))
    assert walk(guard, [[0.0]] * 3 + [[-0.08]] + [[0.0]] * 3) == []
    assert guard.steps == []
    guard = StepGuard(("a",))
    walk(guard, [[0.0]] * 3 + [[-0.08]] * 2)
    pending = guard.pending(0)
    assert pending is not None
    assert pending.innovation == pytest.approx(-0.08)


def test_a_smaller_fall_is_a_step_where_nobody_looked() -> None:
    fall = [[-0.006]] * 4
    guard = StepGuard(("a",))
    walk(guard, [[0.0]] * 3)
    walk(guard, fall, begin_s=3 * BIN_s)
    assert guard.steps == [], "with readings it is the estimator's to judge"
    guard = StepGuard(("a",))
    walk(guard, [[0.0]] * 3)
    walk(guard, fall, begin_s=3 * BIN_s + GAP_s + 1.0)
    (step,) = guard.steps
    assert step.unseen_since_s == 2 * BIN_s


def test_what_somebody_noted_is_in_no_book() -> None:
    guard = StepGuard(("a", "b"))
    guard.noted.append((3 * BIN_s, "a"))
    walk(guard, [[0.0, 0.0]] * 3 + [[-0.08, -0.05]] * 4)
    assert [step.section for step in guard.steps] == ["b"]


def test_what_most_sections_do_at_once_is_nobody_s_own() -> None:
    guard = StepGuard(("a", "b", "c"))
    walk(guard, [[0.0] * 3] * 3 + [[-0.03, -0.05, -0.04]] * 4)
    assert guard.own(0) == guard.own(2) == []
    assert guard.shared()
    # further than any temperature takes it, and each its own way
    guard = StepGuard(("a", "b", "c"))
    walk(guard, [[0.0] * 3] * 3 + [[-0.3, -0.8, 0.0]] * 4)
    assert len(guard.own(0)) == len(guard.own(1)) == 1
    # all by the same factor: a unit, or a supply
    guard = StepGuard(("a", "b", "c"))
    walk(guard, [[0.0] * 3] * 3 + [[-2.0, -2.1, -1.9]] * 4)
    assert guard.shared()


# -- is it gas under pressure? -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("held", "standing", "empty"),
    [
        ((300.0, 7e5, 7e5, 8e5), False, True),
        ((1.01 * EMPTY_Pa, 2e5, 2e5, 2e5), False, False),
        ((1.5e5, 7e5, 7e5, 8e5), False, False),  # a line may hold less
        ((1.5e5, 7e5, 7e5, 8e5), True, True),  # a corner of a car can't: it lies on its stop
        ((3.5e5, 7e5, 7e5, 8e5), True, False),
        ((300.0, 300.0, 300.0, 300.0), False, True),
    ],
)
def test_empty_is_told_from_low(held: tuple[float, ...], standing: bool, empty: bool) -> None:
    sections = Pressurised(("a", "b", "c", "d"), standing=standing)
    for _ in range(3):
        sections.take(np.array(held))
    found = sections.empty(0)
    assert (found is not None) == empty
    if found is not None:
        assert found.code == "empty"
        assert "nothing was tested" in found.sentence


def test_a_section_without_a_floor_has_one_by_its_fill() -> None:
    assert default_floor_Pa(8e5) == pytest.approx(2e5)
    assert default_floor_Pa(1e5) == EMPTY_Pa


# -- heights, probes, tape -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moves_m", "cools_K", "frozen"),
    [(0.0, 10.0, True), (0.0, 2.0, False), (-0.0094, 10.0, False), (0.0, -10.0, False)],
)
def test_a_height_that_does_not_go_with_the_cold_is_frozen(
    moves_m: float, cools_K: float, frozen: bool
) -> None:
    """A leak may cancel warmth, so only cold that moves nothing counts."""
    heights = FrozenHeights(np.array([0.25]), 2)
    rng = np.random.default_rng(3)
    for k in range(40):
        share = k / 39
        kelvin = 270.0 - cools_K * share
        heights.take(
            k * 600.0,
            np.array([0.35 + moves_m * share + rng.normal(0.0, 2e-5)]),
            np.array([2e-5**2]),
            np.array([8e5]),
            np.array([kelvin, kelvin + 1.0]),
        )
    assert bool(np.isfinite(heights.frozen_s[0])) == frozen
    assert heights.bounds is HEIGHT


@pytest.mark.parametrize(
    ("lag_s", "outside", "still"), [(0.0, True, False), (3600.0, False, False), (1e9, False, True)]
)
def test_a_gas_thermometer_that_goes_with_the_air_is_outside(
    lag_s: float, outside: bool, still: bool
) -> None:
    probes = Probes(1)
    air, quick, gas = 293.0, 293.0, 293.0
    for k in range(48):
        air = 293.0 if k < 3 else 265.0
        quick += (air - quick) * -np.expm1(-300.0 / 1200.0)
        gas = air if lag_s == 0.0 else gas + (air - gas) * -np.expm1(-300.0 / lag_s)
        probes.take(np.array([gas]), air, quick)
    assert (bool(probes.outside()[0]), bool(probes.still()[0])) == (outside, still)


def test_a_slip_of_the_tape_is_contradicted_and_a_leak_is_borne_out() -> None:
    slip = np.array([0.33, 0.0, 0.0, 0.0])
    assert contradicts(slip, np.zeros(4))
    leak, loads = np.array([0.2, 0.0, 0.0, 0.0]), np.array([-0.06, 0.05, 0.05, -0.06])
    assert bears_out(leak, loads)
    assert contradicts(leak[[1, 0, 2, 3]], loads), "written at the wrong corner"
    # both ends of an axle, or all corners, lose alike: no pressure changes, and none is asked to
    assert not contradicts(np.array([0.1, 0.1, 0.0, 0.0]), np.zeros(4))
    assert not bears_out(np.array([0.1, 0.1, 0.0, 0.0]), np.zeros(4))
    assert bears_out(np.array([0.1, 0.0]), np.array([-0.03, 0.02]))
    assert contradicts(np.array([0.1, 0.0]), np.zeros(2))


# -- the sections as witnesses -------------------------------------------------------------------------------


def test_losses_alike_accuse_what_they_share_and_others_don_t() -> None:
    sure = np.full(4, 0.005**2)
    drift = 0.026
    for alike in (0.025, -0.02):
        odds, common = common_loss(np.full(4, alike), sure, drift)
        assert odds > 2.2
        assert common == pytest.approx(alike, abs=0.003)
    for honest in (
        (0.0, 0.0, 0.0, 0.0),
        (0.0, 0.0, 0.06, 0.0),
        (0.03, 0.0, 0.12, 0.001),
        (0.2, 0.03, 0.08, 0.0),
    ):
        odds, common = common_loss(np.array(honest), sure, drift)
        assert odds < 2.2 or abs(common) < 0.01, honest


def test_evidence_counts_from_where_it_began() -> None:
    forty_good_hours = np.full((80, 2), -1.4)
    then_wrong = np.array([[6.0, 1.0], [5.0, 1.0], [4.0, -3.0]])
    # what stood well for forty hours excuses nothing
    assert _most_gained(np.concatenate((forty_good_hours, then_wrong))) == (pytest.approx(15.0), 0)


# -- verdicts ------------------------------------------------------------------------------------------------

SURE_LEAK = Conditions(
    probability_over=0.99, probability_leaks_over=0.99, hours=14.0, hours_used=14.0, surely_over_per_s=1e-6
)
DOUBT = Reason("air_doubtful", "all contradict the air")


@pytest.mark.parametrize(
    ("change", "verdict", "codes"),
    [
        ({}, "leaking", []),
        ({"hours": 1.4}, "undecided", ["begin_unclear"]),
        ({"hours": 1.6}, "undecided", ["begin_unclear"]),
        ({"hours": 1.6, "probability_over": 0.999}, "leaking", []),
        ({"hours": 4.0}, "leaking", []),
        ({"hours": 1.4, "lost_fast": True}, "leaking", []),
        ({"doubts": (Reason("empty", "nothing was tested"),)}, "undecided", ["empty"]),
        ({"air_doubt": DOUBT}, "undecided", ["air_doubtful", "leaks_at_times"]),
        ({"air_doubt": DOUBT, "differs": True}, "leaking", []),
        ({"probability_over_net": 0.5}, "undecided", ["fall_unexplained", "leaks_at_times"]),
        ({"neighbours_gain_per_s": 2e-6}, "undecided", ["leaks_at_times"]),
        ({"borne_out": False}, "undecided", ["near_threshold"]),
    ],
)
def test_each_condition_of_leaking_on_both_sides(
    change: dict[str, object], verdict: str, codes: list[str]
) -> None:
    said, reasons = decide(replace(SURE_LEAK, **change))  # type: ignore[arg-type]
    assert (said, [reason.code for reason in reasons]) == (verdict, codes)
