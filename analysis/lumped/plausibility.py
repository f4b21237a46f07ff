"""Do takes, settings and fits go together? Sentences where they cannot, each with what to look at."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.maths.quantity import Quantity
from stillbox.capture.arrays import ComplexArray

LARGEST_MISFIT = 0.03
"""Rms of what a fit leaves beyond the noise, relative to the impedance: lumped models of a bare driver, with or
without box, leave a tenth of that (found on random ones); with a part in series they leave ten times that."""
LARGEST_OVER_NOISE = 10.0
"""What a fit may leave, over the noise, without a word."""
RE_OVER_RATED = (0.45, 1.25)
"""DC resistance over rated impedance: usually 0.6 to 0.95, as the impedance must stay above 0.8 of the rated
(IEC 60268-5 [M])."""
LEAST_ALPHA = 0.02
"""A box of fifty times Vas is no box for the driver."""
LARGEST_RE_CHANGE = 0.15
"""Relative change of the DC resistance: a coil 40 K warmer (0.39 % a kelvin)."""
NOTED_MISFIT = 1.1
"""What a fit leaves, over the noise, from which on that is said."""
SECOND_PEAK = 0.15
"""Height over that of the tallest from which on a second peak of a closed box is another resonance of the air."""
NEAR = 4.0
"""Frequency over that of the tallest peak up to which a second one is looked for: above are standing waves."""


def misfit_warning(curve: ImpedanceCurve, fitted_ohm: ComplexArray, what: str) -> list[str]:
    """Say so where the model of ``what`` does not follow the take at all.

    Parameters
    ----------
    curve : ImpedanceCurve
    fitted_ohm : complex ndarray
        The model at the curve's frequencies.
    what : str
        As in "the model of WHAT".
    """
    size2 = np.abs(curve.impedance_ohm) ** 2
    left2 = (np.abs(curve.impedance_ohm - fitted_ohm) ** 2 - curve.noise_variance_ohm2) / size2
    # What is itself uncertain by so much, behind a crossover, proves nothing.
    sure = np.trace(curve.covariance_ohm2, axis1=1, axis2=2) < LARGEST_MISFIT**2 * size2
    misfit = float(np.sqrt(max(0.0, float(np.mean(left2[sure]))))) if np.any(sure) else 0.0
    if misfit < LARGEST_MISFIT:
        return []
    return [
        f"the model of {what} does not follow the take (it is off by {100 * misfit:.0f} % on average): its numbers are "
        "not to be trusted; is there a crossover, a capacitor or a second driver on the clips, or another driver?"
    ]


def noise_warning(reduced_chi_square: float, what: str) -> list[str]:
    """Say so where a fit leaves many times the noise, though little of the impedance."""
    over = float(np.sqrt(reduced_chi_square))
    if over <= LARGEST_OVER_NOISE:
        return []
    return [
        f"the model of {what} leaves {over:.0f} times the noise of the take: the intervals count that, but lean on "
        "the model more than on the take; look for what it does not have (a second gap, a rattling part, a take that "
        "was disturbed), and sweep once more"
    ]


def rated_warning(re_ohm: Quantity, rated_ohm: float | None) -> list[str]:
    """Say so where the DC resistance cannot be that of the rated impedance."""
    if rated_ohm is None:
        return []
    least, most = (share * rated_ohm for share in RE_OVER_RATED)
    if least <= re_ohm.value <= most:
        return []
    return [
        f"a DC resistance of {re_ohm.value:.2f} ohm does not go with a rated impedance of {rated_ohm:g} ohm "
        f"({least:.1f} to {most:.1f} ohm would): check the reference resistor given to 'stillbox calibrate', and "
        "rated_ohm in build.toml"
    ]


def coil_warning(re_in_box_ohm: float, re_free_ohm: float) -> list[str]:
    """Say so where the coil in the box is not the coil in free air."""
    if abs(np.log(re_in_box_ohm / re_free_ohm)) < LARGEST_RE_CHANGE:
        return []
    return [
        f"the DC resistance is {re_in_box_ohm:.2f} ohm in the box but {re_free_ohm:.2f} ohm in free air: is it the "
        "same driver, wired alike, on the same reference resistor, with no crossover or other part on the clips?"
    ]


def no_box_warning(alpha: Quantity) -> list[str]:
    """Say so where the box adds nothing to the driver."""
    if alpha.value >= max(LEAST_ALPHA, 2 * alpha.std):
        return []
    return [
        "the air of the box adds nothing that can be told to the stiffness of the driver's suspension: was the take of "
        "free-air made in this box, or that of in-box in free air? The volume that follows is not to be trusted"
    ]


def open_test_box(resonances: ResonanceFit) -> list[str]:
    """Say so where a test box has two tall peaks: it is not closed."""
    pairs = (*resonances.motional, *resonances.resonances)
    if not pairs:
        return []
    tallest = max(pairs, key=lambda one: one.height_ohm)
    peaks = [
        one
        for one in sorted(pairs, key=lambda one: one.frequency_hz)
        if one.height_ohm > SECOND_PEAK * tallest.height_ohm and one.frequency_hz < NEAR * tallest.frequency_hz
    ]
    if len(peaks) < 2:
        return []
    places = " and ".join(f"{one.frequency_hz:.1f}" for one in peaks)
    return [
        f"the take of test-box has peaks at {places} Hz, as in a box with a port or a large opening: it is not used; "
        "close the box and record it again"
    ]


def misfit_text(reduced_chi_square: float) -> str:
    """What a fit leaves, in words."""
    over = float(np.sqrt(reduced_chi_square))
    if over < NOTED_MISFIT:
        return "the fit follows the take within its noise"
    return f"the fit leaves {over:.1f} times the noise, counted in the uncertainties"
