"""`simulate`: a plan and a seed make a recording and its truth. Pure, vectorised over sections and time.

Order: weather → heat → (heights, pressures, loss of gas: one system) → sensors. Only leaks that ask for
the pressure make it necessary to walk through time step by step; everything else is done for all times at
once.
"""

from __future__ import annotations

import math

import numpy as np

from logger.virtual import gas as real_gas
from logger.virtual import sensors as other
from logger.virtual.creep import growth
from logger.virtual.disturbances import steps
from logger.virtual.draws import FloatArray, stream
from logger.virtual.leaks import Leak, cumulative, gate, law_factor, simple_loss
from logger.virtual.plan import Simulated, SoakPlan, Truth
from logger.virtual.standing import Standing, draw_car
from logger.virtual.support import Blocked, Filling, State
from logger.virtual.thermal import Heat, soak_heat
from logger.virtual.transducer import read_pressure
from logger.virtual.weather import make_sky


def simulate(plan: SoakPlan, seed: int) -> Simulated:
    """Simulate one soak; the same plan and seed give the same numbers."""
    count = round(plan.hours * 3600.0 / plan.period_s) + 1
    time_s = np.arange(count, dtype=np.float64) * plan.period_s
    hour = plan.begin_utc.hour + plan.begin_utc.minute / 60.0 + plan.solar_hour_offset
    sky = make_sky(plan.weather, time_s, hour, stream(seed, "weather"))
    jolts = steps(plan.disturbances, plan.sections, time_s, stream(seed, "disturbances"))
    heat = soak_heat(
        plan.thermal,
        plan.sections,
        time_s,
        hour,
        sky,
        stream(seed, "thermal"),
        jolts.arch_K,
        plan.first_gas_K,
    )
    relative, creep_drawn = growth(plan.creep, len(plan.sections), time_s, stream(seed, "creep"))
    humidity = plan.humidity.sample(stream(seed, "humidity"), len(plan.sections))
    filling = Filling.of(plan.gas, heat.gas_K, humidity)
    support, first_mol, drawn = _prepare(plan, seed, heat, filling, sky.pressure_Pa)

    leaked = cumulative(simple_loss(plan.leaks, plan.sections, time_s, heat.gas_K), plan.period_s)
    dependent = tuple(leak for leak in plan.leaks if leak.law != "fraction")
    if dependent:
        walk = _Walk(plan.sections, dependent, time_s, heat.gas_K, sky.pressure_Pa)
        leaked = walk.run(support, filling, relative, first_mol, leaked - jolts.ln_amount) + jolts.ln_amount
    amount = first_mol * np.exp(jolts.ln_amount - leaked)
    state = support.solve(amount, filling, relative, sky.pressure_Pa)

    measured, sensor_drawn = _measure(
        plan, seed, time_s, heat, sky.pressure_Pa, state, (jolts.pressure_Pa, jolts.height_m)
    )
    columns = range(len(plan.sections))
    truth = Truth(
        outside_K=sky.temperature_K,
        around_K=heat.around_K,
        around_Pa=sky.pressure_Pa,
        arch_K=heat.arch_K,
        gas_K=heat.gas_K,
        pressure_Pa=state.pressure_Pa,
        volume_m3=state.volume_m3,
        height_m=state.height_m,
        amount_mol=amount,
        leaked=leaked,
        loss_per_s={plan.sections[i]: float(leaked[-1, i] / time_s[-1]) for i in columns},
        coldest_gas_K={plan.sections[i]: float(heat.gas_K[:, i].min()) for i in columns},
        gas_column_m={plan.sections[i]: float(support.column_m[i]) for i in columns}
        if isinstance(support, Standing)
        else {},
        drawn={**heat.drawn, **creep_drawn, **drawn, **sensor_drawn},
    )
    return Simulated(plan, seed, time_s, measured, truth)


def _prepare(
    plan: SoakPlan, seed: int, heat: Heat, filling: Filling, around_Pa: FloatArray
) -> tuple[Blocked | Standing, FloatArray, dict[str, FloatArray]]:
    """Draw the support and fill it: amounts of gas that give the fill pressures at the first temperatures."""
    rng = stream(seed, "support")
    given = tuple(plan.fills_Pa.get(name) for name in plan.sections)
    support: Blocked | Standing
    if plan.support == "standing":
        support, fills = draw_car(plan.standing, given, plan.fill_Pa, rng)
        volume = support.area_m2 * support.column_m
        drawn = {"fill_Pa": fills, "gas_column_m": support.column_m, "area_m2": support.area_m2}
    else:
        drawn_fills = plan.fill_Pa.sample(rng, len(plan.sections))
        fills = np.array([drawn_fills[i] if fill is None else fill for i, fill in enumerate(given)])
        volume = plan.blocked.volume_m3.sample(rng, len(plan.sections))
        compliance = plan.blocked.compliance_per_Pa.sample(rng, len(plan.sections))
        support = Blocked(volume, compliance, fills + around_Pa[0])
        drawn = {"fill_Pa": fills, "volume_m3": volume, "compliance_per_Pa": compliance}
    dry = fills + around_Pa[0] - filling.vapour_Pa[0]
    rho = real_gas.density_mol_per_m3(plan.gas, dry, heat.gas_K[0])
    return support, rho * volume, drawn


