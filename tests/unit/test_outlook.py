"""Looking ahead: when a soak will decide and what would make it decide sooner, held against what then came."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

from analysis.findings import findings
from analysis.inputs import SectionSetup
from analysis.outlook import (
    HORIZON_s,
    Outlook,
    Scene,
    air_at,
    deviation_of,
    foretold,
    look_ahead,
    uncertainty,
)
from analysis.priors import Priors
from analysis.settle import outlook_of, scene_of, settling
from analysis.soak import SoakAnalysis
from analysis.trace import MOST_POINTS
from logger.settings import settings_from_text
from logger.virtual.draws import Uniform
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan
from logger.virtual.thermal import ThermalPriors

HOUR_S, DAY_S = 3600.0, 86_400.0
SETTINGS = settings_from_text('[soak]\nsupport = "blocked"\n')
YARD = ThermalPriors(wander_sd_K=Uniform(0.05, 0.4), shared_sd_K=Uniform(0.0, 0.15))
ONE = replace(
    Priors(),
    lag_grid_s=(3000.0,),
    disturbance_grid=((0.3, 5400.0, 1.0),),
    beginnings=(Priors().beginnings[0],),
)


def scene(**changes: object) -> Scene:
    hours = np.arange(0.0, 14.01, 0.5)
    plain = Scene(
        sections=(SectionSetup("a", gas_column_m=0.25),),
        standing=False,
        gas="nitrogen",
        day_begins_s=-18.0 * HOUR_S,
        air_s=hours * HOUR_S,
        air_K=265.0 + 25.0 * np.exp(-hours / 2.0),
        absolute_Pa=np.array([1e6]),
        pressure_variance=np.array([1e-9]),
        height_variance_m2=np.array([1e-10]),
        barometer=True,
        probe=False,
        priors=ONE,
    )
    return replace(plain, **changes)


def last(one: Scene, hours: float = 14.0) -> float:
    return float(uncertainty(one, hours * HOUR_S, (hours - 0.4) * HOUR_S)[1][-1, 0]) * DAY_S


def soaked(hours: float, seed: int, until_h: float | None = None, **plan: object) -> SoakAnalysis:
    simulated = simulate(SoakPlan(hours=hours, thermal=YARD, **plan), seed)  # type: ignore[arg-type]
    soak = SoakAnalysis(
        SETTINGS, simulated.plan.sections, begin_utc=np.datetime64("2027-01-15T18:00:00", "us")
    )
    rows = simulated.time_s <= (until_h or hours) * HOUR_S
    soak.feed(simulated.time_s[rows], {name: v[rows] for name, v in simulated.measured.items()})
    soak.finish()
    return soak


def test_the_longer_the_surer() -> None:
    _, deviation = uncertainty(scene(), 62.0 * HOUR_S)
    known = deviation[8:, 0]
    # an hour in which the air turns may tell less than nothing of the mean: by a few percent
    assert (np.diff(known) < 0.05 * known[:-1]).all()
    # a weekend knows the loss several times as well as a night
    assert known[0] > 5.0 * known[-1]


@pytest.mark.parametrize(
    "better",
    [
        {"probe": True},
        {"sections": (SectionSetup("a", temperature_coefficient_per_K=2e-5),)},
    ],
    ids=["gas thermometer", "calibrated in the cold"],
)
def test_more_on_the_rig_never_widens(better: dict[str, object]) -> None:
    assert last(scene(**better)) < last(scene())


def test_without_a_barometer_a_gauge_is_less_sure_and_an_absolute_one_is_not() -> None:
    sealed = (SectionSetup("a", reference="absolute"),)
    assert last(scene(barometer=False), 62.0) > 1.05 * last(scene(), 62.0)
    one, other = (scene(sections=sealed, barometer=there) for there in (True, False))
    assert last(one) == pytest.approx(last(other), rel=1e-12)


def test_air_goes_on_as_the_last_day_or_as_its_mean() -> None:
    hours = np.arange(0.0, 30.0, 0.5)
    whole = scene(air_s=hours * HOUR_S, air_K=260.0 + hours)
    # 29.5 h is the last; 34.5 h repeats 10.5 h, 60 h repeats 12 h
    assert air_at(whole, np.array([34.5, 60.0]) * HOUR_S) == pytest.approx([270.5, 272.0])
    night = scene()
    assert air_at(night, np.array([40.0 * HOUR_S]))[0] == pytest.approx(night.air_K[2:].mean())


def test_a_wider_gap_to_the_threshold_decides_sooner() -> None:
    soak = soaked(9.0, 3)
    evidence = soak.known()
    assert evidence is not None
    mean = (evidence.weight * evidence.mean_loss_per_s).sum(axis=(1, 2))
    ahead = [
        look_ahead(scene_of(soak, evidence), evidence, mean + gap / DAY_S, 9.0 * HOUR_S).decided_s
        for gap in (0.03, 0.012, 0.0)
    ]
    assert (ahead[0] < ahead[1]).all()
    assert np.isinf(ahead[2]).all()
    assert (ahead[0] >= 9.0 * HOUR_S).all()
    assert (ahead[1][np.isfinite(ahead[1])] <= 9.0 * HOUR_S + HORIZON_s).all()


def test_what_was_foretold_comes() -> None:
    """Uncertainty foretold at 8 h for 14 h, against that of the same soak at 14 h: the truth is the later analysis."""
    ratios = []
    for seed in range(4):
        early, late = soaked(14.0, seed, until_h=8.0), soaked(14.0, seed)
        now, then = early.known(), late.known()
        assert now is not None and then is not None  # noqa: PT018  (for the type checker)
        times, deviation = uncertainty(scene_of(early, now), 14.0 * HOUR_S)
        at = int(np.searchsorted(times, early.estimator.time_s, side="right")) - 1
        ratios.append(foretold(deviation, now, at)[-1] / deviation_of(then))
    # "about": the weather to come and the models' weights are not known
    assert 0.7 < np.median(ratios) < 1.5
    assert np.mean(np.abs(np.log(ratios)) < np.log(2.0)) > 0.8


def test_an_undecided_verdict_says_what_would_settle_it() -> None:
    said = findings(soaked(6.0, 5, leaks=(Leak("rear_left", 0.02 / DAY_S),)), "x")
    undecided = [s for s in said["sections"] if s["verdict"] == "undecided"]
    assert undecided
    for section in undecided:
        assert any("tand" in note for note in section["notes"])
        # nobody knows the gas temperature in a night: that is what the interval is made of
        assert any(note.startswith("With a thermometer in the gas") for note in section["notes"])
    for section in said["sections"]:
        if section["verdict"] != "undecided":
            assert not any("Stand it" in note for note in section["notes"])


def test_words_with_and_without_a_clock() -> None:
    ahead = Outlook(np.array([50_000.0, np.inf]), {"a barometer": np.array([0.1, 0.5])})
    assert settling(ahead, 0, None) == [
        "Stand it until about 14.0 h after the begin: that should decide, if weather and loss stay as they are."
    ]
    assert settling(ahead, 1, None) == [
        "Standing longer won't decide it within four days: the loss is too near to the threshold.",
        "With a barometer the interval would be narrower by 50 %.",
    ]


def test_too_early_to_look_ahead() -> None:
    soak = soaked(0.5, 1)
    assert outlook_of(soak, soak.known(), np.full(4, 2e-7)) is None  # type: ignore[arg-type]


def grown(hours: tuple[float, float]) -> float:
    """How much larger the state of an analysis is at the second time than at the first, as a ratio."""
    simulated = simulate(SoakPlan(hours=hours[1], thermal=YARD, sections=("front_left",)), 2)
    soak = SoakAnalysis(SETTINGS, ("front_left",))
    sizes = []
    for begin, end in zip((0.0, hours[0]), hours, strict=True):
        rows = (simulated.time_s >= begin * HOUR_S) & (simulated.time_s < end * HOUR_S)
        soak.feed(simulated.time_s[rows], {name: v[rows] for name, v in simulated.measured.items()})
        # what was raised and found is told and grows with what happens, not with time
        soak.book.alarms.clear()
        soak.estimator.guard.steps.clear()
        # the record of the bins grows to a bound
        assert len(soak.estimator.trace.points) <= MOST_POINTS + 1
        sizes.append(len(pickle.dumps(soak)) - len(pickle.dumps(soak.estimator.trace)))
    return sizes[1] / sizes[0]


def test_memory_is_flat() -> None:
    assert grown((30.0, 120.0)) < 1.05


@pytest.mark.long
def test_memory_is_flat_over_thirty_days() -> None:
    assert grown((48.0, 720.0)) < 1.05
