"""What holds the body: struts blocked at fixed length. (A car on its wheels: standing.py.)

Both supports answer the same question for any rows of time at once: given the amounts of gas and the
temperatures, which pressure, volume and height has each section.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.virtual import gas as real_gas
from logger.virtual.draws import Draw, FloatArray, Uniform


@dataclass(frozen=True, slots=True, eq=False)
class Filling:
    """The gas over time as coefficients of p = RT·ρ·(1 + B·ρ + C·ρ²) + vapour; arrays (n, k)."""

    RT: FloatArray
    B: FloatArray
    C: FloatArray
    vapour_Pa: FloatArray

    @staticmethod
    def of(kind: real_gas.Gas, temperature_K: FloatArray, humidity: FloatArray) -> Filling:
        """Evaluate along a temperature history; `humidity` (k,) counts for shop air alone."""
        vapour = np.zeros(temperature_K.shape)
        if kind == "shop air":
            vapour = real_gas.vapour_pressure_Pa(humidity, temperature_K, temperature_K[0])
        return Filling(
            real_gas.R_J_PER_MOL_K * temperature_K,
            real_gas.second_virial_m3_per_mol(kind, temperature_K),
            real_gas.third_virial_m6_per_mol2(kind, temperature_K),
            vapour,
        )

    def row(self, index: int) -> Filling:
        """Cut one row of time out, kept two-dimensional."""
        rows = slice(index, index + 1)
        return Filling(self.RT[rows], self.B[rows], self.C[rows], self.vapour_Pa[rows])

    def pressure_Pa(self, rho: FloatArray) -> FloatArray:
        """Absolute pressure at a density in mol/m³."""
        return self.RT * rho * (1.0 + rho * (self.B + rho * self.C)) + self.vapour_Pa

    def slope(self, rho: FloatArray) -> FloatArray:
        """dp/dρ."""
        return self.RT * (1.0 + rho * (2.0 * self.B + 3.0 * rho * self.C))


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Pressure (absolute), volume and, on a standing car, height of each section, (n, k)."""

    pressure_Pa: FloatArray
    volume_m3: FloatArray
    height_m: FloatArray | None


@dataclass(frozen=True, slots=True)
class BlockedPriors:
    """How blocked struts are drawn."""

    volume_m3: Draw = Uniform(0.002, 0.005)
    compliance_per_Pa: Draw = Uniform(0.5e-9, 6e-9)  # relative volume per pressure: 0.05 … 0.6 % per MPa


@dataclass(frozen=True, slots=True, eq=False)
class Blocked:
    """Struts at fixed length; the volume gives with pressure and creeps: V = V₀·g(t)·(1 + κ·(p − p₀))."""

    volume_m3: FloatArray  # (k,)
    compliance_per_Pa: FloatArray  # (k,)
    first_Pa: FloatArray  # (k,) absolute

    def solve(
        self, amount_mol: FloatArray, filling: Filling, growth: FloatArray, around_Pa: FloatArray
    ) -> State:
        """Find pressures and volumes; four turns suffice since κ·p < 0.01."""
        del around_Pa  # a blocked strut's volume doesn't ask for the air outside
        pressure = np.broadcast_to(self.first_Pa, amount_mol.shape)
        for _ in range(4):
            volume = self.volume_m3 * growth * (1.0 + self.compliance_per_Pa * (pressure - self.first_Pa))
            pressure = filling.pressure_Pa(amount_mol / volume)
        return State(pressure, volume, None)
