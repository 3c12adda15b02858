"""Doubts about readings: silent on ordinary soaks, told on both sides of each limit, however the stream is cut."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.plausible import Plausibility
from analysis.reasons import Reason
from logger.channels import Conversion
from logger.samples import SampleBlock
from logger.settings import Settings, settings_from_text
from logger.virtual.disturbances import Disturbance
from logger.virtual.draws import Fixed
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import Simulated
from logger.virtual.scenario import shipped_scenario
from logger.virtual.weather import InventedWinter
from tests.study.soaks import CASES, plan_of, settings_of

Array = NDArray[np.float64]
Table = dict[str, Array]
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
BEGIN = np.datetime64("2027-01-15T18:00:00", "us")


def doubts_of(
    time_s: Array, table: Table, settings: Settings, sections: tuple[str, ...] = CORNERS
) -> dict[str, list[Reason]]:
    watch = Plausibility(settings, sections, begin_utc=BEGIN)
    watch.feed(time_s, table)
    watch.finish()
    return {name: watch.doubts(name) for name in sections}


@cache
def _soak(case: str, seed: int) -> Simulated:
    return simulate(plan_of(CASES[case], seed), seed)


def soak(case: str, seed: int = 3) -> tuple[Array, Table]:
    simulated = _soak(case, seed)
    return simulated.time_s, {name: values.copy() for name, values in simulated.measured.items()}


def cold(support: str, seed: int, fall_K: float = 30.0, **changes: object) -> tuple[Array, Table]:
    """A night in which the air falls by so much at the begin and stays there, around ±1 K."""
    case = CASES["tight-14" if support == "blocked" else "tight-standing-62"]
    plan = replace(plan_of(replace(case, hours=14.0), seed), **changes)
    weather = {"mean_K": Fixed(293.15 - fall_K), "diurnal_K": Fixed(0.5), "synoptic_sd_K": Fixed(0.5)}
    weather |= {"trend_K_per_day": Fixed(0.0), "fronts_per_day": Fixed(0.0)}
    simulated = simulate(replace(plan, weather=replace(InventedWinter(), **weather)), seed)
    return simulated.time_s, {name: values.copy() for name, values in simulated.measured.items()}


ORDINARY = (
    "blocked-14",
    "blocked-62",
    "standing-14",
    "standing-62",
    "sealed-14",
    "absolute-14",
    "probe-standing-14",
)


@pytest.mark.parametrize("case", ORDINARY)
def test_ordinary_soaks_raise_no_doubt(case: str) -> None:
    """Tight and leaking, in drawn and measured winters: 49 soaks of four sections."""
    for seed in range(100, 107):
        time_s, table = soak(case, seed)
        assert not any(doubts_of(time_s, table, settings_of(CASES[case])).values()), seed


def test_the_shipped_scenario_raises_no_doubt() -> None:
    """As its converters say it, with an open transducer, stuck ones, and whatever else goes wrong there."""
    table = shipped_scenario().table()
    at = np.arange(len(table.counts)) * round(table.period_s * 1e6)
    settings = settings_from_text("")
    block = Conversion(settings).convert(
        SampleBlock(
            at,
            at,
            table.channels,
            np.where(np.isinf(table.counts), np.nan, table.counts),
            np.isposinf(table.counts),
            np.isneginf(table.counts),
        )
    )
    good = dict(zip(block.names, block.good().T, strict=True))
    assert np.isfinite(good["front_left.pressure"]).mean() > 0.9
    assert not any(doubts_of(at / 1e6, good, settings).values())


@pytest.mark.parametrize("support", ["blocked", "standing"])
def test_a_roll_out_into_any_cold_raises_no_doubt(support: str) -> None:
    settings = settings_of(CASES[f"{support}-14"])
    for seed in range(3):
        time_s, table = cold(support, seed, fall_K=38.0)
        assert not any(doubts_of(time_s, table, settings).values())
        # a thermometer without any lag
        table["ambient.temperature"] = np.where(time_s < 1800.0, 293.15, 255.15)
        assert not any(doubts_of(time_s, table, settings).values())


@pytest.mark.parametrize("loss", [0.06, 0.5, 3.0])
def test_leaks_and_steps_are_no_doubt_of_the_support(loss: float) -> None:
    for case in ("blocked", "standing"):
        for seed in range(3):
            leak = Leak("front_left", loss / 86400.0, begin_s=3600.0)
            valve = Disturbance("valve", 20_000.0, 0.08, "rear_right")
            time_s, table = cold(case, seed, leaks=(leak,), disturbances=(valve,))
            assert not any(doubts_of(time_s, table, settings_of(CASES[f"{case}-14"])).values())


def told(
    change: Callable[[Array, Table], object], case: str = "blocked-14", text: str = ""
) -> dict[str, list[Reason]]:
    time_s, table = soak(case)
    change(time_s, table)
    return doubts_of(time_s, table, settings_from_text(text) if text else settings_of(CASES[case]))


def only(said: dict[str, list[Reason]], section: str, code: str) -> str:
    """The one doubt of a section, which the others don't have."""
    (reason,) = said[section]
    assert reason.code == code
    assert not any(reasons for name, reasons in said.items() if name != section)
    return reason.sentence


