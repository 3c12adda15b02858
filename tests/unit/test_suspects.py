"""`suspects`: the enumeration against a brute force of another make, the trade's cases, and what is refused."""

from __future__ import annotations

import doctest
import itertools
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm
from test_compare import AFTER, BEFORE, written
from typer.testing import CliRunner

from analysis import suspects, suspects_words
from analysis.commands import build_app, main
from analysis.job import Job, job_of, observe, read_job
from analysis.suspects import (
    BLUNDER,
    LEAKS,
    ONLY_COLD,
    Observation,
    groups_of,
    information,
    log_likelihoods,
    verdict_likelihoods,
    weigh,
)
from analysis.suspects_words import said, sentences
from logger.errors import PlainError


def saw(verdict: str, at: float, *encloses: str, soak: str = "s") -> Observation:
    return Observation(
        soak, "+".join(encloses), frozenset(encloses), at, verdict, *verdict_likelihoods(verdict)
    )


def brute_force(priors: dict[str, float], observations: list[Observation]) -> dict[tuple[str, float], float]:
    """P(leaks) by component and temperature: all combinations of tight, any temperature, and onsets on a fine grid."""
    temperatures = sorted({one.temperature_degC for one in observations})
    # one onset between each two temperatures stands for all there; its weight is the length of the interval
    edges = [-30.0, *temperatures, 5.0]
    onsets = [((a + b) / 2.0, (b - a) / 35.0) for a, b in itertools.pairwise(edges)]
    states = [("tight", -math.inf), ("any", math.inf), *(("cold", onset) for onset, _ in onsets)]
    weights = {
        name: [1.0 - p, p * (1.0 - ONLY_COLD), *(p * ONLY_COLD * share for _, share in onsets)]
        for name, p in priors.items()
    }
    total, leaking = 0.0, dict.fromkeys(itertools.product(priors, temperatures), 0.0)
    for combination in itertools.product(range(len(states)), repeat=len(priors)):
        onset = {name: states[k][1] for name, k in zip(priors, combination, strict=True)}
        weight = math.prod(weights[name][k] for name, k in zip(priors, combination, strict=True))
        for one in observations:
            leaks = any(onset[name] >= one.temperature_degC for name in one.encloses)
            likelihoods = math.exp(one.log_leaks), math.exp(one.log_tight)
            weight *= (1.0 - BLUNDER) * likelihoods[0 if leaks else 1] + BLUNDER * sum(likelihoods) / 2.0
        total += weight
        for name, t in leaking:
            leaking[name, t] += weight * (onset[name] >= t)
    return {key: value / total for key, value in leaking.items()}


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["tight", "leaking", "undecided"]),
            st.sampled_from([2.0, -5.0, -11.0]),
            st.sets(st.sampled_from("abcd"), min_size=1),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_enumeration_is_the_brute_force(rows: list[tuple[str, float, set[str]]]) -> None:
    observations = [saw(verdict, at, *sorted(encloses)) for verdict, at, encloses in rows]
    priors = {"a": 0.15, "b": 0.3, "c": 0.05, "d": 0.15}
    ours, expected = weigh(priors, observations), brute_force(priors, observations)
    for (name, t), p in expected.items():
        assert ours.leaks[name][ours.temperatures_degC.index(t)] == pytest.approx(p, abs=1e-12)


def test_one_soak_by_hand() -> None:
    # by Bayes' rule on paper: odds 0.15·(0.5 + 0.5·15/35) : rest, times 0.9800/0.0200 blurred by the blunder
    leaks = 0.15 * (0.5 + 0.5 * 15.0 / 35.0)
    up = (1.0 - BLUNDER) * 0.99 + BLUNDER * 0.5
    down = (1.0 - BLUNDER) * 0.01 + BLUNDER * 0.5
    found = weigh({"a": LEAKS}, [saw("leaking", -10.0, "a")])
    assert found.leaks["a"][0] == pytest.approx(leaks * up / (leaks * up + (1.0 - leaks) * down), rel=1e-12)


def test_likelihoods_of_a_loss() -> None:
    # scipy's quadrature of the same integrals
    for loss, deviation in ((0.03, 0.01), (0.004, 0.005), (0.4, 0.02)):
        over = quad(
            lambda u, x=loss, d=deviation: norm.pdf(x, 0.02 * 100**u, d) * d,
            0,
            1,
            limit=400,
            points=[0.1, 0.65],
        )[0]
        under = quad(lambda u, x=loss, d=deviation: norm.pdf(x, 0.02 * u, d) * d, 0, 1)[0]
        ours = log_likelihoods(loss, deviation, 0.02)
        root = math.log(math.sqrt(2.0 * math.pi))
        assert ours[0] == pytest.approx(math.log(over) + root, abs=0.02)
        if under > 1e-100:
            assert ours[1] == pytest.approx(math.log(under) + root, abs=0.02)


