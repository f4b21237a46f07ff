"""What ``build.toml`` says of the air, changed without touching anything else that a person wrote there."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import ValidationError

from stillbox.capture.build.build_description import BuildDescription, read_toml
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError, describe_validation_error
from stillbox.capture.files.build_layout import DESCRIPTION_FILE
from stillbox.capture.files.small_file import read_small_text
from stillbox.capture.files.whole_file import write_whole


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
    """Write the air into ``build.toml``; comments and all other lines stay as they are.

    Raises
    ------
    StillboxError
        A value is out of range, or the file cannot be read or written.
    """
    import tomlkit

    path = build.path / DESCRIPTION_FILE
    with build.lock():
        before = read_toml(path)
        values = vars(air)
        try:
            BuildDescription.model_validate({**before, **values})
        except ValidationError as error:
            raise StillboxError(describe_validation_error(error), "give another value") from error
        document = tomlkit.parse(read_small_text(path))
        for key, value in values.items():
            if value is not None:
                document[key] = value
            elif key in document:
                del document[key]
        write_whole(path, tomlkit.dumps(document))
