"""Columns in another unit are refused by name of the unit; empty corners, bursts and spikes are not."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.plausible_units import nonsense, slips_of_a_bus
from analysis.recording import RecordingError, parse_recording
from logger.virtual.leaks import Leak
from logger.virtual.physics import simulate
from logger.virtual.plan import SoakPlan
from logger.virtual.sensors import SensorPriors

Array = NDArray[np.float64]
Table = dict[str, Array]
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
FACTORS = {"pressure": (1e-3, "pressure_kPa"), "height": (1e3, "height_mm")}


@cache
def _night(seed: int, support: str = "standing") -> Table:
    plan = SoakPlan(
        support="standing" if support == "standing" else "blocked",
        hours=14.0,
        leaks=(Leak("rear_left", 0.06 / 86400.0),),
        sensors=SensorPriors(gas_thermometer=True),
    )
    out = {}
    for name, values in simulate(plan, seed).measured.items():
        section, _, what = name.rpartition(".")
        if what in {"temperature", "gas_temperature"}:
            out[f"{section}.{'gas' if what == 'gas_temperature' else what}_degC"] = values - 273.15
        elif what in FACTORS:
            factor, ending = FACTORS[what]
            out[f"{section}.{ending}"] = values * factor
    return out


def night(seed: int = 1, support: str = "standing") -> Table:
    """Columns as a recording has them."""
    return dict(_night(seed, support))


def changed(table: Table, ending: str, change: Callable[[Array], Array], only: str = "") -> Table:
    """All columns of a kind (or `only` that of one section) changed."""
    picked = f"{only}.{ending}" if only else f".{ending}"
    return {name: change(v) if name.endswith(picked) else v for name, v in table.items()}


def sections(change: Callable[[Array], Array], table: Table | None = None) -> Table:
    """The pressures of all sections changed, the barometer left as it is."""
    table = night() if table is None else table
    return {
        n: change(v) if n.endswith("pressure_kPa") and "ambient" not in n else v for n, v in table.items()
    }


@pytest.mark.parametrize("support", ["blocked", "standing"])
def test_ordinary_nights_are_let_in(support: str) -> None:
    for seed in range(12):
        assert nonsense(night(seed, support)) is None


@pytest.mark.parametrize(
    ("factor", "unit", "decimals"),
    [
        (factor, unit, decimals)
        for factor, unit in ((1e-2, "bar"), (1e-3, "MPa"), (1e3, "Pa"), (10.0, "hPa"))
        for decimals in (1, 2, 3, 6)
        if (unit, decimals) != ("MPa", 1)  # 0.7 and 0.8 in turn may as well be an empty corner
    ],
)
def test_pressures_of_another_unit_are_named(factor: float, unit: str, decimals: int) -> None:
    for seed in range(5):
        table = sections(lambda v: np.round(v * factor, decimals), night(seed))
        found = nonsense(table)
        assert found is not None
        assert unit in found.reason
        assert "the column says kPa" in found.reason
        assert found.column == "front_left.pressure_kPa"
        assert found.place == 0


@pytest.mark.parametrize(
    ("factor", "unit", "bar"),
    [
        (factor, unit, bar)
        for factor, unit in ((1e-2, "bar"), (1e-3, "MPa"), (1e3, "Pa"), (10.0, "hPa"))
        for bar in (2.0, 12.0, 20.0)
        if (unit, bar)
        not in {("hPa", 2.0), ("MPa", 20.0)}  # 2000 kPa is a full system line, 2.0 is bar as well
    ],
)
def test_from_a_valve_block_to_a_system_line(factor: float, unit: str, bar: float) -> None:
    rng = np.random.default_rng(3)
    kPa = 100.0 * bar + 0.7 * rng.standard_normal((2, 800))
    one = {"a.pressure_kPa": factor * kPa[0]}
    found = nonsense(one)
    if unit != "MPa":
        assert found is not None
        assert unit in found.reason
    found = nonsense({**one, "b.pressure_kPa": factor * kPa[1]})
    assert found is not None
    assert unit in found.reason
    # the same in kPa is let in
    assert nonsense({"a.pressure_kPa": kPa[0]}) is None


def test_one_section_in_pascals_beside_others_that_are_right() -> None:
    found = nonsense(changed(night(), "pressure_kPa", lambda v: v * 1e3, only="rear_left"))
    assert found is not None
    assert found.column == "rear_left.pressure_kPa"


def test_bar_with_an_empty_corner_and_one_that_bursts() -> None:
    table = sections(lambda v: v * 1e-2)
    table["front_left.pressure_kPa"] = np.round(0.003 + 0.0 * table["front_left.pressure_kPa"], 3)
    table["rear_left.pressure_kPa"][200:] = 0.0
    found = nonsense({n: v for n, v in table.items() if "height" not in n})
    assert found is not None
    assert "bar" in found.reason
    assert found.column != "front_left.pressure_kPa"


def noisy(level: float, deviation: float, seed: int, n: int = 840) -> Array:
    return np.round((level + deviation * np.random.default_rng(seed).standard_normal(n)) / 0.0615) * 0.0615


def test_pascals_of_a_corner_that_bursts() -> None:
    values = 1e3 * noisy(720.0, 0.7, 4)
    values[180:] = 300.0
    found = nonsense({"a.pressure_kPa": values})
    assert found is not None
    assert "Pa" in found.reason


@pytest.mark.parametrize("offset_kPa", [-9.0, -1.0, 0.0, 0.3, 1.2, 3.0, 8.18, 16.0])
def test_an_empty_corner_is_let_in(offset_kPa: float) -> None:
    """Alone, beside full ones, and with its transducer's zero off by up to 1 % of 16 bar."""
    for deviation in (0.2, 0.7):
        flat = noisy(offset_kPa, deviation, 1)
        assert nonsense({"a.pressure_kPa": flat}) is None
        assert nonsense({"a.pressure_kPa": flat, "b.pressure_kPa": noisy(700.0, 0.7, 2)}) is None
    assert nonsense({"a.pressure_kPa": np.full(840, max(offset_kPa, 0.0))}) is None
    quiet = offset_kPa + 0.02 * np.random.default_rng(1).standard_normal(840)
    assert nonsense({"a.pressure_kPa": quiet, "b.pressure_kPa": noisy(700.0, 0.7, 2)}) is None


