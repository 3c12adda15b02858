"""What a loss means as a hole: its flow, the round hole or the fine channel that would pass it, its bubbles under water.

Two pictures, because nobody sees the leak. A hole in a thin wall passes gas as a nozzle does: choked, whatever the
pressure outside, once the inside has about twice of it. A long fine path (along a seal, through a cracked
hose) passes it as a capillary does: by friction, and is several times wider for the same flow. The truth lies
between or beyond; both are for people to know where to look and with what, and no verdict rests on them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.gas import GASES, log_density
from logger.units import GAS_CONSTANT_J_PER_mol_K, SCCM_mol_per_s

if TYPE_CHECKING:
    from collections.abc import Mapping

ANR_DENSITY_kg_per_m3: Final = 1.185
ANR_TEMPERATURE_K: Final = 293.15
"""Reference air of ISO 8778 (ANR: 20 °C, 100 kPa, 65 % relative humidity), on which ISO 6358 stands; secondary copies."""
HEAT_RATIO: Final = 1.4
"""cp/cv of a gas of two atoms near room temperature, ideal."""
CRITICAL_RATIO: Final[float] = (2.0 / (HEAT_RATIO + 1.0)) ** (HEAT_RATIO / (HEAT_RATIO - 1.0))
"""Outer over inner pressure below which the flow of a nozzle is choked: 0.528."""
CHOKED: Final[float] = math.sqrt(HEAT_RATIO) * (2.0 / (HEAT_RATIO + 1.0)) ** (
    (HEAT_RATIO + 1.0) / (2.0 * (HEAT_RATIO - 1.0))
)
"""Choked mass flow in units of p·A/√(R_s·T): 0.6847."""
CHANNEL_LENGTH_m: Final = 5e-3
"""Length of the channel of the second picture: about a seal's seat (own choice)."""
LAMINAR: Final = 2000.0
"""Reynolds number below which the flow in a channel is laminar (textbook)."""
ENDS_SHARE: Final = 0.1
"""The channel's picture is dropped where losses at its ends are more than this beside its friction (own choice)."""
BUBBLE_DIAMETER_m: Final = 3e-3
"""A bubble as it lets go of a fitting under water (common practice, no source)."""
WATER_TEMPERATURE_K: Final = 293.15
WATER_TENSION_N_per_m: Final = 0.07275
"""Surface tension of water at 20 °C (from memory; CoolProp has the same)."""
_MOLAR_MASS_kg_per_mol: Final[Mapping[str, float]] = MappingProxyType(
    # nitrogen and dry air as in their reference equations of state (see analysis/gas.py)
    {"nitrogen": 28.01348e-3, "dry air": 28.96546e-3, "shop air": 28.96546e-3}
)
_VISCOSITY_Pa_s: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    # at 273.15 K, and Sutherland's temperature (from memory; within 1 % of CoolProp from 240 to 330 K)
    {"nitrogen": (1.663e-5, 107.0), "dry air": (1.716e-5, 111.0), "shop air": (1.716e-5, 111.0)}
)


def iso_mass_flow(
    conductance: float, critical_ratio: float, inside_Pa: float, outside_Pa: float, inside_K: float
) -> float:
    """Mass flow of air through a component, kg/s; sonic conductance in m³/(s·Pa), absolute pressures.

    ISO 6358 (as simulation tools' manuals print it; the standard itself was not read):
    q = C·ρ₀·p₁·√(T₀/T₁), times √(1 − ((p₂/p₁ − b)/(1 − b))²) where p₂/p₁ > b. No flow inwards: 0 if p₂ ≥ p₁.

    >>> round(iso_mass_flow(1e-8, 0.35, 7e5, 1e5, 293.15), 6)  # a public worked example
    0.008295
    """
    ratio = outside_Pa / inside_Pa
    if ratio >= 1.0:
        return 0.0
    choked = conductance * ANR_DENSITY_kg_per_m3 * inside_Pa * math.sqrt(ANR_TEMPERATURE_K / inside_K)
    if ratio <= critical_ratio:
        return choked
    return choked * math.sqrt(1.0 - ((ratio - critical_ratio) / (1.0 - critical_ratio)) ** 2)


