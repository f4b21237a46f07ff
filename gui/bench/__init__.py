"""The left half of the window."""
