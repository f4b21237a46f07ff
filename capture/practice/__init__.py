"""The practice rig: a simulated jig with a simulated speaker."""
