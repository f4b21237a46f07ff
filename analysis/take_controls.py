"""Numbers that a person says of a build, its jig, a take or an output: declared once, as `analysis.controls` says.

Fields of the window, options and the man page have words, limits and help from here. Nothing slow is loaded.
"""

from __future__ import annotations

from stillbox.analysis.controls import Number
from stillbox.capture.ranges import (
    CELSIUS_RANGE,
    HEIGHT_RANGE_M,
    INSIDE_RANGE_MM,
    LOUDEST_RANGE_VOLTS,
    PRESSURE_RANGE_HPA,
    RATED_RANGE_OHM,
)

CELSIUS = Number(
    "celsius", "&Air", "°C", *CELSIUS_RANGE, 1.0, None, 1,
    "Temperature of the air, degrees C, where it is not that of the build: standing waves move by 0.17 % a degree.",
    "--celsius", "as the build says",
)  # fmt: skip
CELSIUS_OF_BUILD = Number(
    "temperature_c", "&Temperature", "°C", *CELSIUS_RANGE, 1.0, 20.0, 1,
    "Of all takes that do not say another: standing waves move by 0.17 % a degree.",
)  # fmt: skip
ABOVE_SEA = Number(
    "metres_above_sea", "&Height above the sea", "m", *HEIGHT_RANGE_M, 1.0, None, 0,
    "Height of the place above the sea; Vas follows the air, and is uncertain by 6 % where it is not known.",
    "--metres-above-sea",
)  # fmt: skip
PRESSURE = Number(
    "pressure_hpa", "or air &pressure", "hPa", *PRESSURE_RANGE_HPA, 1.0, None, 1,
    "As a barometer on the spot shows it; weather reports give it for sea level. Where it is known, the height is not "
    "needed.",
)  # fmt: skip
RATED_OHM = Number(
    "rated_ohms", "&Rated impedance", "Ω", *RATED_RANGE_OHM, 1.0, None, 1,
    "Rated impedance, as printed on the speaker, ohm.", "--rated-ohms",
)  # fmt: skip
INSIDE = tuple(
    Number(side, side, "mm", *INSIDE_RANGE_MM, 1.0, None, 0, f"Inside {side} of the empty box, wall to wall.")
    for side in ("height", "width", "depth")
)
LOAD_OHM = Number(
    "load_ohms", "Resistor &marked", "Ω", 0.1, 100_000.0, 1.0, 8.2, 3,
    "Marked value of the resistor on the clips, for load and check-resistor.", "--load-ohms",
)  # fmt: skip
LOAD_TOLERANCE = Number(
    "load_tolerance", "its &tolerance", "%", 0.0, 50.0, 1.0, 1.0, 1,
    "Tolerance of that resistor, as printed on it.", "--load-tolerance",
)  # fmt: skip
REFERENCE_OHM = Number(
    "reference_ohms", "R&esistor R", "Ω", 0.1, 100_000.0, 1.0, 10.0, 3,
    "The reference resistor R of your jig, ohm. Its value sets the ohms: measure it, or take 1 % or better.",
    "--reference-ohms",
)  # fmt: skip
REFERENCE_TOLERANCE = Number(
    "reference_tolerance", "tolerance", "%", 0.0, 50.0, 1.0, 1.0, 1,
    "Tolerance of the reference resistor; also that of a load that was given none.", "--reference-tolerance",
)  # fmt: skip
LEVEL = Number(
    "level", "&Level", "dBFS", -60.0, 0.0, 1.0, None, 0,
    "Level not to be exceeded; without one the highest that is safe and clean is taken.", "--level", "as is clean",
)  # fmt: skip
LOUDEST_VOLTS = Number(
    "loudest_volts", "At &full scale, V rms", "V", *LOUDEST_RANGE_VOLTS, 1.0, None, 4,
    "Output at full scale, V rms, if it is known; kept for this device.", "--loudest-volts",
)  # fmt: skip
METER_VOLTS = Number(
    "reading", "&Meter reads", "V", 0.0, LOUDEST_RANGE_VOLTS[1], 1.0, 0.0, 4,
    "Volts on the meter while the tone plays.",
)  # fmt: skip
