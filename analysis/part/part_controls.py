"""What a person may say of a part: declared once, as `analysis.controls` says."""

from __future__ import annotations

from stillbox.analysis.controls import Number
from stillbox.capture.ranges import LOUDEST_RANGE_VOLTS

TOLERANCE = Number(
    "tolerance_percent", "&Tolerance", "%", 0.0, 80.0, 1.0, None, 2,
    "Tolerance of the part, percent, where its marking has no letter for it.", "--tolerance",
)  # fmt: skip

USUAL_HZ = 140.0
"""Of the table over the level: where an iron core bends most, and no harmonic of the mains lies."""
AT_HZ = Number(
    "at_hz", "at", "Hz", 20.0, 2000.0, 10.0, USUAL_HZ, 0,
    "Frequency at which a coil is told over the level, Hz; left out: 140.", "--at-hz",
)  # fmt: skip
LOUDEST = Number(
    "loudest_volts", "full scale", "V", *LOUDEST_RANGE_VOLTS, 1.0, None, 4,
    "Output at full scale, V rms, for takes that do not tell; with it currents are in ampere.", "--loudest-volts",
)  # fmt: skip
