"""A build for a speaker of the practice rig, with all that is known of it."""

from __future__ import annotations

from pathlib import Path

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.files.whole_file import write_whole
from stillbox.capture.practice.practice_speakers import (
    ADDED_MASS_KG,
    BARE_BOX,
    CONE_MM,
    DRIVER_M,
    INSIDE_M,
    PORT_DIAMETER_M,
    PORT_LENGTH_M,
    PORT_M,
    TWEETER,
    WOOFER,
    speaker_named,
)

REFERENCE_OHM, TOLERANCE_PERCENT = 10.0, 1.0
"""Of the rig's reference resistor."""
TWEETER_LOWEST_HZ = 1500.0
"""Nobody sweeps the rig's tweeter lower on its own terminals: its resonance lies at some 850 Hz."""


def practice_build(path: Path | str, speaker: str = BARE_BOX) -> BuildFolder:
    """Make the folder with the box, the driver and the jig of the rig in it; with its crossover also whose limits.

    Raises
    ------
    StillboxError
        If the rig has no such speaker, there is a build already, or the folder cannot be made.
    """
    crossed = speaker_named(speaker).crossover is not None
    build = BuildFolder.create(path, _in_mm(INSIDE_M), 8.0, 0.0)
    description = build.path / "build.toml"
    text = description.read_text(encoding="utf-8")
    write_whole(description, text[: text.index("[driver]")] + _notes(crossed))
    build.set_calibration(REFERENCE_OHM, TOLERANCE_PERCENT)
    return build


def _notes(crossed: bool) -> str:
    """What ``build.toml`` says of the practice rig's woofer and box, and of its tweeter where there is one."""
    name = {"name": f'"{WOOFER}"'} if crossed else {}
    tables: dict[str, dict[str, object]] = {
        "added_mass": {"grams": 1000 * ADDED_MASS_KG},
        "driver": {**name, "diameter_mm": CONE_MM, **_place(DRIVER_M)},
        "port": {"diameter_mm": 1000 * PORT_DIAMETER_M, "length_mm": 1000 * PORT_LENGTH_M, **_place(PORT_M)},
    }
    if crossed:
        tables[f"limits.drivers.{TWEETER}"] = {"lowest_hz": TWEETER_LOWEST_HZ}
    return "\n".join(
        "\n".join([f"[{table}]", *(f"{key} = {_words(value)}" for key, value in lines.items()), ""])
        for table, lines in tables.items()
    )


def _words(value: object) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _place(place_m: tuple[float, float, float]) -> dict[str, float]:
    from_top_mm, from_left_mm, _ = _in_mm(place_m)
    return {"from_top_mm": from_top_mm, "from_left_mm": from_left_mm}


def _in_mm(lengths_m: tuple[float, float, float]) -> tuple[float, float, float]:
    first, second, third = (round(1000 * length, 3) for length in lengths_m)
    return first, second, third
