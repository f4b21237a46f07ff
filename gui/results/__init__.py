"""The right half of the window."""
