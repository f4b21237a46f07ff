"""``build.toml`` changed in one place, without touching anything else that a person wrote there."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import ValidationError

from stillbox.capture.build.build_description import BuildDescription, read_toml
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError, describe_validation_error
from stillbox.capture.files.build_layout import DESCRIPTION_FILE
from stillbox.capture.files.small_file import read_small_text
from stillbox.capture.files.whole_file import write_whole


def change_description(build: BuildFolder, values: Mapping[tuple[str, ...], float | None]) -> None:
    """Write values into ``build.toml``; comments and all other lines stay as they are.

    Parameters
    ----------
    build : BuildFolder
    values : mapping
        By the names of sections and key; None takes a key away.

    Raises
    ------
    StillboxError
        A value is out of range, or the file cannot be read or written.
    """
    import tomlkit

    path = build.path / DESCRIPTION_FILE
    with build.lock():
        read_toml(path)  # what is no TOML is told with its line
        document = tomlkit.parse(read_small_text(path))
        for (*sections, key), value in values.items():
            table = document
            for section in sections:
                if section not in table:
                    table[section] = tomlkit.table()
                table = table[section]
            if value is not None:
                table[key] = value
            elif key in table:
                del table[key]
        try:
            BuildDescription.model_validate(document.unwrap())
        except ValidationError as error:
            raise StillboxError(describe_validation_error(error), "give another value") from error
        write_whole(path, tomlkit.dumps(document))


def set_tolerances(build: BuildFolder, percents: Mapping[str, float | None]) -> None:
    """Write tolerances of parts into ``build.toml``, percent; None takes what it says of that part away.

    Raises
    ------
    StillboxError
        As `change_description`.
    """
    if percents:
        spelt = {name.casefold(): name for name in build.description.crossover.parts}
        there = {spelt.get(name.casefold(), name): percent for name, percent in percents.items()}
        change_description(build, {("crossover", "parts", name): percent for name, percent in there.items()})
