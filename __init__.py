"""Stillbox: instrument and notebook for people who build and rework passive loudspeakers at home.

This folder is the package ``stillbox``; its rooms are `capture`, `calibration`, `analysis`, `gui` and `commands`.
"""

__version__ = "0.1.0"