def nozzle_flux(inside_Pa: float, outside_Pa: float, inside_K: float, molar_mass: float) -> float:
    """Mass flow through one square metre of an ideal nozzle, kg/(s·m²); molar mass in kg/mol, absolute pressures.

    Choked, 0.6847·p/√(R_s·T), where p₂/p₁ is at most 0.528; above, isentropic to the pressure outside:
    p·√(2γ/((γ−1)·R_s·T)·(r^(2/γ) − r^((γ+1)/γ))). Textbook (e.g. White, Fluid Mechanics, chapter 9).
    """
    ratio = outside_Pa / inside_Pa
    if ratio >= 1.0:
        return 0.0
    speed = math.sqrt(GAS_CONSTANT_J_PER_mol_K / molar_mass * inside_K)
    if ratio <= CRITICAL_RATIO:
        return CHOKED * inside_Pa / speed
    expansion = float(ratio ** (2.0 / HEAT_RATIO) - ratio ** ((HEAT_RATIO + 1.0) / HEAT_RATIO))
    return inside_Pa / speed * math.sqrt(2.0 * HEAT_RATIO / (HEAT_RATIO - 1.0) * expansion)


def sonic_conductance(area_m2: float) -> float:
    """ISO 6358 sonic conductance of an ideal nozzle of this area, m³/(s·Pa); 1e-8 of it are 1 dm³/(s·bar).

    The choked flow of air by both formulas: C = 0.6847·A/(ρ₀·√(R_s·T₀)).

    >>> round(sonic_conductance(1e-6) * 1e9, 3)  # one square millimetre
    1.992
    """
    per_Pa = nozzle_flux(1.0, 0.0, ANR_TEMPERATURE_K, _MOLAR_MASS_kg_per_mol["dry air"])
    return float(area_m2 * per_Pa / ANR_DENSITY_kg_per_m3)


def viscosity_Pa_s(temperature_K: float, gas: str) -> float:
    """Viscosity by Sutherland's formula, μ₀·(T/T₀)^1.5·(T₀ + S)/(T + S); 240–330 K, within 1 %."""
    reference, sutherland_K = _VISCOSITY_Pa_s[gas]
    ratio = temperature_K / 273.15
    return float(reference * ratio**1.5 * (273.15 + sutherland_K) / (temperature_K + sutherland_K))


def channel_diameter_m(
    flow_mol_per_s: float, inside_Pa: float, outside_Pa: float, temperature_K: float, gas: str
) -> float | None:
    """Diameter of the round channel, CHANNEL_LENGTH_m long, that passes this flow by friction; None if it is no such.

    Hagen–Poiseuille with an ideal gas that expands at constant temperature:
    n' = π·d⁴·(p₁² − p₂²)/(256·μ·L·R·T) (textbook; the integral of the incompressible law over the length). It
    holds while the flow is laminar and the losses at the ends are small beside the friction.
    """
    viscosity = viscosity_Pa_s(temperature_K, gas)
    heat = GAS_CONSTANT_J_PER_mol_K * temperature_K
    drop = math.pi * (inside_Pa**2 - outside_Pa**2)
    diameter = float((256.0 * viscosity * CHANNEL_LENGTH_m * heat * flow_mol_per_s / drop) ** 0.25)
    mass_flow = flow_mol_per_s * _MOLAR_MASS_kg_per_mol[gas]
    reynolds = 4.0 * mass_flow / (math.pi * diameter * viscosity)
    ends = reynolds * diameter / (64.0 * CHANNEL_LENGTH_m)
    return diameter if reynolds < LAMINAR and ends < ENDS_SHARE else None


@dataclass(frozen=True, slots=True)
class Hole:
    """A loss as a flow, and what would pass it."""

    flow_mol_per_s: float
    diameter_m: float
    """Of a round hole in a thin wall, an ideal nozzle: a real one is a little wider."""
    channel_m: float | None
    """Diameter of a channel CHANNEL_LENGTH_m long; None where the flow is too fast for one."""
    conductance: float
    """ISO 6358 sonic conductance of the hole, m³/(s·Pa)."""
    choked: bool
    """Whether the pressure outside matters no more."""
    bubble_every_s: float
    """Time between bubbles of BUBBLE_DIAMETER_m under water at the pressure outside."""
    water_closes: bool
    """Whether the surface tension of water can hold a round hole so fine against the pressure, p = 4·γ/d."""

    @property
    def flow_sccm(self) -> float:
        """Flow in standard cubic centimetres per minute (0 °C, 101325 Pa)."""
        return self.flow_mol_per_s / SCCM_mol_per_s

    @property
    def flow_cm3_per_min(self) -> float:
        """Volume in cm³/min that the gas has outside at 20 °C; what a bubble or a flow meter shows."""
        return math.pi / 6.0 * BUBBLE_DIAMETER_m**3 * 1e6 * 60.0 / self.bubble_every_s