def test_information_is_that_of_a_binary_symmetric_channel() -> None:
    # capacity 1 - H(0.05) = 0.7136 bit at one half (Shannon; H computed here by numpy)
    e = np.array([0.05, 0.95])
    assert information(0.5) == pytest.approx(1.0 + float((e * np.log2(e)).sum()))
    assert information(0.2) < information(0.4)


def test_groups_hang_together_by_sections() -> None:
    rows = [saw("tight", 0.0, "a", "b"), saw("tight", 0.0, "c"), saw("tight", 0.0, "b", "d")]
    assert groups_of(["a", "b", "c", "d", "e"], rows) == [["a", "b", "d"], ["c"], ["e"]]


STRUTS = ("front left strut", "front right strut")
SYSTEM = ("valve block", "front left line", "front right line")


def told(*observations: Observation) -> tuple[dict[str, dict[str, Any]], str]:
    names = dict.fromkeys(name for one in observations for name in sorted(one.encloses))
    job = Job(dict.fromkeys(names, LEAKS), observations, ())
    result = said(job, weigh(job.priors, observations))
    return {one["name"]: one for one in result["components"]}, "\n".join(sentences(result))


def test_struts_tight_system_leaks() -> None:
    found, words = told(
        *(saw("tight", -9.0, strut) for strut in STRUTS),
        saw("leaking", -9.0, *SYSTEM),
        saw("tight", -9.0, *SYSTEM[1:], soak="block shut off"),
    )
    # one soak alone may be a blunder, so it is no more than probable; a second one settles it
    assert found["valve block"]["state"] == "probably leaks"
    assert all(
        found[name]["state"] == "cleared" and found[name]["cleared_to_degC"] == -9.0 for name in STRUTS
    )
    assert "valve block: probably leaks" in words
    assert "front left strut: cleared down to -9 °C" in words


def test_two_leaks_at_once() -> None:
    found, words = told(
        saw("leaking", -9.0, STRUTS[0]), saw("tight", -9.0, STRUTS[1]), saw("leaking", -9.0, *SYSTEM[:2]),
        saw("tight", -9.0, SYSTEM[0]),
    )  # fmt: skip
    assert [name for name, one in found.items() if one["probability_leaks"] > 0.8] == [STRUTS[0], SYSTEM[1]]
    assert "repeat" not in words.lower()


def test_leaks_only_in_the_cold() -> None:
    found, words = told(saw("tight", -3.0, "strut", soak="mild"),
        saw("tight", -3.0, "strut", soak="mild again"), saw("leaking", -9.0, "strut", soak="cold"),
                        saw("leaking", -8.0, "strut", soak="cold again"))  # fmt: skip
    assert found["strut"]["leaks_only_below_degC"] == -3.0
    assert "leaks in the cold" in words
    assert "Repeat" not in words


def test_an_onset_in_the_findings_clears_the_warm_side() -> None:
    section = BEFORE | {"cold_onset_interval95_degC": [-5.2, -3.1]}
    rows = observe("s", section, frozenset({"strut"}))
    assert [(one.verdict, one.temperature_degC) for one in rows] == [("leaking", -9.0), ("tight", -3.0)]
    # findings tell an onset when it is likely, not when it is sure: with a mild soak it is
    found, _ = told(*rows)
    assert found["strut"]["cleared_to_degC"] is None
    found, words = told(
        *rows, saw("tight", -2.0, "strut", soak="mild"), saw("leaking", -9.0, "strut", soak="again")
    )
    assert found["strut"]["leaks_only_below_degC"] == -3.0
    assert "leaks in the cold" in words


def test_tight_at_an_unknown_temperature_clears_nothing_cold() -> None:
    (row,) = observe("s", AFTER | {"coldest_gas_degC": None}, frozenset({"strut"}))
    assert row.temperature_degC == 20.0


def test_tight_by_the_mean_and_undecided_by_the_plan_clears_nothing() -> None:
    (row,) = observe("s", AFTER | {"verdict": "undecided"}, frozenset({"strut"}))
    assert row.log_leaks == row.log_tight


def test_contradictory_soaks_are_named() -> None:
    _, words = told(saw("tight", -9.0, "strut", soak="Monday"), saw("leaking", -2.0, "strut", soak="Tuesday"))
    assert "Tuesday: 'strut' was found leaking" in words
    assert "Repeat that soak" in words


