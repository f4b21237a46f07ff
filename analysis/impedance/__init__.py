"""Spectrum and curve of the impedance, resonances, findings, detection limit, how things repeat."""
