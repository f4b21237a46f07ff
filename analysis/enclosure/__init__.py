"""Lumped models of boxes, their fits and verdicts, and the second take."""
