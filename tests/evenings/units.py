"""Columns in another unit than their header says: refused at the door, or nothing said."""

from __future__ import annotations

from tests.evenings.catalogue import BOTH, STANDING, evening
from tests.evenings.night import CORNERS, FL, FR, RR, Night, Scene, Values

NONSENSE = ("implausible_input", "empty")


def leaks(night: Night) -> None:
    """Corners that leak 6 and 20 %/day beside tight ones: a wrong unit must not hide them."""
    night.leak(FL, 6.0)
    night.leak(RR, 20.0)
    night.untested()


@evening("pressures in bar in the column of kPa", supports=BOTH, reasons=NONSENSE, door=True)
def pressure_in_bar(night: Night) -> None:
    night.lay_all("pressure", lambda v, _s: v / 100.0)
    leaks(night)


@evening("pressures in MPa in the column of kPa", supports=BOTH, reasons=NONSENSE, door=True)
def pressure_in_MPa(night: Night) -> None:
    night.lay_all("pressure", lambda v, _s: v / 1000.0)
    leaks(night)


@evening("pressures in Pa in the column of kPa", supports=BOTH, reasons=NONSENSE, door=True)
def pressure_in_Pa(night: Night) -> None:
    night.lay_all("pressure", lambda v, _s: v * 1000.0)
    leaks(night)


@evening("pressures in psi in the column of kPa", supports=BOTH, reasons=NONSENSE, door=True)
def pressure_in_psi(night: Night) -> None:
    # 118 psi look like 1.2 bar: low for a spring, and that is all that can be seen; so only the truth counts
    night.lay_all("pressure", lambda v, _s: v / 6.894757)
    night.leak(FL, 6.0)
    night.leak(RR, 20.0)


@evening("pressures in mbar in the column of kPa", reasons=NONSENSE, door=True)
def pressure_in_mbar(night: Night) -> None:
    night.lay_all("pressure", lambda v, _s: v * 10.0)
    leaks(night)


@evening("one pressure of four in bar", reasons=NONSENSE, door=True)
def one_pressure_in_bar(night: Night) -> None:
    night.lay(f"{FR}.pressure", lambda v, _s: v / 100.0)
    night.untested(FR)
    night.asks = (FR,)


@evening("pressures in bar from hour 5 on: the file was put together from two", reasons=NONSENSE, door=True)
def pressure_turns_to_bar(night: Night) -> None:
    night.lay_all("pressure", lambda v, _s: v / 100.0, from_h=5.0)
    night.bears("leak", "burst", "floor")
    night.untested()


@evening(
    "heights in cm in the column of mm", supports=STANDING, hours=(14.0, 62.0), reasons=NONSENSE, door=True
)
def height_in_cm(night: Night) -> None:
    night.lay_all("height", lambda v, _s: v / 10.0)
    leaks(night)


@evening("heights in m in the column of mm", supports=STANDING, reasons=NONSENSE, door=True)
def height_in_m(night: Night) -> None:
    night.lay_all("height", lambda v, _s: v / 1000.0)
    leaks(night)


@evening("heights in inch in the column of mm", supports=STANDING, reasons=NONSENSE, door=True)
def height_in_inch(night: Night) -> None:
    night.lay_all("height", lambda v, _s: v / 25.4)
    leaks(night)


@evening("height and pressure of a corner swapped", supports=STANDING, reasons=NONSENSE, door=True)
def height_and_pressure_swapped(night: Night) -> None:
    def swap(values: Values, _scene: Scene) -> None:
        pressure_kPa, height_mm = values[f"{FL}.pressure"] / 1e3, values[f"{FL}.height"] * 1e3
        values[f"{FL}.pressure"], values[f"{FL}.height"] = height_mm * 1e3, pressure_kPa / 1e3

    night.change(swap)
    night.untested(FL)
    night.asks = (FL,)


@evening("a raw count of the converter in the column of kPa", reasons=NONSENSE, door=True)
def raw_counts(night: Night) -> None:
    night.lay_all("pressure", lambda v, _s: (v / 1.6e6 * 0.8 + 0.1) * 26_000 * 1e3)
    night.untested()


@evening("the barometer in every pressure column", reasons=NONSENSE, door=True)
def barometer_everywhere(night: Night) -> None:
    def everywhere(values: Values, _scene: Scene) -> None:
        for name in CORNERS:
            values[f"{name}.pressure"] = values["ambient.pressure"].copy()

    night.change(everywhere)
    night.untested()
