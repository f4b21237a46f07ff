"""The usual take: how many sweeps of which length, for `record`, `excitation` and the window alike.

Several sweeps tell what one cannot: which of them a sound disturbed, and what drifts. Measured: three of 2 s give the
ohms of one of 5 s (noise, second harmonic, peaks of Q 30 at 20 Hz) in 1.2 s more; shorter ones let the speaker's
distortion into 20 to 60 Hz, and of two nobody can say which is the better one.
"""

SWEEPS = 3
SECONDS = 2.0
SILENCE_BEFORE_S = 1.0
SILENCE_AFTER_S = 0.4
"""After each sweep. What rings longer than this was swept at the beginning, and has rung out by its end."""
