"""What a person may say of a part: declared once, as `analysis.controls` says."""

from __future__ import annotations

from stillbox.analysis.controls import Number

TOLERANCE = Number(
    "tolerance_percent", "&Tolerance", "%", 0.0, 80.0, 1.0, None, 2,
    "Tolerance of the part, percent, where its marking has no letter for it.", "--tolerance",
)  # fmt: skip
