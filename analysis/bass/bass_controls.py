"""What may be changed in the bass of a box: another volume, another port, another voltage."""

from __future__ import annotations

from stillbox.analysis.controls import Number
from stillbox.capture.ranges import PORT_DIAMETER_RANGE_MM, PORT_LENGTH_RANGE_MM

USUAL_V = 2.83
"""One watt in 8 ohm."""

VOLUME = Number(
    "volume_percent", "&volume", "%", 5.0, 2000.0, 5, 100.0, 0,
    "Foretell: effective volume of the box, in percent of the present one.", "--volume-percent",
)  # fmt: skip
PORT_DIAMETER = Number(
    "port_diameter_mm", "p&ort ⌀", "mm", *PORT_DIAMETER_RANGE_MM, 2, None, 0,
    "Foretell: inner diameter of the port.", "--port-diameter",
)  # fmt: skip
PORT_LENGTH = Number(
    "port_length_mm", "le&ngth", "mm", *PORT_LENGTH_RANGE_MM, 5, None, 0,
    "Foretell: length of the port's tube.", "--port-length",
)  # fmt: skip
VOLTAGE = Number(
    "voltage_v", "driven b&y", "V", 0.01, 100.0, 0, USUAL_V, 2,
    "Rms voltage at the terminals, for excursion and air speed in the port.", "--volts",
)  # fmt: skip
CHANGES = (VOLUME, PORT_DIAMETER, PORT_LENGTH)
"""What makes another box of it."""
