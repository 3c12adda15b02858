"""A car standing on its wheels: a rigid body on four rolling-lobe air springs with anti-roll bars.

Each spring carries F = (p − p_a)·A_e(h), A_e = A₀·(1 + s·d), d = h − h₀. Work demands dV/dh = A_e, so
V = A₀·(c + d + s·d²/2) with the gas column c = V₀/A₀. The body has three freedoms,
h_i − h₀ = z + y_i·φ + x_i·θ; an anti-roll bar pushes the lower side of its axle up and the higher side
down; below the bump clearance a rubber stop helps. The load is what stood in equilibrium at the first
sample. The equilibrium is algebraic, so Newton's method runs over all times at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.virtual.draws import Draw, FloatArray, Normal, Uniform, one
from logger.virtual.support import Filling, State

CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
G_M_PER_S2 = 9.80665  # CGPM 1901, exact

_STOP_N_PER_M = 250_000.0  # bump stop; order of magnitude, no source


@dataclass(frozen=True, slots=True)
class StandingPriors:
    """How a standing car is drawn."""

    mass_kg: Draw = Uniform(1700.0, 2500.0)  # on the springs
    front_share: Draw = Uniform(0.48, 0.57)
    left_share: Draw = Normal(0.5, 0.008)
    cross_share: Draw = Normal(0.0, 0.005)  # of the weight, from one diagonal to the other
    front_column_m: float = 0.250  # what the settings say …
    rear_column_m: float = 0.230
    column_error: Draw = Uniform(-0.1, 0.1)  # … and how wrong they are, relative
    area_slope_per_m: Draw = Uniform(-0.6, 0.6)
    front_bar_N_per_m: Draw = Uniform(10_000.0, 25_000.0)
    rear_bar_N_per_m: Draw = Uniform(5_000.0, 18_000.0)
    height_m: Draw = Normal(0.360, 0.003)  # h₀, also the height at the first sample
    bump_clearance_m: float = 0.07


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """The car, all arrays over the four corners in the order of CORNERS."""

    load_N: FloatArray  # of each corner at the first sample
    area_m2: FloatArray  # A₀
    column_m: FloatArray
    area_slope_per_m: float
    height_m: FloatArray  # h₀
    front_bar_N_per_m: float
    rear_bar_N_per_m: float
    bump_clearance_m: float

    def freedoms(self) -> FloatArray:
        """Rows h_i by the columns heave, roll, pitch, (4, 3).

        Roll and pitch are taken as metres at the wheels (y·φ and x·θ), which with one track needs no
        wheelbase.
        """
        return np.array([[1.0, 1.0, 1.0], [1.0, -1.0, 1.0], [1.0, 1.0, -1.0], [1.0, -1.0, -1.0]])

    def bars(self) -> FloatArray:
        """Stiffness matrix of the anti-roll bars in the heights, (4, 4)."""
        f, r = self.front_bar_N_per_m, self.rear_bar_N_per_m
        return np.array([[f, -f, 0, 0], [-f, f, 0, 0], [0, 0, r, -r], [0, 0, -r, r]], dtype=np.float64)

    def volume_m3(self, d: FloatArray) -> FloatArray:
        """Volume at a height d above h₀."""
        return self.area_m2 * (self.column_m + d + 0.5 * self.area_slope_per_m * d**2)

    def solve(
        self, amount_mol: FloatArray, filling: Filling, growth: FloatArray, around_Pa: FloatArray
    ) -> State:
        """Find the equilibrium of every row of time."""
        return self.solve_from(np.zeros((len(amount_mol), 3)), amount_mol, filling, growth, around_Pa)[0]

    def solve_from(
        self,
        first: FloatArray,
        amount_mol: FloatArray,
        filling: Filling,
        growth: FloatArray,
        around_Pa: FloatArray,
    ) -> tuple[State, FloatArray]:
        """Newton from a first guess of heave, roll and pitch (m, 3); gives the state and the place found."""
        D, bars = self.freedoms(), self.bars()
        q = np.array(first)
        outside = np.reshape(around_Pa, (-1, 1))
        for _ in range(60):
            d = q @ D.T
            area = self.area_m2 * (1.0 + self.area_slope_per_m * d)
            volume = self.volume_m3(d) * growth
            rho = amount_mol / volume
            pressure = filling.pressure_Pa(rho)
            squeeze = np.minimum(d + self.bump_clearance_m, 0.0)
            force = (pressure - outside) * area - _STOP_N_PER_M * squeeze - d @ bars
            stiffness = filling.slope(rho) * rho / volume * growth * area**2  # −A·dp/dh
            stiffness = stiffness - (pressure - outside) * self.area_m2 * self.area_slope_per_m
            stiffness = stiffness + _STOP_N_PER_M * (squeeze < 0.0)
            excess = (force - self.load_N) @ D
            matrix = np.einsum("ia,mi,ib->mab", D, stiffness, D) + D.T @ bars @ D
            move = np.linalg.solve(matrix, excess[:, :, None])[:, :, 0]
            # a big step could leave the range in which a volume is positive
            move *= np.minimum(1.0, 0.02 / np.maximum(np.abs(move).max(axis=1, keepdims=True), 1e-12))
            q += move
            if np.abs(move).max() < 1e-10:
                break
        else:
            raise ArithmeticError("the car on its air springs finds no equilibrium")
        d = q @ D.T
        volume = self.volume_m3(d) * growth
        return State(filling.pressure_Pa(amount_mol / volume), volume, self.height_m + d), q


def draw_car(
    priors: StandingPriors, fill_Pa: tuple[float | None, ...], axle_fill: Draw, rng: np.random.Generator
) -> tuple[Standing, FloatArray]:
    """Draw a car and the gauge pressures that hold it level at the first sample.

    The two springs of an axle are alike, so where no fill is given the axle's pressure is drawn and the
    loads set left and right; where a fill is given it sets the effective area.
    """
    weight = one(priors.mass_kg, rng) * G_M_PER_S2
    front, left, cross = (
        one(priors.front_share, rng),
        one(priors.left_share, rng),
        one(priors.cross_share, rng),
    )
    share = np.array([front * left, front * (1 - left), (1 - front) * left, (1 - front) * (1 - left)])
    load = weight * (share + cross * np.array([0.5, -0.5, -0.5, 0.5]))
    axle = axle_fill.sample(rng, 2)
    mean = np.array([load[:2].mean(), load[:2].mean(), load[2:].mean(), load[2:].mean()])
    fills = axle[[0, 0, 1, 1]] * load / mean
    fills = np.array([drawn if given is None else given for given, drawn in zip(fill_Pa, fills, strict=True)])
    nominal = np.array([priors.front_column_m] * 2 + [priors.rear_column_m] * 2)
    car = Standing(
        load_N=load,
        area_m2=load / fills,
        column_m=nominal * (1.0 + priors.column_error.sample(rng, 4)),
        area_slope_per_m=one(priors.area_slope_per_m, rng),
        height_m=priors.height_m.sample(rng, 4),
        front_bar_N_per_m=one(priors.front_bar_N_per_m, rng),
        rear_bar_N_per_m=one(priors.rear_bar_N_per_m, rng),
        bump_clearance_m=priors.bump_clearance_m,
    )
    return car, fills
