"""Jig model and calibration standards, microphone files, level."""