def hole_of(
    loss_per_s: float,
    absolute_Pa: float,
    volume_m3: float,
    temperature_K: float,
    outside_Pa: float,
    gas: str = "nitrogen",
) -> Hole | None:
    """What a loss of -d(ln n)/dt from this volume means; None where nothing flows out.

    Amount n = p·V/(Z·R·T), flow = loss·n; hole and channel are those that pass it from absolute_Pa to outside_Pa.

    >>> hole = hole_of(0.02 / 86400, 8e5, 3.2e-3, 293.15, 101325.0)  # 2 %/day of a strut
    >>> round(hole.diameter_m * 1e6, 1), round(hole.channel_m * 1e6, 1)
    (2.2, 9.1)
    """
    if not (loss_per_s > 0.0 and absolute_Pa > outside_Pa > 0.0):
        return None
    density = np.exp(log_density(np.array(absolute_Pa), np.array(temperature_K), GASES[gas]))
    flow = loss_per_s * float(density) * volume_m3
    molar_mass = _MOLAR_MASS_kg_per_mol[gas]
    area_m2 = flow * molar_mass / nozzle_flux(absolute_Pa, outside_Pa, temperature_K, molar_mass)
    outside_m3_per_s = flow * GAS_CONSTANT_J_PER_mol_K * WATER_TEMPERATURE_K / outside_Pa
    diameter_m = math.sqrt(4.0 * area_m2 / math.pi)
    return Hole(
        flow_mol_per_s=flow,
        diameter_m=diameter_m,
        channel_m=channel_diameter_m(flow, absolute_Pa, outside_Pa, temperature_K, gas),
        conductance=sonic_conductance(area_m2),
        choked=outside_Pa / absolute_Pa <= CRITICAL_RATIO,
        bubble_every_s=math.pi / 6.0 * BUBBLE_DIAMETER_m**3 / outside_m3_per_s,
        water_closes=4.0 * WATER_TENSION_N_per_m / diameter_m > absolute_Pa - outside_Pa,
    )


def hole_words(hole: Hole) -> str:
    """Return what the hole is like, in a sentence for the person who looks for it.

    >>> hole_words(hole_of(0.02 / 86400, 8e5, 3.2e-3, 293.15, 101325.0))
    '0.35 cm³ of gas a minute: as through a hole of 2 µm, or a channel of 9 µm and 5 mm long; under water a 3 mm \
bubble every 2 s'
    """
    hole_is = f"as through a hole of {_length(hole.diameter_m)}"
    if hole.channel_m is not None:
        hole_is += f", or a channel of {_length(hole.channel_m)} and {1e3 * CHANNEL_LENGTH_m:g} mm long"
    gas = _volume(hole.flow_cm3_per_min)
    bubbles = _bubbles(hole.bubble_every_s)
    if hole.water_closes:
        bubbles += ", or none, for water can close a hole so fine"
    return f"{gas} of gas a minute: {hole_is}; under water {bubbles}"


def _volume(cm3: float) -> str:
    return f"{cm3 / 1e3:.2g} L" if cm3 >= 950.0 else f"{float(f'{cm3:.2g}'):g} cm³"


def _length(metres: float) -> str:
    if metres >= 0.995e-3:
        return f"{1e3 * metres:.2g} mm"
    micrometres = 1e6 * metres
    if micrometres < 0.1:
        return "less than 0.1 µm"
    return f"{micrometres:.1f} µm" if micrometres < 0.95 else f"{float(f'{micrometres:.2g}'):.0f} µm"


def _bubbles(every_s: float) -> str:
    size = f"{1e3 * BUBBLE_DIAMETER_m:g} mm"
    if every_s < 0.1:
        return "a stream of bubbles"
    if every_s < 0.95:
        return f"{1.0 / every_s:.0f} bubbles of {size} a second"
    if every_s < 120.0:
        return f"a {size} bubble every {every_s:.0f} s"
    if every_s < 3 * 3600.0:
        return f"a {size} bubble every {every_s / 60.0:.0f} min"
    return f"less than one {size} bubble in three hours"
