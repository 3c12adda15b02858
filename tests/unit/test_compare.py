"""`compare`: the ratio's interval against Monte Carlo and a numerical root, the outcomes, and real chains of soaks."""

from __future__ import annotations

import doctest
import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm
from test_journal_soak import write
from typer.testing import CliRunner

from analysis import compare
from analysis.commands import build_app, main
from analysis.compare import compare_section, conditions, probability_less, ratio_interval, widest_ratio

if TYPE_CHECKING:
    from pathlib import Path

BEFORE: dict[str, Any] = {
    "name": "front_left",
    "verdict": "leaking",
    "loss_per_day": 0.06,
    "loss_per_day_interval95": [0.05, 0.07],
    "threshold_per_day": 0.02,
    "probability_over_threshold": 1.0,
    "cold_onset_degC": None,
    "cold_onset_interval95_degC": None,
    "coldest_gas_degC": -9.0,
    "notes": [],
}
AFTER = BEFORE | {
    "verdict": "tight",
    "loss_per_day": 0.003,
    "loss_per_day_interval95": [-0.004, 0.01],
    "probability_over_threshold": 0.0,
    "coldest_gas_degC": -10.0,
}
SOAK = {
    "cornerhold": "findings/1",
    "support": "blocked",
    "gas": "nitrogen",
    "begin": "2027-01-15T18:00:00Z",
    "end": "2027-01-16T08:00:00Z",
    "hours": 14.0,
}


@pytest.mark.parametrize(
    ("after", "before"),
    [((0.003, 0.0035), (0.06, 0.005)), ((-0.01, 0.004), (0.03, 0.008)), ((0.5, 0.1), (0.4, 0.1))],
)
def test_the_ratio_is_fiellers(after: tuple[float, float], before: tuple[float, float]) -> None:
    found = ratio_interval(after, before)
    assert found is not None
    # the definition: where a - r·b is z standard deviations from zero (scipy's root finder)
    for end, sign in zip(found, (1.0, -1.0), strict=True):

        def off(r: float, sign: float = sign) -> float:
            return (after[0] - r * before[0]) / np.hypot(after[1], r * before[1]) - sign * float(
                norm.ppf(0.975)
            )

        assert off(end) == pytest.approx(0.0, abs=1e-5)
        assert brentq(off, end - 0.05, end + 0.05) == pytest.approx(end, abs=1e-6)


def test_the_ratios_interval_holds_the_truth_in_19_of_20() -> None:
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(4000):
        found = ratio_interval((rng.normal(0.01, 0.004), 0.004), (rng.normal(0.05, 0.008), 0.008))
        inside += found is None or found[0] <= 0.2 <= found[1]
    # binomial: 0.95 ± 0.0034 (one standard deviation)
    assert inside / 4000 == pytest.approx(0.95, abs=0.014)


def test_a_loss_that_may_be_none_has_no_ratio() -> None:
    assert ratio_interval((0.01, 0.01), (0.01, 0.01)) is None


def test_probability_less() -> None:
    # scipy's normal distribution; errors that stand against each other add up
    assert probability_less((0.01, 0.003), (0.02, 0.004)) == pytest.approx(norm.cdf(10.0 / 7.0), abs=1e-9)


@pytest.mark.parametrize("rho", [-1.0, -0.5, 0.0, 0.7, 1.0])
@pytest.mark.parametrize(
    ("after", "before"), [((0.01, 0.004), (0.05, 0.008)), ((-0.004, 0.004), (0.03, 0.003))]
)
def test_the_widest_interval_holds_the_truth_however_the_errors_hang_together(
    rho: float, after: tuple[float, float], before: tuple[float, float]
) -> None:
    rng = np.random.default_rng(5)
    common = rng.multivariate_normal([0.0, 0.0], [[1.0, rho], [rho, 1.0]], 2000)
    inside = 0
    for one, other in common:
        found = widest_ratio(
            (after[0] + after[1] * one, after[1]), (before[0] + before[1] * other, before[1])
        )
        inside += found is None or found[0] <= after[0] / before[0] <= found[1]
    # binomial: 0.95 less three standard deviations of 0.005
    assert inside / 2000 > 0.935


def test_the_widest_interval_is_that_of_the_two_intervals() -> None:
    z = float(norm.ppf(0.975))
    for after, before in (
        ((0.01, 0.002), (0.05, 0.008)),
        ((-0.004, 0.004), (0.03, 0.003)),
        ((-0.02, 0.004), (0.03, 0.003)),
    ):
        found = widest_ratio(after, before)
        corners = [
            (after[0] + i * z * after[1]) / (before[0] + j * z * before[1]) for i in (-1, 1) for j in (-1, 1)
        ]
        assert found == pytest.approx((min(corners), max(corners)), rel=1e-5)