def shared(said: dict[str, list[Reason]], code: str) -> str:
    """The one doubt that all sections have."""
    sentences = {reason.sentence for reasons in said.values() for reason in reasons}
    assert all([reason.code for reason in reasons] == [code] for reasons in said.values())
    (sentence,) = sentences
    return sentence


def put(channel: str, begin_h: float, hours: float, value: float) -> Callable[[Array, Table], object]:
    def change(time_s: Array, table: Table) -> None:
        span = (time_s >= 3600.0 * begin_h) & (time_s < 3600.0 * (begin_h + hours))
        table[channel][span] = value + 1e-9 * time_s[span]

    return change


# -- pressure --------------------------------------------------------------------------------------------------


def test_over_full_scale() -> None:
    sentence = only(told(put("rear_left.pressure", 3.0, 2.0, 17.2e5)), "rear_left", "implausible_input")
    assert sentence == (
        "the pressure reads up to 17.2 bar from Fri 15 Jan 21:00 to Fri 15 Jan 22:59, and the transducer ends at "
        "16 bar: check full_scale in the settings, the unit and the wiring"
    )
    assert not any(told(put("rear_left.pressure", 3.0, 2.0, 16.1e5)).values())
    assert not any(told(put("rear_left.pressure", 3.0, 0.02, 17.2e5)).values())  # a spike
    assert any(told(lambda _t, _v: None, text='[pressure_sensor]\nfull_scale = "4 bar"').values())


def test_at_the_end_of_the_range() -> None:
    def stuck(value: float) -> Callable[[Array, Table], object]:
        def change(time_s: Array, table: Table) -> None:
            table["rear_left.pressure"][time_s > 36_000.0] = value

        return change

    assert "stands at the end" in only(told(stuck(16e5)), "rear_left", "implausible_input")
    assert not any(told(stuck(15.8e5)).values())


def test_more_than_air_springs_hold_and_less_than_nothing() -> None:
    text = '[pressure_sensor]\nfull_scale = "40 bar"'
    said = told(put("rear_left.pressure", 3.0, 2.0, 22e5), text=text)
    assert "more than any air spring holds" in only(said, "rear_left", "implausible_input")
    assert not any(told(put("rear_left.pressure", 3.0, 2.0, 20e5), text=text).values())
    assert "below the air's" in only(
        told(put("rear_left.pressure", 3.0, 2.0, -35e3)), "rear_left", "implausible_input"
    )
    assert not any(told(put("rear_left.pressure", 3.0, 11.0, -16e3)).values())  # sealed, 1500 m up, empty


