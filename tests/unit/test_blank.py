"""The rig's own loss: measured with capped ports, subtracted where both volumes are known, and never otherwise."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.stats import truncnorm
from test_journal_soak import text, write
from typer.testing import CliRunner

from analysis.blank import LASTS_s, Measured, not_negative, share_of
from analysis.blank_hold import judged_blank, measure
from analysis.blank_register import Blank
from analysis.commands import build_app
from analysis.findings import findings
from analysis.live import JournalFollower, analyse_journal
from analysis.readiness import Seen
from analysis.register import Register, read_register
from analysis.soak import SoakAnalysis
from logger.errors import PlainError
from logger.journal_reader import JournalReader
from logger.settings import SettingsError, settings_from_text

if TYPE_CHECKING:
    from pathlib import Path

DAY_s = 86_400.0
VOLUMES = '[sections.a]\nvolume = "2.5 L"\nrig_volume = "25 mL"\n'
# the capped rig loses 100 %/day of its own 25 mL: 1 %/day of 2.5 L
BLANK = Measured("a", 1.0 / DAY_s, 0.02 / DAY_s, 8e5, 900.0, 293.15)


@pytest.mark.parametrize(
    ("mean", "deviation"), [(3.0, 1.0), (0.5, 1.0), (0.0, 2.0), (-1.5, 1.0), (-4.0, 1.0)]
)
def test_a_loss_that_can_t_be_negative(mean: float, deviation: float) -> None:
    expected = truncnorm(-mean / deviation, np.inf, loc=mean, scale=deviation)
    assert not_negative(mean, deviation) == pytest.approx((expected.mean(), expected.std()), rel=1e-6)


def test_the_share_goes_with_the_volumes() -> None:
    share = share_of(BLANK, 8e5, 25e-6, 2.5e-3, 0.0)
    assert share.known
    # arithmetic: a hundredth of the volume; 30 % of it and 2 % of the measurement
    assert share.loss_per_s * DAY_s == pytest.approx(0.01)
    assert share.deviation_per_s * DAY_s == pytest.approx(0.01 * np.hypot(0.3, 0.02))


def test_at_another_pressure_both_laws_of_flow_are_within_two_deviations() -> None:
    for pressure in (6.5e5, 1e6):
        share = share_of(BLANK, pressure, 25e-6, 2.5e-3, 0.0)
        outside = 101_325.0**2
        laminar = (pressure**2 - outside) / (8e5**2 - outside) * 8e5 / pressure
        for law in (1.0, laminar):
            assert abs(share.loss_per_s - 0.01 * law / DAY_s) < 2.0 * share.deviation_per_s


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"rig_volume_m3": None}, "isn't known without rig_volume in the settings"),
        ({"volume_m3": None}, "isn't known without volume in the settings"),
        ({"age_s": LASTS_s + 1.0}, "30 days before: measure it again"),
        ({"absolute_Pa": 1.3e6}, "measure it at the fill's pressure"),
    ],
)
def test_where_the_ratio_is_not_known_nothing_is_subtracted(change: dict[str, Any], reason: str) -> None:
    given: dict[str, Any] = {"absolute_Pa": 8e5, "rig_volume_m3": 25e-6, "volume_m3": 2.5e-3, "age_s": 0.0}
    share = share_of(BLANK, **(given | change))
    assert (share.known, share.loss_per_s, share.deviation_per_s) == (False, 0.0, 0.0)
    assert reason in share.told
    assert "nothing is subtracted" in share.told


def test_the_rig_s_part_is_smaller_than_the_whole() -> None:
    with pytest.raises(SettingsError, match="of which it is a part"):
        settings_from_text('[sections.a]\nvolume = "25 mL"\nrig_volume = "25 mL"\n')


# -- the hold ------------------------------------------------------------------------------------------------

TIME_s = np.arange(0.0, 1201.0, 2.0)


def capped(loss_per_day: float, *, air_K: float = 0.0, seed: int = 0, **changes: Any) -> Seen:
    """Twenty minutes at 7 bar over the barometer, 30 Pa of noise; the air warms by `air_K` and the gas by half of it."""
    rng = np.random.default_rng(seed)
    warmer = TIME_s / TIME_s[-1] * air_K
    absolute = 8.01325e5 * np.exp(-loss_per_day / DAY_s * TIME_s) * (1.0 + 0.5 * warmer / 293.15)
    values = {
        "a.pressure": absolute - 101_325.0 + rng.normal(0.0, 30.0, len(TIME_s)),
        "ambient.temperature": 293.15 + warmer + rng.normal(0.0, 0.03, len(TIME_s)),
    }
    return Seen(TIME_s, values | changes, {})


def test_the_hold_finds_the_rig_s_loss_with_a_true_uncertainty() -> None:
    away = []
    for seed in range(60):
        found = measure(capped(1.0, air_K=0.3, seed=seed), "a", settings_from_text(VOLUMES), 900.0)
        assert isinstance(found, Measured)
        away.append((found.loss_per_s * DAY_s - 1.0) / (found.deviation_per_s * DAY_s))
    # own simulation: the truth lies within two standard uncertainties nearly always
    assert np.mean(np.abs(away) < 2.0) > 0.9
    assert found.absolute_Pa == pytest.approx(8.01e5, rel=0.02)
    assert found.air_K == pytest.approx(293.4, abs=0.2)


@pytest.mark.parametrize(
    ("loss_per_day", "settings", "state", "words"),
    [
        (0.05, VOLUMES, "ok", "at most"),
        (3.0, VOLUMES, "no", "more than a quarter of the limit"),
        (3.0, "", "no", "it leaks"),
        (0.0, "", "care", "isn't known without rig_volume and volume"),
    ],
)
def test_a_rig_that_leaks_itself_is_no_go(loss_per_day: float, settings: str, state: str, words: str) -> None:
    check, found = judged_blank(capped(loss_per_day), "a", settings_from_text(settings), 900.0)
    assert found is not None
    assert check.state == state
    assert words in check.sentence


@pytest.mark.parametrize(
    ("seen", "reason"),
    [
        (capped(0.0, **{"a.pressure": np.where(TIME_s < 600.0, 1e5, 7e5)}), "was filled during the hold"),
        (capped(0.0, **{"a.pressure": 7e5 + 10.0 * TIME_s}), "its pressure rises"),
        (capped(0.0, **{"a.pressure": np.full(len(TIME_s), np.nan)}), "too few readings"),
        (Seen(TIME_s[:200], {"a.pressure": np.full(200, 7e5)}, {}), "there are not yet 15 min"),
    ],
)
def test_what_is_no_blank_is_not_kept(seen: Seen, reason: str) -> None:
    check, found = judged_blank(seen, "a", settings_from_text(VOLUMES), 900.0)
    assert found is None
    assert check.state == "no"
    assert reason in check.sentence


# -- in the findings -----------------------------------------------------------------------------------------


def judged(settings: str, blanks: dict[str, tuple[Measured, float]]) -> dict[str, Any]:
    """Thirty hours at one temperature, losing 2.6 %/day of its gas, a reading every ten minutes."""
    time_s = np.arange(0.0, 30 * 3600.0 + 1.0, 600.0)
    rng = np.random.default_rng(3)
    values = {
        "a.pressure": 8e5 * np.exp(-0.026 / DAY_s * time_s) - 101_325.0 + rng.normal(0.0, 30.0, len(time_s)),
        "ambient.temperature": 273.15 + rng.normal(0.0, 0.05, len(time_s)),
        "ambient.pressure": np.full(len(time_s), 101_325.0),
    }
    soak = SoakAnalysis(settings_from_text(settings), ("a",), blanks=blanks)
    soak.feed(time_s, values)
    soak.finish()
    return dict(findings(soak, "x")["sections"][0])


def test_it_is_subtracted_with_its_uncertainty_and_only_if_the_ratio_is_known() -> None:
    plain = judged(VOLUMES, {})
    less = judged(VOLUMES, {"a": (BLANK, 3600.0)})
    assert plain["verdict"] == "leaking"
    assert less["loss_per_day"] == pytest.approx(plain["loss_per_day"] - 0.01, abs=1e-6)
    width = [one["loss_per_day_interval95"][1] - one["loss_per_day_interval95"][0] for one in (plain, less)]
    assert width[1] > width[0]
    assert less["verdict"] != "leaking"
    (told,) = [note for note in less["notes"] if "own loss" in note]
    assert "1 ± 0.3 %/day of the section" in told
    assert "at 20 °C" in told
    unknown = judged('[sections.a]\nvolume = "2.5 L"\n', {"a": (BLANK, 3600.0)})
    for key in ("verdict", "loss_per_day", "loss_per_day_interval95", "probability_over_threshold"):
        assert unknown[key] == plain[key]
    assert any("nothing is subtracted" in note for note in unknown["notes"])


# -- register and command ------------------------------------------------------------------------------------

REAR = '[rig]\nclock = "rig"\n[sections.rear_left]\nvolume = "2.5 L"\nrig_volume = "25 mL"\n'


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    write(tmp_path / "bay.journal", settings_text=REAR)
    (tmp_path / "bay.toml").write_text(REAR)
    return tmp_path / "bay.journal"


def run(command: str, *words: str, code: int = 0) -> str:
    result = CliRunner().invoke(build_app([command]), [command, *words])
    if isinstance(result.exception, PlainError):
        raise result.exception
    assert result.exit_code == code, result.output
    return result.output


def test_the_command_measures_keeps_lists_and_withdraws(journal: Path) -> None:
    files = ("-s", str(journal.with_name("bay.toml")), "-j", str(journal))
    # the virtual rig isn't capped: rear left loses 40 %/day, the simulator's truth, 1.7 % in the hour
    said = json.loads(run("blank", "measure", "rear_left", *files, "--hold", "1 h", "--by", "Mara", "--json"))
    assert said["go"] is True
    (kept,) = said["kept"]
    assert kept["rig_loss_per_day"] == pytest.approx(0.4, abs=0.2)
    assert "rear_left" in run("blank", "list", "-j", str(journal))
    checks = json.loads(run("ready", *files, "--no-delivery", "--json", code=1))["checks"]
    assert ["the capped rig loses" in c["sentence"] for c in checks if c["what"] == "rear_left blank"] == [
        True
    ]
    assert "withdrawn" in run("blank", "withdraw", "1", "-j", str(journal))
    with pytest.raises(PlainError, match="withdrawn already"):
        run("blank", "withdraw", "1", "-j", str(journal))
    checks = json.loads(run("ready", *files, "--no-delivery", "--json", code=1))["checks"]
    assert ["never measured" in c["sentence"] for c in checks if c["what"] == "rear_left blank"] == [True]
    with pytest.raises(PlainError, match="no section 'left'"):
        run("blank", "measure", "left", *files)
    run("soak", "begin", "night", "-j", str(journal), "--json")
    with pytest.raises(PlainError, match="'night' runs, and capped ports are none of it"):
        run("blank", "measure", *files)


def test_the_last_blank_before_the_soak_counts_live_and_later(journal: Path) -> None:
    run("soak", "begin", "night", "-j", str(journal), "--at", "2027-01-15T19:00:00Z", "--json")
    before = read_register(journal)[0][0].after_entry
    blank = Measured("rear_left", 2.0 / DAY_s, 0.02 / DAY_s, 8e5, 900.0)
    plain = analyse_journal(journal, None)
    with Register.open(journal) as register:
        register.add_blanks([Blank(0, blank, before - 30, 1_800_000_000, "2027-01-15T18:30:00Z")])
        later = Measured("rear_left", 90.0 / DAY_s, 0.02 / DAY_s, 8e5, 900.0)
        register.add_blanks([Blank(0, later, before + 30, 5_400_000_000, "2027-01-15T19:30:00Z")])
    found = analyse_journal(journal, None)
    losses = [
        next(s for s in f["sections"] if s["name"] == "rear_left")["loss_per_day"] for f in (plain, found)
    ]
    # 200 %/day of a hundredth of the volume, at nearly the same pressure
    assert losses[1] == pytest.approx(losses[0] - 0.02, abs=0.004)
    with JournalReader(journal) as reader:
        follower = JournalFollower(
            reader, None, *(x[0] if isinstance(x, list) else x for x in read_register(journal))
        )
        while follower.step(101):
            pass
        assert text(follower.findings(final=True) or {}) == text(found)