@pytest.mark.parametrize(
    ("before", "after", "outcome"),
    [
        ({}, {}, "proven"),
        # the same soak, a mild night: proves nothing of a leak whose cold nobody knows
        ({}, {"coldest_gas_degC": 4.0}, "merely warmer"),
        ({}, {"coldest_gas_degC": -8.5}, "proven"),  # within a kelvin
        ({}, {"coldest_gas_degC": None}, "merely warmer"),
        # a known onset: below it is cold enough
        ({"cold_onset_interval95_degC": [-4.0, -1.0]}, {"coldest_gas_degC": -5.5}, "proven"),
        ({"cold_onset_interval95_degC": [-4.0, -1.0]}, {"coldest_gas_degC": -4.5}, "merely warmer"),
        ({"cold_onset_interval95_degC": [-4.0, -1.0]}, {"coldest_gas_degC": -3.0}, "merely warmer"),
        (
            {},
            {"verdict": "leaking", "loss_per_day": 0.058, "loss_per_day_interval95": [0.05, 0.066]},
            "still leaking",
        ),
        ({}, {"verdict": "undecided", "loss_per_day": None, "loss_per_day_interval95": None}, "not proven"),
        ({"verdict": "tight"}, {}, "nothing to repair"),
        ({"verdict": "undecided"}, {}, "not proven"),
        ({"verdict": "tight"}, {"verdict": "leaking"}, "leaking now"),
        # both on their side of the limit, and not to be told apart
        (
            {"loss_per_day": 0.024, "loss_per_day_interval95": [0.019, 0.029]},
            {"loss_per_day": 0.018, "loss_per_day_interval95": [0.009, 0.027]},
            "not proven",
        ),
    ],
)
def test_outcomes(before: dict[str, Any], after: dict[str, Any], outcome: str) -> None:
    compared = compare_section(BEFORE | before, AFTER | after)
    assert compared.outcome == outcome
    assert compared.sentence.endswith(".")


def test_what_the_soaks_had_not_in_common() -> None:
    later = {**SOAK, "begin": "2027-01-17T18:00:00Z", "end": "2027-01-18T08:00:00Z"}
    assert conditions(SOAK, later) == []
    assert "support differs" in conditions(SOAK, {**later, "support": "standing"})[0]
    assert "much shorter" in conditions(SOAK, {**later, "hours": 5.0})[0]
    assert "right way round" in conditions(later, SOAK)[0]


def written(path: Path, *sections: dict[str, Any], **soak: Any) -> str:
    path.write_text(json.dumps({**SOAK, **soak, "sections": list(sections)}))
    return str(path)


def test_the_command_from_findings(tmp_path: Path) -> None:
    first = written(tmp_path / "1.json", BEFORE, BEFORE | {"name": "rear_left"})
    second = written(tmp_path / "2.json", AFTER, begin="2027-01-17T18:00:00Z")
    app = build_app(["compare"])
    said = CliRunner().invoke(app, ["compare", first, second])
    assert said.exit_code == 0, said.output
    assert "front_left: proven" in said.output
    assert "rear_left: not in the second soak." in said.output
    (line,) = CliRunner().invoke(app, ["compare", first, second, "--json"]).output.splitlines()
    found = json.loads(line)
    assert found["ratio"] == pytest.approx(0.05)
    assert found["ratio_interval95"][0] < 0.05 < found["ratio_interval95"][1]


def test_the_command_from_a_journals_soak(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal = tmp_path / "bay.journal"
    write(journal)
    found = json.loads(CliRunner().invoke(build_app(["analyse"]), ["analyse", "--json", str(journal)]).output)
    (tmp_path / "1.json").write_text(json.dumps(found))
    said = CliRunner().invoke(
        build_app(["compare"]), ["compare", str(tmp_path / "1.json"), str(journal), "--json"]
    )
    assert said.exit_code == 0, said.output
    assert len(said.output.splitlines()) == len(found["sections"])
    with pytest.raises(SystemExit):
        main(["compare", str(journal), f"{journal}#repaired"])
    assert "no soak 'repaired'" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (None, "No such file"),
        ("{}", "is no findings of 'analyse --json'"),
        ('{"cornerhold": ', "is no JSON"),
        ('{"a": 1}\n{"b": 2}\n', "one at a time"),
        (json.dumps({**SOAK, "sections": [AFTER | {"name": "rear_left"}]}), "no section in common"),
    ],
)
def test_bad_input_gets_a_sentence(
    text: str | None, sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = written(tmp_path / "1.json", BEFORE), tmp_path / "2.json"
    if text is not None:
        second.write_text(text)
    with pytest.raises(SystemExit) as ended:
        main(["compare", first, str(second)])
    assert ended.value.code == 1
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1


def test_examples_in_the_docstrings() -> None:
    result = doctest.testmod(compare)
    assert result.attempted > 0
    assert result.failed == 0
