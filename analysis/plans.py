"""A soak's plan as it is given on the command line, and as it is told there."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

from logger.errors import PlainError

if TYPE_CHECKING:
    from analysis.soak_model import Soak
    from logger.settings import Settings


def plan_from(
    settings: Settings, changes: dict[str, str | None], thresholds: list[str], encloses: list[str]
) -> str:
    """Return the plan as TOML: the settings', with what was given on the command line put over it."""
    from analysis.soak_model import plan_text  # noqa: PLC0415
    from logger.settings import SettingsError, settings_from_text  # noqa: PLC0415

    soak = settings.soak
    of_sections = {
        name: section.threshold.text for name, section in settings.sections.items() if section.threshold
    }
    given = {key: value for key, value in changes.items() if value is not None}
    for text in thresholds:
        section, equals, limit = text.rpartition("=")
        if equals:
            of_sections[section.strip()] = limit.strip()
        else:
            given["threshold"] = text
    try:
        lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in given.items()]
        read = settings_from_text("\n".join(["[soak]", *lines])).soak
        fields = {"planned_length": "planned_s", "planned_cold": "planned_cold_K"}
        soak = replace(soak, **{field: getattr(read, field) for field in (fields.get(k, k) for k in given)})
        plan = plan_text(soak, of_sections, _enclosed(settings, encloses))
        settings_from_text(plan)
    except SettingsError as error:
        raise PlainError(f"{error.key.removeprefix('soak.')}: {error.reason}") from None
    return plan


def _enclosed(settings: Settings, given: list[str]) -> dict[str, tuple[str, ...]]:
    """Return what each section encloses: as in the settings, with what was given on the command line put over it."""
    encloses = {name: section.encloses for name, section in settings.sections.items() if section.encloses}
    for text in given:
        name, equals, components = text.partition("=")
        named = tuple(part.strip() for part in components.split(",") if part.strip())
        if not equals or not named:
            raise PlainError(f"--encloses: '{text}': write section=component, component")
        encloses[name.strip()] = named
    return encloses


def soak_words(soak: Soak) -> str:
    """Return all that the register says of a soak, in a line."""
    words = [f"{soak.name}: {soak.begun} to {soak.ended or 'now'}", plan_words(soak)]
    words += [
        f"{what} {text}"
        for what, text in (("job", soak.job), ("car", soak.car), ("customer", soak.customer))
        if text
    ]
    enclosed = soak.as_dict()["encloses"]
    words += [f"{section} encloses {', '.join(parts)}" for section, parts in enclosed.items()]
    return "; ".join(words)


def plan_words(soak: Soak) -> str:
    """Return the plan in a line."""
    said = soak.as_dict()
    words = [said["support"], said["gas"], f"limit {said['threshold']}"]
    if said["planned_hours"] is not None:
        words.append(f"planned {said['planned_hours']:.3g} h")
    if said["planned_cold_degC"] is not None:
        words.append(f"down to {said['planned_cold_degC']:g} °C")
    return ", ".join(words)
