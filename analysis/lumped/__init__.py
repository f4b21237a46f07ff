"""Lumped models of coil and driver, and their fits."""
