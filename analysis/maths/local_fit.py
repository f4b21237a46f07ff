"""The value of a smooth function at one place from noisy values around it."""

from __future__ import annotations

import numpy as np

from stillbox.capture.arrays import FloatArray


def local_weights(place: FloatArray, degree: int = 2) -> FloatArray:
    """Weights of values at these places that give the polynomial fitted to them at 0, shape of ``place``.

    Tricube weights, so that the farthest count least (Cleveland, J. Am. Stat. Ass. 74, 829-836, 1979 [M]).
    """
    reach = 1.1 * np.max(np.abs(place))
    root = (1 - np.abs(place / reach) ** 3) ** 1.5
    powers = (place[:, None] / reach) ** np.arange(degree + 1)
    return np.asarray(np.linalg.pinv(powers * root[:, None])[0] * root)
