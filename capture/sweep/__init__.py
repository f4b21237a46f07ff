"""The excitation and the usual take."""
