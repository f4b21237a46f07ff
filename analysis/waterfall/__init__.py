"""Cumulative spectral decay from the impedance, and its ridges."""