def test_all_valves_open_is_let_in() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        table = {
            f"s{k}.pressure_kPa": noisy(rng.normal(0.0, 1.6), rng.uniform(0.1, 0.9), 100 * seed + k)
            for k in range(4)
        }
        assert nonsense(table) is None
        # absolute transducers
        assert nonsense({name: values + 101.3 for name, values in table.items()}) is None


@pytest.mark.parametrize("hour", [0.1, 3.0, 13.9])
@pytest.mark.parametrize("to_kPa", [0.0, 0.3, 2.5, 8.0])
def test_a_burst_is_let_in_at_any_hour(hour: float, to_kPa: float) -> None:
    values = noisy(720.0, 0.7, 4)
    values[round(hour * 60.0) :] = noisy(to_kPa, 0.5, 5)[round(hour * 60.0) :]
    assert nonsense({"a.pressure_kPa": values}) is None
    assert nonsense({"a.pressure_kPa": values, "b.pressure_kPa": noisy(700.0, 0.7, 2)}) is None


def test_a_spike_and_a_channel_that_dies_are_let_in() -> None:
    values = noisy(720.0, 0.7, 4)
    values[100] = 7.2e5
    assert nonsense({"a.pressure_kPa": values}) is None
    values[170:] = 6553.5  # the converter's end, four fifths of the time
    assert nonsense({"a.pressure_kPa": values}) is None


def test_more_than_any_spring_holds() -> None:
    assert nonsense({"a.pressure_kPa": noisy(2950.0, 0.7, 1)}) is None
    found = nonsense({"a.pressure_kPa": noisy(3100.0, 0.7, 1)})
    assert found is not None
    found = nonsense({"a.pressure_kPa": noisy(60_000.0, 0.7, 1)})
    assert found is not None
    assert "600 bar" in found.reason


@pytest.mark.parametrize(("factor", "unit"), [(0.1, "cm"), (1e-3, "m;"), (1.0 / 25.4, "inches")])
def test_heights_of_another_unit_are_named(factor: float, unit: str) -> None:
    for seed in range(5):
        found = nonsense(changed(night(seed), "height_mm", lambda v: np.round(v * factor, 4)))
        assert found is not None
        assert unit in found.reason
        assert "the column says mm" in found.reason
    one = {name: v * factor for name, v in night().items() if name == "rear_right.height_mm"}
    assert nonsense(one) is not None


def test_heights_from_any_zero_are_let_in() -> None:
    for zero_mm in (0.3, 14.2, 36.0, 90.0, 360.0, 900.0):
        assert nonsense(changed(night(), "height_mm", lambda v, z=zero_mm: v - 360.0 + z)) is None
    assert nonsense(changed(night(), "height_mm", lambda v: v * 10.0)) is not None


def heights(levels_mm: tuple[float, ...], noise_mm: float, sink_mm: float = 0.0) -> Table:
    rng = np.random.default_rng(6)
    sink = sink_mm * np.linspace(0.0, 1.0, 800)
    return {
        f"s{k}.height_mm": mm - sink + noise_mm * rng.standard_normal(800) for k, mm in enumerate(levels_mm)
    }


def test_heights_are_told_from_other_units_by_noise_travel_and_one_another() -> None:
    cm, m = (36.0, 36.4, 35.8), (0.36, 0.364, 0.358)
    assert nonsense(heights(cm, 0.025)) is not None
    assert nonsense(heights(cm, 0.25)) is None
    assert nonsense(heights(cm, 0.025, sink_mm=20.0)) is None
    assert nonsense(heights((36.0, 62.0), 0.025)) is None
    assert nonsense(heights(m, 0.00025)) is not None
    assert nonsense(heights(m, 0.05)) is None


