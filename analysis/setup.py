"""From a settings file to what the estimator is told of a section."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.inputs import SectionSetup

if TYPE_CHECKING:
    from logger.settings import Settings


def setup_of(settings: Settings, name: str) -> SectionSetup:
    """Return what the settings say of a section."""
    section, sensor = settings.section(name), settings.sensor_of(name)
    return SectionSetup(
        name=name,
        reference=sensor.reference,
        full_scale_Pa=sensor.full_scale_Pa,
        temperature_coefficient_per_K=sensor.temperature_coefficient_per_K,
        sealed_reference_Pa=sensor.sealed_reference_Pa,
        gas_column_m=section.gas_column_m,
        gas_column_uncertainty=section.gas_column_uncertainty,
        reference_height_m=section.reference_height_m,
    )