def test_psi() -> None:
    def psi(_time_s: Array, table: Table) -> None:
        for name in CORNERS:
            table[f"{name}.pressure"] *= 0.1450377

    sentence = told(psi)["front_left"][0].sentence
    assert "psi would be" in sentence
    # empty, and low lines
    for share in (0.0, 0.4):

        def low(_time_s: Array, table: Table, share: float = share) -> None:
            for name in CORNERS:
                table[f"{name}.pressure"] *= share

        assert not any(told(low).values())


def test_a_transducer_twice() -> None:
    def twice(_time_s: Array, table: Table) -> None:
        table["rear_left.pressure"] = table["rear_right.pressure"].copy()

    said = told(twice)
    assert "rear_right reads exactly the same" in said["rear_left"][0].sentence
    assert "rear_left reads exactly the same" in said["rear_right"][0].sentence
    assert not said["front_left"]
    assert not said["front_right"]

    def coarse(_time_s: Array, table: Table) -> None:
        for name in CORNERS:
            table[f"{name}.pressure"] = np.round(table["front_left.pressure"] / 1e4) * 1e4
            table[f"{name}.pressure"][::7] += 1e4 * CORNERS.index(name)

    assert not any(told(coarse).values())
    # two that were let out read nothing, and that alike
    assert not any(
        told(lambda _t, v: [v[f"{n}.pressure"].fill(0.0) for n in ("rear_left", "rear_right")]).values()
    )


# -- surroundings ----------------------------------------------------------------------------------------------


def test_the_airs_temperature() -> None:
    air = "ambient.temperature"

    def unplugged(time_s: Array, table: Table) -> None:
        table[air][(time_s > 18_000.0) & (time_s < 36_000.0)] = 358.15

    sentence = shared(told(unplugged), "implausible_input")
    assert "85.0 °C from Fri 15 Jan 23:00 to Sat 16 Jan 03:59" in sentence
    assert "60.0 °C" in shared(told(put(air, 4.0, 1.0, 333.15)), "implausible_input")
    assert not any(told(put(air, 4.0, 0.02, 333.15)).values())
    assert not any(told(put(air, 0.2, 0.5, 273.15 + 54.0)).values())  # two jumps, in the sun behind glass
    assert "-46.0 °C" in shared(told(put(air, 3.0, 10.0, 273.15 - 46.0)), "implausible_input")
    said = told(put(air, 3.0, 11.5, 273.15 - 44.0), "standing-14")
    assert "no car is parked there" not in str(said)  # but the car contradicts it

    def kelvin(_time_s: Array, table: Table) -> None:
        table[air] += 273.15

    assert "looks like kelvin" in shared(told(kelvin), "implausible_input")


def test_a_loose_thermometer() -> None:
    def jumps(count: int) -> Callable[[Array, Table], object]:
        def change(time_s: Array, table: Table) -> None:
            times = np.floor(time_s / 1200.0 - 20.0)
            warm = (times >= 0) & (times < count) & (times % 2 == 0)
            table["ambient.temperature"][warm] += 25.0

        return change

    assert "jumped 4 times by more than 15 K in a minute" in shared(told(jumps(3)), "implausible_input")
    assert not any(told(jumps(1)).values())  # brought in and out once


def test_the_barometer() -> None:
    barometer = "ambient.pressure"
    assert "10.1 kPa" in shared(told(put(barometer, 3.0, 11.0, 10.1e3)), "implausible_input")
    assert "faster than any weather" in shared(told(put(barometer, 3.0, 11.0, 107e3)), "implausible_input")
    assert not any(told(put(barometer, 3.0, 0.02, 10.1e3)).values())
    assert not any(told(lambda _t, v: v.__setitem__(barometer, v[barometer] - 45e3)).values())  # 5000 m up


def test_the_gas_thermometer() -> None:
    for kelvin, word in ((358.15, "has not measured"), (380.0, "106.9 °C"), (273.15 + 290.0, "kelvin")):

        def change(time_s: Array, table: Table, kelvin: float = kelvin) -> None:
            table["rear_left.gas_temperature"][time_s > 20_000.0] = kelvin

        assert word in only(told(change, "probe-standing-14"), "rear_left", "implausible_input")
    assert not any(
        told(put("rear_left.gas_temperature", 0.0, 2.0, 273.15 + 95.0), "probe-standing-14").values()
    )


