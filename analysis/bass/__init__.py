"""The bass of a box: its sound, what a change costs, netlists."""
