"""How commands open a build: what is wrong with its files is said before anything slow is loaded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from stillbox.commands.printing import progress

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.capture.build.build_folder import BuildFolder


def open_build(path: Path) -> BuildFolder:
    """The build of a folder, description and calibration read; StillboxError where one of them cannot be."""
    from stillbox.capture.build.build_folder import BuildFolder

    folder = BuildFolder.open(path, progress)
    _ = folder.description, folder.calibration
    return folder


def open_bench(
    path: Path, gate_s: float | None = None, driver: str | None = None, *, told: bool = False
) -> Bench:
    """A bench on the build of a folder; ``told``: what it computes is said on stderr."""
    folder = open_build(path)
    from stillbox.analysis.bench import Bench

    return Bench(folder, gate_s, progress if told else None, driver)
