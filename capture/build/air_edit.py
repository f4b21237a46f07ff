"""What ``build.toml`` says of the air, changed without touching anything else that a person wrote there."""

from __future__ import annotations

from dataclasses import dataclass

from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.description_edit import change_description


@dataclass(frozen=True)
class BuildAir:
    """The air at a build's place: temperature in degrees C, height in m, pressure in hPa; None where not told."""

    temperature_c: float
    metres_above_sea: float | None = None
    pressure_hpa: float | None = None

    @classmethod
    def of(cls, description: BuildDescription) -> BuildAir:
        return cls(description.temperature_c, description.metres_above_sea, description.pressure_hpa)


def set_air(build: BuildFolder, air: BuildAir) -> None:
    """Write the air into ``build.toml``; StillboxError as `change_description` has it."""
    change_description(build, {(key,): value for key, value in vars(air).items()})