class _Walk:
    """Integrates leaks that ask for the pressure, step by step (gates at mid-step, explicit in pressure)."""

    def __init__(
        self,
        sections: tuple[str, ...],
        leaks: tuple[Leak, ...],
        time_s: FloatArray,
        gas_K: FloatArray,
        around_Pa: FloatArray,
    ) -> None:
        self._leaks = [(leak, sections.index(leak.section)) for leak in leaks]
        self._step_s = float(time_s[1] - time_s[0])
        self._around_Pa = around_Pa
        self._open: list[FloatArray] = []
        for leak, column in self._leaks:
            opened = gate(leak, time_s, gas_K[:, column])
            self._open.append(0.5 * (opened[1:] + opened[:-1]))

    def run(
        self,
        support: Blocked | Standing,
        filling: Filling,
        relative: FloatArray,
        first_mol: FloatArray,
        others: FloatArray,
    ) -> FloatArray:
        """Add to `others`, the −ln n/n₀ (n, k) of everything else, what these leaks take."""
        if isinstance(support, Standing):
            return self._standing(support, filling, relative, first_mol, others)
        total = np.array(others)
        for column in {column for _, column in self._leaks}:
            total[:, column] += self._blocked(
                support, filling, relative, first_mol, others[:, column], column
            )
        return total

    def _rate(
        self, leak: Leak, opened: float, pressure: float, around: float, first: float, ratio: float
    ) -> float:
        if opened == 0.0:
            return 0.0
        return leak.loss_per_s * opened * law_factor(leak.law, pressure, around, first, ratio)

    def _blocked(
        self,
        support: Blocked,
        filling: Filling,
        relative: FloatArray,
        first_mol: FloatArray,
        others: FloatArray,
        column: int,
    ) -> FloatArray:
        """One section in plain floats: a numpy call costs more than all of a step's arithmetic."""
        mine = [(leak, self._open[i].tolist()) for i, (leak, at) in enumerate(self._leaks) if at == column]
        RT, B, C = (table[:, column].tolist() for table in (filling.RT, filling.B, filling.C))
        vapour, around = filling.vapour_Pa[:, column].tolist(), self._around_Pa.tolist()
        space = (float(support.volume_m3[column]) * relative[:, column]).tolist()
        kappa, first = float(support.compliance_per_Pa[column]), float(support.first_Pa[column])
        elsewhere, amount = others.tolist(), float(first_mol[column])
        pressure, taken, out = first, 0.0, [0.0]
        for i in range(len(RT) - 1):
            ratio = math.exp(-elsewhere[i] - taken)
            for _ in range(2):
                rho = amount * ratio / (space[i] * (1.0 + kappa * (pressure - first)))
                pressure = RT[i] * rho * (1.0 + rho * (B[i] + rho * C[i])) + vapour[i]
            for leak, opened in mine:
                taken += self._step_s * self._rate(leak, opened[i], pressure, around[i], first, ratio)
            out.append(taken)
        return np.array(out)

    def _standing(
        self,
        support: Standing,
        filling: Filling,
        relative: FloatArray,
        first_mol: FloatArray,
        others: FloatArray,
    ) -> FloatArray:
        """All corners together: each one's pressure leans on the others' through the body."""
        taken = np.zeros(others.shape)
        place = np.zeros((1, 3))
        first: FloatArray | None = None
        for i in range(len(others) - 1):
            ratio = np.exp(-others[i] - taken[i])
            taken[i + 1] = taken[i]
            active = [
                (leak, at, opened[i]) for (leak, at), opened in zip(self._leaks, self._open, strict=True)
            ]
            if first is not None and not any(opened for _, _, opened in active):
                continue
            state, place = support.solve_from(
                place,
                (first_mol * ratio)[None, :],
                filling.row(i),
                relative[i : i + 1],
                self._around_Pa[i : i + 1],
            )
            pressure = state.pressure_Pa[0]
            first = pressure if first is None else first
            for leak, at, opened in active:
                rate = self._rate(
                    leak,
                    opened,
                    float(pressure[at]),
                    float(self._around_Pa[i]),
                    float(first[at]),
                    float(ratio[at]),
                )
                taken[i + 1, at] += self._step_s * rate
        return others + taken


def _measure(
    plan: SoakPlan,
    seed: int,
    time_s: FloatArray,
    heat: Heat,
    around_Pa: FloatArray,
    state: State,
    jolts: tuple[FloatArray, FloatArray],
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Everything the rig would say, by channel name, and what was drawn for it."""
    priors = plan.sensors
    pressure, drawn = read_pressure(
        plan.pressure_sensor,
        time_s,
        state.pressure_Pa + jolts[0],
        around_Pa,
        heat.gas_K,
        heat.arch_K,
        stream(seed, "pressure sensors"),
    )
    out = {f"{name}.pressure": pressure[:, i] for i, name in enumerate(plan.sections)}
    if state.height_m is not None and priors.heights:
        heights = other.read_heights(priors, state.height_m + jolts[1], heat.arch_K, stream(seed, "heights"))
        out |= {f"{name}.height": heights[:, i] for i, name in enumerate(plan.sections)}
    if priors.gas_thermometer:
        gas = other.read_gas(priors, heat.gas_K, stream(seed, "gas thermometers"))
        out |= {f"{name}.gas_temperature": gas[:, i] for i, name in enumerate(plan.sections)}
    out["ambient.temperature"], offset = other.read_air(priors, time_s, heat.around_K, stream(seed, "air"))
    if priors.barometer:
        out["ambient.pressure"] = other.read_barometer(
            priors, around_Pa, heat.around_K, stream(seed, "barometer")
        )
    out["rig.supply_voltage"] = other.read_supply(priors, time_s, stream(seed, "supply"))
    gone = other.blackouts(priors, time_s, stream(seed, "dropouts"))
    for values in out.values():
        values[gone] = np.nan
    return out, {**drawn, "air_offset_K": np.array([offset])}
