"""Lumped models of boxes: fits, what is read off them, verdicts."""
