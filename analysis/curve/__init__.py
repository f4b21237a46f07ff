"""The impedance of a take: shown, drawn, written."""
