"""Changing a settings file that a person wrote: nothing else in it changes."""

from __future__ import annotations

import os
import stat
from datetime import date
from pathlib import Path

import pytest

from analysis import settings_editor
from analysis.settings_editor import EditError, edit_file, edited
from logger.settings import SettingsError, settings_from_text

HERE = Path("bay-2.toml")
NAME = "front_left.pressure"
KEYS = ("channels", NAME, "calibration")
VALUES = {
    "date": date(2026, 11, 2),
    "reference": "gauge 7",
    "zero": "-0.4 kPa",
    "span": 1.0021,
    "points": None,
}
WRITTEN = """\
# our rig, bay 2

[rig]
name = "bay-2"            # painted on the lid

[sections.front_left]
gas_column = "250 mm"     # measured 2026-10-01

[channels."front_left.pressure"]
adc_full_scale = "6.144 V"   # not the default
# the end
"""
FORMS = {
    "nothing": "",
    "no such table": WRITTEN,
    "no line end": WRITTEN.rstrip("\n"),
    "another channel": '[channels."rear_left.pressure"]\ndivider = 2.0\n\n[soak]\nsupport = "standing"\n',
    "an old one": WRITTEN
    + '\n[channels."front_left.pressure".calibration]  # old\ndate = 2020-01-01\nspan = 1.1   # by eye\n\n[soak]\n',
    "points before": WRITTEN
    + '\n[channels."front_left.pressure".calibration]\npoints = [["0 bar", "0 bar"], ["8.1 bar", "8 bar"]]\n',
    "inline": '[channels]\n"front_left.pressure" = { divider = 2.0 }  # short\n',
    "inline calibration": '[channels."front_left.pressure"]\ncalibration = { span = 1.01 }\n[rig]\nname = "x"\n',
    "dotted": 'channels."front_left.pressure".divider = 2.0\n',
    "scattered without it": '[channels."rear_right.pressure"]\ndivider = 2.0\n[soak]\n'
    '[channels."rear_left.pressure"]\ndivider = 3.0\n[rig]\nname = "x"\n',
    "scattered": '[channels."front_left.pressure"]\ndivider = 2.0\n[soak]\n[channels."rear_left.pressure"]\n'
    'divider = 3.0\n[rig]\nname = "x"\n',
}


@pytest.mark.parametrize("form", FORMS)
def test_the_calibration_is_set_and_all_else_is_as_before(form: str) -> None:
    before = FORMS[form]
    after = edited(before, {KEYS: VALUES}, HERE)
    settings = settings_from_text(after)
    calibration = settings.channels[NAME].calibration
    assert calibration.made_on == date(2026, 11, 2)
    assert (calibration.reference, calibration.span) == ("gauge 7", 1.0021)
    assert calibration.zero == pytest.approx(-400.0)
    assert calibration.points == ()
    was = settings_from_text(before)
    assert (settings.rig, settings.soak, settings.sections) == (was.rig, was.soak, was.sections)
    assert set(settings.channels) == {*was.channels, NAME}
    assert all(settings.channels[n] == was.channels[n] for n in was.channels if n != NAME)
    if NAME in was.channels:
        assert settings.channels[NAME].divider == was.channels[NAME].divider
    for comment in [line.partition("#")[2] for line in before.splitlines() if "#" in line]:
        assert comment in after
    # what was there is still there, line by line, but for the keys that changed
    changed = ("date", "span", "points", "calibration", '"front_left.pressure" =')
    assert [line for line in before.splitlines() if line and not line.startswith(changed)] == [
        line
        for line in after.splitlines()
        if line in before.splitlines() and line and not line.startswith(changed)
    ]


def test_twice_is_the_same_as_once() -> None:
    once = edited(WRITTEN, {KEYS: VALUES}, HERE)
    assert edited(once, {KEYS: VALUES}, HERE) == once


def test_a_new_table_stands_apart() -> None:
    after = edited(
        WRITTEN,
        {("sections", "front_left", "pressure_sensor"): {"temperature_coefficient": "0.01 %/K"}},
        HERE,
    )
    assert (
        '\n\n[sections.front_left.pressure_sensor]\ntemperature_coefficient = "0.01 %/K"\n\n[channels'
        in after
    )
    assert settings_from_text(after).sensor_of("front_left").temperature_coefficient_per_K == pytest.approx(
        1e-4
    )


def test_line_ends_and_the_mark_of_another_system_stay() -> None:
    text = "\ufeff" + WRITTEN.replace("\n", "\r\n")
    after = edited(text, {KEYS: VALUES}, HERE)
    assert after.startswith("\ufeff# our rig")
    assert after.count("\n") == after.count("\r\n")


def test_settings_that_are_wrong_are_refused_and_kept(tmp_path: Path) -> None:
    file = tmp_path / "bay.toml"
    file.write_text("[rig]\nnaem = 'x'\n")
    with pytest.raises(SettingsError, match="naem"):
        edit_file(file, {KEYS: VALUES})
    assert file.read_text() == "[rig]\nnaem = 'x'\n"


def test_a_value_that_the_settings_refuse_is_never_written(tmp_path: Path) -> None:
    file = tmp_path / "bay.toml"
    file.write_text(WRITTEN)
    with pytest.raises(EditError, match=r"without harm.*span"):
        edit_file(file, {KEYS: {"span": 7.0}})
    assert file.read_text() == WRITTEN
    assert os.listdir(tmp_path) == ["bay.toml"]  # noqa: PTH208  names are what counts


def test_a_table_that_is_none_is_refused() -> None:
    with pytest.raises(EditError, match="can't be changed"):
        edited(WRITTEN, {("rig", "name", "calibration"): {"span": 1.0}}, HERE)


def test_rights_and_links_stay(tmp_path: Path) -> None:
    file, link = tmp_path / "real.toml", tmp_path / "bay.toml"
    file.write_text(WRITTEN)
    file.chmod(0o640)
    link.symlink_to(file)
    edit_file(link, {KEYS: VALUES})
    assert link.is_symlink()
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert "gauge 7" in file.read_text()


def test_somebody_else_s_change_is_not_overwritten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "bay.toml"
    file.write_text(WRITTEN)
    real = settings_editor.edited

    def meanwhile(*arguments: object) -> str:
        file.write_text(WRITTEN + "# somebody\n")
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(settings_editor, "edited", meanwhile)
    with pytest.raises(EditError, match="by somebody else"):
        edit_file(file, {KEYS: VALUES})
    assert file.read_text().endswith("# somebody\n")
