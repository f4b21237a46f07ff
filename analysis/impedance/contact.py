"""What clipping on does by itself: the contacts of the clips have another resistance each time.

A take of ``short`` shows the resistance of wires and clips as they were clipped that time, and it is taken out of all
other takes. What is on the clips then was clipped on anew. So a resistance is left in every impedance, the same at all
frequencies: no averaging over them makes it smaller, and it adds nothing to the height of a resonance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stillbox.analysis.impedance.repeatability import USUAL
from stillbox.calibration.jig import JigCalibration
from stillbox.capture.arrays import ComplexArray, FloatArray

USUAL_OHM = 0.005
"""Standard deviation from one clipping to the next where nothing shows it: clean clips on bare wire have some
milliohms, and they change by about as much (common practice, no source)."""

_WORTH = 1.0
"""Differences that the usual size counts for beside those of the takes themselves: two takes are alike by chance."""
_MUCH_OHM = 0.03
_REMEDY = "clean the clips, and set aside the takes of short that were made with other wires"
_BAND_HZ = (50.0, 5_000.0)


def contact_std_ohm(short_ohm: Sequence[float]) -> float:
    """Standard uncertainty of the resistance that a clipping leaves after the correction by one take of ``short``.

    Parameters
    ----------
    short_ohm : sequence of float
        Resistance of each take of ``short``, re any of them; at least one.

    Returns
    -------
    float
        Of the difference of two clippings: that of what is measured and that of the take of ``short``.
    """
    freedom = len(short_ohm) - 1
    among = float(np.var(short_ohm, ddof=1)) if freedom > 0 else 0.0
    # The usual size widens what is small by chance; it takes nothing from clips that scatter more.
    pooled = (freedom * among + _WORTH * USUAL_OHM**2) / (freedom + _WORTH)
    return float(np.sqrt(2 * max(among, pooled)))


def resistance_ohm(calibration: JigCalibration, frequency_hz: FloatArray, ratio: ComplexArray) -> float:
    """Resistance on the clips in the middle of the band, from the ratio of the channels at other frequencies."""
    known_hz = calibration.frequency_hz
    impedance = calibration.impedance_from_ratio(np.interp(known_hz, frequency_hz, ratio))
    low_hz, high_hz = max(_BAND_HZ[0], frequency_hz[0]), min(_BAND_HZ[1], frequency_hz[-1])
    inside = (known_hz >= low_hz) & (known_hz <= high_hz)
    return float(np.median(impedance.real[inside] if np.any(inside) else impedance.real))


def contact_sentence(short_ohm: Sequence[float]) -> str:
    """What is known of it, and what would tell more."""
    std_ohm = contact_std_ohm(short_ohm)
    if len(short_ohm) < 2:
        return (
            f"how much clipping on anew changes the resistance is not known: {std_ohm:.2g} ohm, a {USUAL}, "
            "is in the uncertainty of every impedance; clip the short on anew and record it again to see it"
        )
    remedy = f"; {_REMEDY}" if std_ohm > _MUCH_OHM else ""
    return (
        f"the {len(short_ohm)} takes of short lie within {float(np.ptp(short_ohm)):.2g} ohm of one another: "
        f"{std_ohm:.2g} ohm for clipping on anew is in the uncertainty of every impedance{remedy}"
    )


def contact_warnings(short_ohm: Sequence[float]) -> tuple[str, ...]:
    """The same, for each take, where it is more than clips should do."""
    return (contact_sentence(short_ohm),) if short_ohm and contact_std_ohm(short_ohm) > _MUCH_OHM else ()


def uncorrected_warnings(calibration: JigCalibration) -> tuple[str, ...]:
    """A warning on what of the jig's own faults is left in the ohms."""
    if not calibration.uncorrected:
        return ()
    return (
        f"the jig's own faults are left in these numbers: {', '.join(calibration.uncorrected)}; "
        "record channel-match, open, short and load to take them out",
    )
