"""The wrong part: which single fault explains the curve of a finished speaker, given its netlist."""
