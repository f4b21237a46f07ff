"""A wild box as a build on disk: what its owner states, its jig, its takes."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from reference.wild_boxes import WildBox
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import Excitation

USUAL_TAKES = ("channel-match", "load", "free-air", "added-mass", "in-box")


def write_build(
    wild: WildBox, path: Path, excitation: Excitation, seed: int = 0, takes: Iterable[str] = USUAL_TAKES
) -> BuildFolder:
    """Make the build and record the takes in their order; ``seed`` is that of the noise.

    A take ``in-box-bare`` becomes state ``bare``, ``in-box-closed`` state ``port closed``, ``in-box`` state ``stock``.
    """
    folder = BuildFolder.create(path)
    (path / "build.toml").write_text(wild.build_toml(), encoding="utf-8")
    folder.set_calibration(wild.jig.marked_ohm, wild.jig.tolerance_percent)
    for take in takes:
        recording = wild.recording(take, excitation, seed)
        info = recording.info
        folder.add_take(
            recording.samples,
            "PCM_24",
            subject=info.subject,
            state=info.state,
            excitation=excitation,
            sweep_starts=info.sweep_starts,
            origin=info.origin,
            jig=info.jig,
            load_ohm=info.load_ohm,
            load_tolerance_percent=info.load_tolerance_percent,
        )
    return folder
