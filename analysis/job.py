"""The soaks of a job and what each of their sections enclosed: from a job's file, or from findings and settings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from analysis.compare import Z95
from analysis.found import VERDICTS, findings_from
from analysis.suspects import LEAKS, Observation, log_likelihoods, verdict_likelihoods
from logger import units
from logger.bounded import file_bytes, toml_of
from logger.errors import PlainError
from logger.settings import SettingsError, load_settings
from logger.settings_table import Table
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from logger.settings import Settings

# What is claimed where nobody knows how cold it was: tight when warm, leaking when cold.
UNKNOWN_degC: Final = {"tight": 20.0, "undecided": 20.0, "leaking": -40.0}
ONSET_SAYS: Final = 11.0
"""How much likelier an onset is told if there is one: findings tell it from 0.8 of the weight, a priori it has 0.22 : 0.6
against a steady leak, (0.8/0.2)/(0.22/0.6). Often it is much more, but findings don't say how much."""


@dataclass(frozen=True)
class Job:
    """All that is known of a job: prior of each component, observations, and what could not be used."""

    priors: Mapping[str, float]
    observations: tuple[Observation, ...]
    notes: tuple[str, ...]


def job_of(
    soaks: Sequence[tuple[str, Mapping[str, Any], Mapping[str, tuple[str, ...]]]],
    priors: Mapping[str, float] | None = None,
) -> Job:
    """Return the job of these soaks: (name, findings, what each section encloses)."""
    observations: list[Observation] = []
    notes: list[str] = []
    for name, found, encloses in soaks:
        for section in found["sections"]:
            components = encloses.get(section["name"], ())
            if not components:
                notes.append(
                    f"{name}, {section['name']}: nothing says what it encloses, so it tells nothing "
                    f"(sections.{section['name']}.encloses)."
                )
                continue
            seen = observe(name, section, frozenset(components))
            if not seen:
                notes.append(f"{name}, {section['name']}: undecided without a loss; it tells nothing.")
            observations += seen
    named = dict.fromkeys(component for one in observations for component in sorted(one.encloses))
    given = dict(priors or {})
    notes += [
        f"{component}: is in no section of any soak, so nothing is learned of it; isolate it."
        for component in given
        if component not in named
    ]
    if not observations:
        raise PlainError("no soak says anything of any component: " + " ".join(notes))
    return Job(
        {**{name: given.get(name, LEAKS) for name in named}, **given}, tuple(observations), tuple(notes)
    )


def observe(soak: str, section: Mapping[str, Any], encloses: frozenset[str]) -> list[Observation]:
    """Return what a section's findings say: of its coldest, and, if it has an onset, of the warm side of that."""
    coldest = section["coldest_gas_degC"]
    # up to the next whole degree: nothing is claimed of colder than was reached
    at = UNKNOWN_degC[section["verdict"]] if coldest is None else float(math.ceil(coldest))
    likelihoods = verdict_likelihoods(section["verdict"])
    loss, interval = section["loss_per_day"], section["loss_per_day_interval95"]
    if loss is not None and interval is not None:
        deviation = max((interval[1] - interval[0]) / (2.0 * Z95), 1e-6)
        likelihoods = log_likelihoods(loss, deviation, section["threshold_per_day"])
        # a leak that shows in a part of the soak only is no small loss: then the verdict counts, not the mean
        if section["verdict"] != _by_mean(section):
            likelihoods = verdict_likelihoods(section["verdict"])
    elif section["verdict"] == "undecided":
        return []
    out = [Observation(soak, section["name"], encloses, at, section["verdict"], *likelihoods)]
    onset = section["cold_onset_interval95_degC"]
    if onset is not None and section["verdict"] == "leaking" and math.ceil(onset[1]) > at:
        warm = (-math.log(ONSET_SAYS), 0.0)
        above = float(math.ceil(onset[1]))
        out.append(Observation(soak, section["name"], encloses, above, "tight", *warm))
    return out


def _by_mean(section: Mapping[str, Any]) -> str:
    over = section["probability_over_threshold"]
    if over is None:
        return str(section["verdict"])
    return "leaking" if over >= 0.95 else "tight" if over <= 0.05 else "undecided"