def test_the_next_isolation_halves_what_is_open() -> None:
    found = weigh(dict.fromkeys("abcd", 0.15), [saw("leaking", -9.0, *"abcd")])
    assert len(found.following) == 2
    assert found.following_leaks == pytest.approx(0.5, abs=0.15)
    # one that surely leaks: nothing more to ask
    sure = weigh({"a": 0.15}, [saw("leaking", -9.0, "a")] * 3)
    assert sure.following == frozenset()


def test_too_many_together_is_said() -> None:
    with pytest.raises(PlainError, match="too many combinations"):
        weigh(
            dict.fromkeys((f"c{i}" for i in range(30)), 0.1),
            [saw("tight", 0.0, *(f"c{i}" for i in range(30)))],
        )


def test_what_encloses_nothing_or_is_nowhere_is_said() -> None:
    found = {"sections": [AFTER, AFTER | {"name": "rear_left"}]}
    job = job_of([("Monday", found, {"front_left": ("strut",)})], {"valve block": 0.2})
    assert any("rear_left: nothing says what it encloses" in note for note in job.notes)
    assert any(note.startswith("valve block: is in no section") for note in job.notes)
    result = said(job, weigh(job.priors, job.observations))
    assert any(line.startswith("valve block: not looked at") for line in sentences(result))
    assert result["next"] == ["valve block"]


JOB = """
[components]
"valve block" = "25 %"

[[soak]]
name = "Monday"
found = "monday.json"
[soak.encloses]
front_left = ["front left strut", "front left fitting"]

[[soak]]
name = "Tuesday, by hand"
[[soak.section]]
name = "system"
verdict = "tight"
coldest = "-9 degC"
encloses = ["valve block", "front left fitting"]
"""


def test_the_command(tmp_path: Path) -> None:
    monday = written(tmp_path / "monday.json", BEFORE)
    file = tmp_path / "job.toml"
    file.write_text(JOB)
    app = build_app(["suspects"])
    words = CliRunner().invoke(app, ["suspects", str(file)])
    assert words.exit_code == 0, words.output
    assert words.output.startswith("front left strut: probably leaks")
    found = json.loads(CliRunner().invoke(app, ["suspects", str(file), "--json"]).output)
    assert {one["name"] for one in found["components"]} == {
        "front left strut",
        "front left fitting",
        "valve block",
    }
    settings_file = tmp_path / "s.toml"
    settings_file.write_text('[sections.front_left]\nencloses = ["strut", "fitting"]\n')
    found = json.loads(
        CliRunner().invoke(app, ["suspects", monday, "-s", str(settings_file), "--json"]).output
    )
    assert {one["name"] for one in found["components"]} == {"strut", "fitting"}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "soak: there is none"),
        ("[[soak]]\nname = 'x'\n", "give either a file of findings, or the sections by hand"),
        (
            "[[soak]]\nfound = 'monday.json'\n[soak.encloses]\nrear = ['a']\n",
            "has no section 'rear', but front_left",
        ),
        ("[[soak]]\nfound = 'monday.json'\n", "nothing says what it encloses"),
        ("[[soak]]\nfound = 'gone.json'\n", "gone.json"),
        ("[[soak]]\n[[soak.section]]\nname = 'a'\nverdict = 'thight'\n", "did you mean 'tight'"),
        ("[[soak]]\n[[soak.section]]\nname = 'a'\nverdict = 'tight'\ncoldest = '-9'\n", "has no unit"),
        ("[[soak]]\nfount = 'monday.json'\n", "fount"),
        ("[components]\na = '120 %'\n", "impossible"),
        ("][", "job.toml"),
    ],
)
def test_bad_input_gets_a_sentence(
    text: str, sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(tmp_path / "monday.json", BEFORE)
    (tmp_path / "job.toml").write_text(text)
    with pytest.raises(SystemExit) as ended:
        main(["suspects", str(tmp_path / "job.toml")])
    assert ended.value.code == 1
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("module", [suspects, suspects_words], ids=lambda module: module.__name__)
def test_examples_in_the_docstrings(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted > 0
    assert result.failed == 0


def test_the_job_in_the_readme_is_read(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "README.md").read_text()
    (example,) = re.findall(r"^```job\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    written(tmp_path / "monday.json", AFTER, AFTER | {"name": "front_right"})
    (tmp_path / "job.toml").write_text(example)
    job = read_job(tmp_path / "job.toml")
    result = said(job, weigh(job.priors, job.observations))
    states = {one["name"]: one["state"] for one in result["components"]}
    assert states["front left strut"] == states["front right strut"] == "cleared"
    assert max(result["components"], key=lambda c: c["probability_leaks"])["name"] == "valve block"