@pytest.mark.parametrize("column", ["ambient.temperature_degC", "front_left.gas_degC"])
def test_kelvin_is_named(column: str) -> None:
    table = night()
    table[column] = table[column] + 273.15
    found = nonsense(table)
    assert found is not None
    assert found.column == column
    assert "kelvin" in found.reason


def test_where_nobody_parks() -> None:
    air = "ambient.temperature_degC"
    for celsius, refused in ((-59.0, False), (59.0, False), (-61.0, True), (61.0, True), (68.0, True)):
        assert (nonsense({air: np.full(100, celsius)}) is not None) == refused, celsius
    found = nonsense({air: np.full(100, 68.0)})
    assert found is not None
    assert "°F" in found.reason


def test_a_thermometer_that_dies_is_no_nonsense() -> None:
    air = night()["ambient.temperature_degC"].copy()
    for dead in (85.0, -127.0, 1372.0, -200.0):
        half = air.copy()
        half[300:] = dead
        assert nonsense({"ambient.temperature_degC": half}) is None, dead
    assert nonsense({"ambient.temperature_degC": np.full(800, 85.0)}) is None


@pytest.mark.parametrize(
    ("factor", "unit"),
    [
        (1e3, "Pa"),
        (10.0, "hPa"),
        (1e-2, "bar"),
        (1e-3, "MPa"),
        (0.1450377, "psi"),
        (0.2953, "inHg"),
        (7.5006, "mmHg"),
    ],
)
def test_a_barometer_of_another_unit_is_named(factor: float, unit: str) -> None:
    table = night()
    table["ambient.pressure_kPa"] = table["ambient.pressure_kPa"] * factor
    found = nonsense(table)
    assert found is not None
    assert found.column == "ambient.pressure_kPa"
    assert unit in found.reason


def test_a_barometer_at_either_limit() -> None:
    for kPa, refused in ((51.0, False), (109.0, False), (49.0, True), (111.0, True), (0.0, True)):
        assert (nonsense({"ambient.pressure_kPa": np.full(50, kPa)}) is not None) == refused, kPa


def test_few_readings_say_nothing() -> None:
    assert nonsense({"a.pressure_kPa": np.array([7e5, 7e5, np.nan, 7e5, 7e5])}) is None
    assert nonsense({"a.pressure_kPa": np.array([7e5, 7e5, 7e5, 7e5, 7e5])}) is not None


# -- in a file -------------------------------------------------------------------------------------------------


def csv_of(table: Table, decimals: int = 4) -> bytes:
    lines = [",".join(("elapsed_s", *table))]
    for n, row in enumerate(zip(*table.values(), strict=True)):
        lines.append(",".join((str(60 * n), *("" if np.isnan(v) else f"{v:.{decimals}f}" for v in row))))
    return "\n".join(lines).encode()


def test_the_message_has_file_row_column_and_unit() -> None:
    table = sections(lambda v: v * 1e-2)
    table["front_left.pressure_kPa"] = table["front_left.pressure_kPa"].copy()
    table["front_left.pressure_kPa"][:3] = np.nan
    with pytest.raises(RecordingError) as caught:
        parse_recording(csv_of(table), "bay.csv")
    error = caught.value
    assert (error.row, error.column) == (5, "front_left.pressure_kPa")
    cell = f"{table['front_left.pressure_kPa'][3]:.4f}"
    assert str(error) == (
        f"bay.csv, row 5, column 'front_left.pressure_kPa': {cell} looks like bar; the column says kPa"
    )


def test_a_single_barometer_reading_names_its_unit() -> None:
    with pytest.raises(RecordingError, match=r"1013\.2 is physically impossible; it looks like hPa"):
        parse_recording(b"elapsed_s,a.pressure_kPa,ambient.pressure_kPa\n0,700,1013.2\n")


def test_a_thermometers_words_of_waking_up_are_left_out() -> None:
    table = {"a.pressure_kPa": noisy(700.0, 0.7, 1, 200), "ambient.temperature_degC": np.full(200, -3.0625)}
    table["ambient.temperature_degC"][[0, 50, 51]] = 85.0
    table["ambient.temperature_degC"][120] = -127.0
    readings = parse_recording(csv_of(table))
    air = readings.values["ambient.temperature"]
    assert np.flatnonzero(np.isnan(air)).tolist() == [0, 50, 51, 120]
    (note,) = readings.notes
    assert note == (
        "column 'ambient.temperature_degC' reads 85.0 °C or -127.0 °C, which such a thermometer says when it has not "
        "measured, 4 times; left out"
    )


def test_what_stays_at_85_degrees_is_kept_for_the_doubt() -> None:
    time_s = 60.0 * np.arange(200)
    air = np.full(200, -3.0)
    air[100:160] = 85.0  # 59 min from first to last
    assert len(slips_of_a_bus(time_s, air)) == 60
    air[100:163] = 85.0
    assert len(slips_of_a_bus(time_s, air)) == 0
    # a gas that is so warm
    warm = np.linspace(80.0, 90.0, 200)
    warm[100] = 85.0
    assert len(slips_of_a_bus(time_s, warm)) == 0