def read_job(path: Path) -> Job:
    """Read a job's file (TOML); raises PlainError or SettingsError with file, key and reason."""
    try:
        data = toml_of(file_bytes(path).decode("utf-8"))
    except OSError as error:
        raise PlainError(f"{path}: can't be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise PlainError(f"{path}: is not UTF-8 text") from None
    except ValueError as error:
        raise PlainError(f"{path}: is no valid TOML: {error}") from None
    top = Table(data, str(path))
    components = top.table("components")
    priors = {
        name: components.quantity(name, units.FRACTION, LEAKS, 1e-4, 0.99) for name in components.names()
    }
    soaks = [_soak(table, path, i) for i, table in enumerate(top.tables("soak"), 1)]
    top.finish()
    if not soaks:
        raise SettingsError(str(path), "soak", "there is none; each begins with [[soak]]")
    return job_of(soaks, priors)


def _soak(
    table: Table, path: Path, number: int
) -> tuple[str, Mapping[str, Any], Mapping[str, tuple[str, ...]]]:
    name = table.text("name", f"soak {number}")
    found_in = table.text("found", "")
    by = table.text("settings", "")
    settings = load_settings(path.parent / by) if by else None
    typed = table.tables("section")
    encloses_table = table.table("encloses")
    encloses = {section: encloses_table.texts(section) for section in encloses_table.names()}
    table.finish()
    if bool(found_in) == bool(typed):
        raise table.error(
            "found", "give either a file of findings, or the sections by hand under [[soak.section]]"
        )
    if found_in:
        found = findings_from(str(path.parent / found_in), settings)
    else:
        sections = [_section(one, encloses) for one in typed]
        found = {"sections": sections}
    known = {section["name"] for section in found["sections"]}
    for section in encloses:
        if section not in known:
            raise table.error(
                "encloses", f"{name} has no section '{section}', but {', '.join(sorted(known))}"
            )
    return name, found, {**enclosed_by(settings), **encloses}


def _section(table: Table, encloses: dict[str, tuple[str, ...]]) -> dict[str, Any]:
    name = table.text("name", "")
    if not name:
        raise table.error("name", "a section needs one")
    verdict = table.choice("verdict", tuple(sorted(VERDICTS)), "")
    coldest_K = table.optional_quantity("coldest", units.TEMPERATURE, 223.15, 333.15)
    if table.has("encloses"):
        encloses[name] = table.texts("encloses")
    table.finish()
    return {
        "name": name,
        "verdict": verdict,
        "loss_per_day": None,
        "loss_per_day_interval95": None,
        "coldest_gas_degC": None if coldest_K is None else coldest_K - ZERO_CELSIUS_K,
        "cold_onset_interval95_degC": None,
    }


def enclosed_by(settings: Settings | None) -> dict[str, tuple[str, ...]]:
    """Return what each section encloses by the settings."""
    if settings is None:
        return {}
    return {name: section.encloses for name, section in settings.sections.items() if section.encloses}


def registered_soaks(
    path: Path, job: str, settings: Settings | None
) -> list[tuple[str, Mapping[str, Any], Mapping[str, tuple[str, ...]]]]:
    """Return the soaks of a job in a journal's register: name, findings, and what each section enclosed then."""
    from analysis.live import JournalFollower  # noqa: PLC0415  a job's file of findings needs no journal
    from analysis.register import read_register  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    soaks, beside = read_register(path)
    mine = [soak for soak in soaks if soak.job.strip() == job.strip()]
    if not mine:
        known = ", ".join(f"'{name}'" for name in dict.fromkeys(s.job.strip() for s in soaks) if name)
        raise PlainError(f"{path}: no soak has the job '{job}' (jobs there: {known or 'none'})")
    out: list[tuple[str, Mapping[str, Any], Mapping[str, tuple[str, ...]]]] = []
    with JournalReader(path) as reader:
        for soak in mine:
            follower = JournalFollower(reader, settings, soak, beside)
            while follower.step():
                pass
            found = follower.findings(final=True)
            if found is None:
                raise PlainError(f"{path}: the soak '{soak.name}' holds no samples of a section's pressure")
            out.append((soak.name, found, enclosed_by(follower.journal.settings)))
    return out
