"""Thresholds of every dimension against identities of an ideal gas at constant temperature."""

from __future__ import annotations

import pytest

from analysis.threshold import limit_of
from logger.settings import Threshold, settings_from_text

DAY_S = 86_400.0


def threshold(text: str) -> Threshold:
    return settings_from_text(f'[soak]\nthreshold = "{text}"\n').soak.threshold


def per_day(text: str, absolute_Pa: float | None, volume_m3: float | None, column_m: float | None) -> float:
    loss = limit_of(threshold(text), absolute_Pa, volume_m3, column_m).loss_per_s
    assert loss is not None
    return loss * DAY_S


@pytest.mark.parametrize(
    ("text", "absolute_Pa", "volume_m3", "column_m", "expected"),
    [
        # expected values by hand from n = p·V/(R·T): dn/n = dp/p = dV/V = q·dt/(p·V)
        ("2 %/day", None, None, None, 0.02),
        ("0.5 %/h", None, None, None, 0.12),
        ("5 mm/day", None, None, 0.250, 5.0 / 250.0),
        ("1 mm/h", None, None, 0.200, 24.0 / 200.0),
        ("0.2 bar/day", 8e5, None, None, 0.2 / 8.0),
        ("10 kPa/day", 1e6, None, None, 0.01),
        # 1e-3 mbar·L/s = 1e-4 Pa·m³/s (exact, by definition of the units); p·V = 8 bar · 3.2 L = 2560 Pa·m³
        ("1e-3 mbar*L/s", 8e5, 3.2e-3, None, 1e-4 / 2560.0 * 86_400.0),
        ("1e-4 Pa*m^3/s", 8e5, 3.2e-3, None, 1e-4 / 2560.0 * 86_400.0),
        # what a threshold does not need may be there all the same
        ("2 %/day", 8e5, 3.2e-3, 0.25, 0.02),
        ("5 mm/day", 8e5, 3.2e-3, 0.25, 0.02),
    ],
)
def test_conversion(
    text: str, absolute_Pa: float | None, volume_m3: float | None, column_m: float | None, expected: float
) -> None:
    assert per_day(text, absolute_Pa, volume_m3, column_m) == pytest.approx(expected, rel=1e-9)


def test_a_loss_of_the_limit_is_a_leak_of_the_limit() -> None:
    # the ideal gas itself: let q = 1e-4 Pa·m³/s flow for a short time and see what n has lost
    pressure_Pa, volume_m3, temperature_K, flow, dt_s = 7e5, 2.5e-3, 280.0, 1e-4, 10.0
    R = 8.314462618  # CODATA 2018; it cancels
    before = pressure_Pa * volume_m3 / (R * temperature_K)
    after = before - flow * dt_s / (R * temperature_K)
    lost = (before - after) / before / dt_s
    assert per_day("1e-4 Pa*m^3/s", pressure_Pa, volume_m3, None) == pytest.approx(lost * DAY_S, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "absolute_Pa", "volume_m3", "column_m", "word"),
    [
        ("5 mm/day", 8e5, 3e-3, None, "gas_column"),
        ("0.2 bar/day", None, 3e-3, 0.25, "pressure"),
        ("1e-3 mbar*L/s", 8e5, None, 0.25, "volume"),
        ("1e-3 mbar*L/s", None, 3e-3, 0.25, "pressure"),
    ],
)
def test_what_cannot_be_converted_says_what_is_missing(
    text: str, absolute_Pa: float | None, volume_m3: float | None, column_m: float | None, word: str
) -> None:
    limit = limit_of(threshold(text), absolute_Pa, volume_m3, column_m)
    assert limit.loss_per_s is None
    assert word in limit.reason
    assert text in limit.reason
