"""Tables of published values that tests compare with, as printed there; ``test_second_transcription.py`` checks them.

Each table says where it is from; [M] means from memory of that publication, with digits that were derived anew. What is
wrong in a source stands in ``errata.md``.
"""

from __future__ import annotations

LOSSLESS = 1e12
"""Stands for a QL without end."""

# Degrees C, relative humidity, speed in m/s, density in kg/m3 at 101.325 kPa and 400 ppm CO2: computed independently
# from Cramer, JASA 93(5) 2510-2516, 1993 and CIPM-2007 (Picard et al., Metrologia 45, 149-155, 2008).
AIR = [
    (0, 0.0, 331.45, 1.2930),
    (10, 0.5, 337.78, 1.2444),
    (15, 0.5, 340.88, 1.2216),
    (20, 0.0, 343.36, 1.2046),
    (20, 0.5, 343.99, 1.1993),
    (20, 1.0, 344.61, 1.1941),
    (25, 0.5, 347.13, 1.1773),
    (30, 0.9, 351.24, 1.1482),
]

# Leissa, JSV 31(3) 257-293, 1973: lambda^2 of rectangular plates, all edges supported (exact) and all clamped (as it is
# where Ritz's method has converged, 0.02 to 0.1 % below what is printed). a/b; the first three of each.
LEISSA = [
    (0.4, [11.449, 16.186, 24.082], [23.644, 27.807, 35.417]),
    (2 / 3, [14.256, 27.416, 43.865], [27.005, 41.704, 66.124]),
    (1.0, [19.739, 49.348, 49.348], [35.985, 73.394, 73.394]),
    (1.5, [32.076, 61.685, 98.696], [60.761, 93.833, 148.78]),
    (2.5, [71.555, 101.163, 150.511], [147.77, 173.79, 221.36]),
]

# Closed boxes: Small, JAES 20(10) 798-808, 1972 [M]. Qtc, f3/fc, peak in dB, its place over fc.
CLOSED = (
    (0.5, 1.5538, 0.0, None),
    (0.5774, 1.2720, 0.0, None),
    (0.7071, 1.0000, 0.0, None),
    (0.8, 0.8972, 0.213, 2.138),
    (0.9, 0.8295, 0.688, 1.616),
    (1.0, 0.7862, 1.249, 1.414),
    (1.1, 0.7567, 1.833, 1.305),
    (1.2, 0.7358, 2.412, 1.238),
    (1.5, 0.6993, 4.033, 1.134),
    (2.0, 0.6736, 6.301, 1.069),
)

# B4: Small, "Vented-Box Loudspeaker Systems" I, JAES 21, 1973 [M]. QL, QT, alpha.
B4 = (
    (LOSSLESS, 0.3827, 1.4142),
    (20.0, 0.3901, 1.2861),
    (15.0, 0.3927, 1.2444),
    (10.0, 0.3979, 1.1629),
    (7.0, 0.4048, 1.0613),
    (5.0, 0.4144, 0.9316),
    (3.0, 0.4386, 0.6543),
)

# BL4: sites.google.com/site/diyloudspeakerdesign, alignment tables (QL 7); without losses derived anew. QL, QT, alpha,
# h, f3/fs.
BL4 = ((7.0, 0.3312, 1.9076, 0.97354, 1.4941), (LOSSLESS, 0.3162, 2.3333, 0.9759, 1.4959))

# QB3: Thiele, "Loudspeakers in Vented Boxes", JAES 19, 1971, table I [M]; derived anew. QL, QT, h, alpha, f3/fs.
QB3 = (
    (LOSSLESS, 0.370, 1.0285, 1.5944, 1.0625),
    (LOSSLESS, 0.350, 1.0784, 1.9188, 1.1679),
    (LOSSLESS, 0.303, 1.2244, 2.9469, 1.4481),
    (LOSSLESS, 0.300, 1.2354, 3.0293, 1.4679),
    (LOSSLESS, 0.259, 1.4133, 4.4563, 1.7721),
    (LOSSLESS, 0.209, 1.7298, 7.4543, 2.2738),
    (LOSSLESS, 0.180, 1.9968, 10.4449, 2.6792),
    (7.0, 0.40, 1.0106, 1.1141, 1.0214),
    (7.0, 0.37, 1.0834, 1.4905, 1.1651),
    (7.0, 0.35, 1.1395, 1.7964, 1.2702),
    (7.0, 0.32, 1.2376, 2.3667, 1.4439),
    (7.0, 0.30, 1.3145, 2.8452, 1.5732),
    (7.0, 0.25, 1.5629, 4.5822, 1.9667),
    (7.0, 0.20, 1.9393, 7.7775, 2.5289),
)
# As Thiele printed them: QT, h, alpha, f3/fs.
THIELE = ((0.303, 1.23, 2.95, 1.45), (0.259, 1.42, 4.46, 1.77), (0.209, 1.73, 7.48, 2.28), (0.180, 2.00, 10.48, 2.68))

# C4: Thiele 1971 [M]. k; QT, h, alpha, f3/fs without losses and for QL 7; ripple in dB.
C4 = (
    (0.8, (0.4148, 0.9282, 1.0547, 0.8671), (0.4410, 0.9189, 0.7451, 0.8627), 0.003),
    (0.6, (0.4650, 0.8288, 0.7289, 0.7282), (0.4988, 0.8051, 0.4679, 0.7177), 0.068),
    (0.5, (0.5053, 0.7702, 0.5890, 0.6582), (0.5465, 0.7364, 0.3517, 0.6436), 0.214),
    (0.4, (0.5685, 0.7087, 0.4697, 0.5904), (0.6231, 0.6614, 0.2513, 0.5703), 0.586),
)

# JCGM 100:2008, table H.2, as in the R package "errors", dataset GUM.H.2: V in volt, I in milliampere, phi in radian.
GUM_H2 = (
    (5.007, 19.663, 1.0456),
    (4.994, 19.639, 1.0438),
    (5.005, 19.640, 1.0468),
    (4.990, 19.685, 1.0428),
    (4.999, 19.678, 1.0433),
)

# Harmonic k arrives earlier by L ln k. Farina, AES 108th convention 2000, preprint 5093, and 122nd convention 2007
# (from memory, [M]), re-derived; synchronised form: Novak, Lotton, Simon, JAES 63(10) 786-798,
# 2015. f1, f2 in Hz, T and L in s; how much earlier harmonics 2 to 5 come, in s.
HARMONIC_DELAYS = [
    (20.0, 20_000.0, 10.0, 1.447648, (1.00343, 1.59040, 2.00687, 2.32990)),
    (20.0, 20_000.0, 1.0, 0.144765, (0.10034, 0.15904, 0.20069, 0.23299)),
    (10.0, 24_000.0, 5.0, 0.642407, (0.44528, 0.70576, 0.89057, 1.03391)),
]
