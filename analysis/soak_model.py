"""A soak as the register keeps it: which entries of the journal it is, of which car, and its plan as TOML."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from logger.settings import SectionSettings, settings_from_text
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from logger.settings import Settings, SoakSettings

WHOLE_JOURNAL: Final = 0
"""The number under which a journal is judged in which no soak was ever begun."""


@dataclass(frozen=True, slots=True)
class Soak:
    """One soak: the entries after `after_entry` up to `last_entry` (None: it goes on), and its plan.

    `plan` is TOML, a settings file's `[soak]`, thresholds of single sections, and what sections enclose; it holds for
    the soak whatever the settings file says later.
    """

    id: int
    name: str
    job: str = ""
    car: str = ""
    customer: str = ""
    after_entry: int = 0
    last_entry: int | None = None
    begun: str = ""
    """The newest reading's label when it began, or the clock's, ISO 8601 with Z."""
    ended: str | None = None
    plan: str = ""

    def settings(self, settings: Settings) -> Settings:
        """Return settings with this soak's plan in them."""
        if not self.plan:
            return settings
        planned = settings_from_text(self.plan)
        sections: dict[str, SectionSettings] = dict(settings.sections)
        for name, section in planned.sections.items():
            known = settings.section(name)
            encloses = section.encloses or known.encloses
            sections[name] = replace(known, threshold=section.threshold, encloses=encloses)
        for name, section in sections.items():
            if name not in planned.sections:
                sections[name] = replace(section, threshold=None)
        return replace(settings, soak=planned.soak, sections=sections)

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        planned = settings_from_text(self.plan)
        soak = planned.soak
        return {
            "id": self.id,
            "name": self.name,
            "job": self.job,
            "car": self.car,
            "customer": self.customer,
            "begun": self.begun,
            "ended": self.ended,
            "support": soak.support,
            "gas": soak.gas,
            "threshold": soak.threshold.text,
            "planned_hours": soak.planned_hours,
            "planned_cold_degC": None
            if soak.planned_cold_K is None
            else round(soak.planned_cold_K - ZERO_CELSIUS_K, 2),
            "encloses": {name: list(one.encloses) for name, one in planned.sections.items() if one.encloses},
        }


def plan_text(
    soak: SoakSettings,
    thresholds: Mapping[str, str],
    encloses: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> str:
    """Return a plan as TOML; `thresholds` of single sections as people write them, and what sections enclose.

    >>> from logger.settings import SoakSettings
    >>> print(plan_text(SoakSettings(planned_s=50400.0), {"front_left": "3 %/day"}))
    [soak]
    support = "blocked"
    gas = "nitrogen"
    threshold = "2 %/day"
    planned_length = "50400 s"
    [sections.front_left]
    threshold = "3 %/day"
    """
    lines = ["[soak]"]
    words = {"support": soak.support, "gas": soak.gas, "threshold": soak.threshold.text}
    if soak.planned_s is not None:
        words["planned_length"] = f"{soak.planned_s:.10g} s"
    if soak.planned_cold_K is not None:
        words["planned_cold"] = f"{soak.planned_cold_K - ZERO_CELSIUS_K:.6g} degC"
    lines += [f"{key} = {json.dumps(word, ensure_ascii=False)}" for key, word in words.items()]
    for name in dict.fromkeys((*thresholds, *encloses)):
        lines.append(f"[sections.{name}]")
        if name in thresholds:
            lines.append(f"threshold = {json.dumps(thresholds[name], ensure_ascii=False)}")
        if name in encloses:
            lines.append(f"encloses = {json.dumps(list(encloses[name]), ensure_ascii=False)}")
    return "\n".join(lines)
