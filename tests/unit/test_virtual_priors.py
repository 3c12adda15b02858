"""The table of priors in the package's docstring says what the code draws."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

import logger.virtual
from logger.virtual.draws import Draw, Fixed, LogNormal, LogUniform, Normal, Uniform, one, stream
from logger.virtual.plan import SoakPlan

GROUPS = ("weather", "thermal", "creep", "blocked", "standing", "pressure_sensor", "sensors")


def drawn_by_the_code() -> dict[str, str]:
    plan = SoakPlan()
    found = {"fill_Pa": str(plan.fill_Pa), "humidity": str(plan.humidity)}
    for group in GROUPS:
        priors = getattr(plan, group)
        for field in fields(priors):
            value = getattr(priors, field.name)
            steps = ("_step_K", "_step_m", "_step_Pa", "step_Pa", "full_scale_Pa")
            if isinstance(value, bool | str) or field.name.endswith(steps):
                continue  # switches and converters, nothing drawn
            found[f"{group}.{field.name}"] = str(value)
    return found


def test_the_table_is_the_code() -> None:
    table = {}
    for line in (logger.virtual.__doc__ or "").splitlines():
        if line.startswith("    "):
            name, rest = line.strip().split(maxsplit=1)
            table[name] = rest
    code = drawn_by_the_code()
    assert list(table) == list(code)
    for name, text in code.items():
        assert table[name] == text or table[name].startswith(text + "  "), name


@pytest.mark.parametrize(
    ("draw", "mean", "sd"),
    # means and spreads of the distributions, any textbook
    [
        (Fixed(3.0), 3.0, 0.0),
        (Uniform(1.0, 5.0), 3.0, 4.0 / 12.0**0.5),
        (LogUniform(1.0, np.e), np.e - 1.0, ((np.e**2 - 1.0) / 2.0 - (np.e - 1.0) ** 2) ** 0.5),
        (Normal(2.0, 0.5), 2.0, 0.5),
        (LogNormal(2.0, 0.5), 2.0 * np.exp(0.125), 2.0 * np.exp(0.125) * np.expm1(0.25) ** 0.5),
    ],
)
def test_distributions_have_their_mean_and_spread(draw: Draw, mean: float, sd: float) -> None:
    values = draw.sample(np.random.default_rng(1), 200_000)
    assert values.mean() == pytest.approx(mean, abs=4.0 * sd / 200_000**0.5 + 1e-12)
    assert values.std() == pytest.approx(sd, rel=0.02, abs=1e-12)


def test_streams_are_their_own() -> None:
    first = [one(Uniform(0.0, 1.0), stream(5, name)) for name in ("weather", "air", "weather")]
    assert first[0] == first[2] != first[1]
    assert one(Uniform(0.0, 1.0), stream(6, "weather")) != first[0]