# -- heights and support ---------------------------------------------------------------------------------------


def test_a_height_beyond_the_arch() -> None:
    def swing(metres: float) -> Callable[[Array, Table], object]:
        return lambda t, v: v["rear_left.height"].__setitem__(t > 40_000.0, 0.36 - metres)

    assert "more than a wheel moves" in only(
        told(swing(0.27), "standing-14"), "rear_left", "implausible_input"
    )
    assert not any(told(swing(0.18), "standing-14").values())


@pytest.mark.parametrize("seed", range(4))
def test_a_standing_car_judged_as_blocked(seed: int) -> None:
    time_s, table = cold("standing", seed)
    settings = settings_of(CASES["blocked-14"])
    assert "the body sank by" in shared(doubts_of(time_s, table, settings), "wrong_support")
    without = {name: values for name, values in table.items() if "height" not in name}
    assert "hardly moved while the air fell" in shared(doubts_of(time_s, without, settings), "wrong_support")


@pytest.mark.parametrize("seed", range(4))
def test_a_blocked_car_judged_as_standing(seed: int) -> None:
    time_s, table = cold("blocked", seed)
    settings = settings_of(CASES["standing-14"])
    assert "all pressures fell with the air" in shared(doubts_of(time_s, table, settings), "wrong_support")
    rng = np.random.default_rng(seed)
    for name in CORNERS:
        table[f"{name}.height"] = 0.36 + 2e-4 * rng.standard_normal(len(time_s))
    assert "no height moves by 3 mm" in shared(doubts_of(time_s, table, settings), "wrong_support")


def test_a_mild_night_says_nothing_of_the_support() -> None:
    for seed in range(3):
        time_s, table = cold("standing", seed, fall_K=7.0)
        without = {name: values for name, values in table.items() if "height" not in name}
        assert not any(doubts_of(time_s, without, settings_of(CASES["blocked-14"])).values())


@pytest.mark.parametrize("factor", [0.1, 1e-3, 1.0 / 25.4])
def test_heights_that_sink_too_little_for_the_cold(factor: float) -> None:
    """In cm, m and inches; a live rig's, or a recording's that is rounded too coarsely to show it."""
    settings = settings_of(CASES["standing-14"])
    for seed in range(3):
        time_s, table = cold("standing", seed, fall_K=20.0)
        assert not any(doubts_of(time_s, table, settings).values())
        for name in CORNERS:
            table[f"{name}.height"] = np.round(factor * table[f"{name}.height"], 4)
        sentence = shared(doubts_of(time_s, table, settings), "implausible_input")
        assert "mm where the cold asks for about" in sentence
        assert "check their unit" in sentence


def test_a_short_column_sinks_enough() -> None:
    """Half of what the settings say."""
    settings = settings_of(CASES["standing-14"])
    for seed in range(3):
        time_s, table = cold("standing", seed, fall_K=20.0)
        for name in CORNERS:
            table[f"{name}.height"] = 0.5 * table[f"{name}.height"]
        assert not any(doubts_of(time_s, table, settings).values())


def test_gas_that_cools_slowly_is_waited_for() -> None:
    """A lag of four hours, twice what a wheel arch has: no doubt at any time of the night."""
    time_s = np.arange(0.0, 50_400.0, 60.0)
    air = np.where(time_s < 1800.0, 293.0, 268.0)
    gas = np.where(time_s < 1800.0, 293.0, 268.0 + 25.0 * np.exp(-(time_s - 1800.0) / 14_400.0))
    rng = np.random.default_rng(2)
    table = {
        f"{name}.pressure": 8e5 * gas / 293.0 - 1.01e5 + 700.0 * rng.standard_normal(840) for name in CORNERS
    }
    table["ambient.temperature"] = air
    watch = Plausibility(settings_of(CASES["blocked-14"]), CORNERS)
    for part in np.array_split(np.arange(840), 84):
        watch.feed(time_s[part], {name: values[part] for name, values in table.items()})
        assert not watch.doubts("front_left"), time_s[part[-1]] / 3600.0


