"""Predicted level and 3 dB point of wild boxes: over Small's reference level, against the true sound in half space.

Both levels are relative: the predicted one over the reference that the measurement itself finds, the true one over the
true reference (Mms of free air, Re alone). So an error of Re, Mms or Bl counts; the room and the microphone do not.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from reference.wild_boxes import KINDS, WildBox, wild_box
from reference.wild_build import write_build
from table import Row, at_least, at_most

from stillbox.analysis.bass.bass_report import BassReport, bass_report
from stillbox.analysis.bench import Bench
from stillbox.analysis.system.box_sound import SHOWN_HZ, hatched_octaves, is_hatched
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation

FIRST_SEED, SPEAKERS, QUICK = 200, 40, 10
LOW_HZ, MIDDLE_HZ, HIGH_HZ = 20.0, 120.0, 300.0
POINTS = 200


def rows(quick: bool = False) -> list[Row]:
    """One row a bar."""
    count = QUICK if quick else SPEAKERS
    low: list[float] = []
    outside: list[np.ndarray] = []
    hatched: list[float] = []
    right: list[bool] = []
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        wild = wild_box(seed, KINDS[seed % len(KINDS)])
        report = _report(wild)
        if report is None:
            continue
        hertz = np.geomspace(LOW_HZ, HIGH_HZ, POINTS)
        found = np.interp(np.log(hertz), np.log(report.curves.frequency_hz), report.curves.level_db)
        error = np.abs(found - (wild.level_db(hertz) - wild.truth.reference_db))
        bands = report.curves.hatched_hz
        low.append(float(np.median(error[hertz <= MIDDLE_HZ])))
        outside.append(error[~is_hatched(bands, hertz)])
        hatched.append(100 * hatched_octaves(bands) / float(np.log2(SHOWN_HZ[1] / SHOWN_HZ[0])))
        if wild.truth.f3_hz is not None:
            least, most = report.f3_hz.interval_95
            right.append(least <= wild.truth.f3_hz <= most)
    share = 100 * float(np.mean(right))
    return [
        at_least(f"wild boxes whose bass is told, of {count}", len(low), count, "{:.0f}"),
        at_most("level 20 to 120 Hz, median error", float(np.median(low)), 0.2, "{:.2f} dB"),
        at_most(
            "level 20 to 300 Hz outside the hatching, 95th percentile of errors",
            float(np.percentile(np.concatenate(outside), 95)), 0.5, "{:.2f} dB",
        ),
        at_most("octaves hatched in the median speaker", float(np.median(hatched)), 15.0, "{:.1f} %"),
        at_least(f"3 dB point inside its interval, of {len(right)}", share, 90.0, "{:.0f} %", "at most 99 % asked"),
    ]  # fmt: skip


def _report(wild: WildBox) -> BassReport | None:
    """Through recordings and a build on disk; None where it is refused."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "wild"
        write_build(wild, path, Excitation(), seed=1)
        try:
            return bass_report(Bench(BuildFolder.open(path)))
        except StillboxError:
            return None
