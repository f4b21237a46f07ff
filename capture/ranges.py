"""Between which ends what a person says may lie; nothing is loaded here."""

from __future__ import annotations

CELSIUS_RANGE = (-30.0, 60.0)
"""Temperatures of the air for which its speed of sound can be computed, degrees C."""
HEIGHT_RANGE_M, PRESSURE_RANGE_HPA = (-430.0, 4300.0), (600.0, 1100.0)
"""Of a place above the sea, and of the air there."""
INSIDE_RANGE_MM = (20.0, 5000.0)
"""A side of a box."""
PORT_DIAMETER_RANGE_MM, PORT_LENGTH_RANGE_MM = (5.0, 1000.0), (1.0, 5000.0)
RATED_RANGE_OHM = (0.5, 1000.0)
LOUDEST_RANGE_VOLTS = (0.001, 200.0)
"""Of an output at full scale, rms."""
AREA_RANGE_CM2, LAYER_RANGE_MM, MASS_RANGE_G = (0.1, 1_000_000.0), (0.01, 1000.0), (0.1, 100_000.0)
"""Of a material in the box: what it covers, how thick it is, what it weighs."""
COST_RANGE, MINUTES_RANGE = (0.0, 1_000_000.0), (0.0, 100_000.0)
"""Of one piece of work."""