def test_a_height_that_stands_still_beside_a_pressure_that_swings() -> None:
    def change(swing: float, travel: float) -> Callable[[Array, Table], object]:
        def apply(time_s: Array, table: Table) -> None:
            table["rear_left.pressure"] *= 1.0 - swing * time_s / time_s[-1]
            table["rear_left.height"] = 0.36 - travel * time_s / time_s[-1]

        return apply

    said = told(change(0.35, 0.001), "standing-14")
    assert "one of them is wrong" in only(said, "rear_left", "implausible_input")
    assert not any(told(change(0.35, 0.02), "standing-14").values())
    assert not any(told(change(0.08, 0.001), "standing-14").values())


# -- sampling --------------------------------------------------------------------------------------------------


def every(minutes: float, case: str = "blocked-14") -> dict[str, list[Reason]]:
    time_s, table = soak(case)
    times = np.arange(0.0, time_s[-1], 60.0 * minutes)
    thin = {name: np.interp(times, time_s[np.isfinite(v)], v[np.isfinite(v)]) for name, v in table.items()}
    return doubts_of(times, thin, settings_of(CASES[case]))


def test_slow_sampling() -> None:
    assert shared(every(15.0), "sampling_too_slow") == (
        "a reading every 15 min is too slow to tell a burst from cooling: log at least every 10 min, better every minute"
    )
    assert shared(every(11.0), "sampling_too_slow")
    for minutes in (10.0, 5.0, 1.0):
        assert not any(every(minutes).values())


def test_a_gap_is_no_sampling() -> None:
    time_s, table = soak("blocked-14")
    kept = (time_s < 7200.0) | (time_s > 40_000.0)
    assert not any(
        doubts_of(
            time_s[kept], {n: v[kept] for n, v in table.items()}, settings_of(CASES["blocked-14"])
        ).values()
    )


def test_a_handful_of_readings() -> None:
    time_s, table = soak("blocked-14")
    for name in CORNERS[:1]:
        table[f"{name}.pressure"][5:-5] = np.nan
    sentence = only(
        doubts_of(time_s, table, settings_of(CASES["blocked-14"])), "front_left", "sampling_too_slow"
    )
    assert sentence.startswith("10 readings in 14 h")


# -- online ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pieces", [3, 50, 840])
def test_however_the_stream_is_cut(pieces: int) -> None:
    time_s, table = soak("standing-14")
    put("front_left.pressure", 3.0, 2.0, 17e5)(time_s, table)
    put("ambient.temperature", 4.0, 1.0, 340.0)(time_s, table)
    put("rear_right.height", 4.0, 2.0, 0.7)(time_s, table)
    table["rear_left.pressure"] = table["front_right.pressure"].copy()
    settings = settings_of(CASES["standing-14"])
    whole = doubts_of(time_s, table, settings)
    assert all(whole.values())
    watch = Plausibility(settings, CORNERS, begin_utc=BEGIN)
    for part in np.array_split(np.arange(len(time_s)), pieces):
        watch.feed(time_s[part], {name: values[part] for name, values in table.items()})
    watch.finish()
    assert {name: watch.doubts(name) for name in CORNERS} == whole


def test_a_doubt_is_there_while_the_soak_goes_on() -> None:
    time_s, table = soak("blocked-14")
    put("ambient.temperature", 2.0, 12.5, 340.0)(time_s, table)
    watch = Plausibility(settings_of(CASES["blocked-14"]), CORNERS)
    early, late = time_s < 7200.0, (time_s >= 7200.0) & (time_s < 9000.0)
    watch.feed(time_s[early], {n: v[early] for n, v in table.items()})
    assert watch.doubts("front_left") == []
    watch.feed(time_s[late], {n: v[late] for n, v in table.items()})
    (doubt,) = watch.doubts("front_left")
    assert "since 2.0 h after the begin" in doubt.sentence
