"""Numbers that a person says in the notebook: declared once, for options, fields, limits and help alike."""

from __future__ import annotations

from stillbox.analysis.controls import Number
from stillbox.capture.ranges import AREA_RANGE_CM2, COST_RANGE, LAYER_RANGE_MM, MASS_RANGE_G, MINUTES_RANGE

AREA = Number(
    "area_cm2", "its &area", "cm²", *AREA_RANGE_CM2, 100.0, None, 1,
    "Area that the material covers, cm².", "--area",
)  # fmt: skip
THICKNESS = Number(
    "thickness_mm", "&thickness", "mm", *LAYER_RANGE_MM, 1.0, None, 2, "Thickness of the material, mm.", "--thickness"
)
MASS = Number(
    "mass_g", "m&ass", "g", *MASS_RANGE_G, 10.0, None, 1,
    "Mass of the material, g: of loose fibre all that is needed.", "--mass",
)  # fmt: skip
POROSITY = Number(
    "porosity", "&part that is air", "", 0.0, 0.999, 0.05, None, 3,
    "Part of the material that is air, 0 for a solid sheet, 0.95 for foam; known for usual materials.", "--porosity",
    "as usual",
)  # fmt: skip
COST = Number(
    "cost", "&Cost", "", *COST_RANGE, 1.0, None, 2, "What the work cost in money.", "--cost", "not told"
)
MINUTES = Number(
    "minutes", "M&inutes", "min", *MINUTES_RANGE, 5.0, None, 0, "What the work took in time, minutes.", "--minutes",
    "not told",
)  # fmt: skip
NUMBERS = (AREA, THICKNESS, MASS, POROSITY, COST, MINUTES)
