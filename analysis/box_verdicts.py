"""Verdicts on a fitted box: does it leak, and is there a hump near the tuning that the lumped model does not have?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.box import BoxFit
from analysis.box_model import ABSORPTION, LEAK, LN_WB
from analysis.findings import Resonance
from analysis.quantity import Quantity
from capture.arrays import FloatArray

SMALLEST_LEAK = 0.02
"""1/QL from which on a leak counts: QL = 50 changes the response by less than 0.2 dB (common practice, no source)."""

UNTOLD_Q = 15.0
"""Where not even a leak of this QL could be seen, nothing can be said."""

HUMP_RANGE = (0.6, 1.7)
"""Frequencies around the tuning, as parts of it, in which a hump is looked for."""
SMALLEST_HUMP = 0.003
"""Height of a hump over the height of the lower motional peak from which on it counts."""
STUFFED_Q = 12.0
"""Absorption below this QA goes with a filled box (Small 1973 has 5 and below for filled boxes [M])."""


@dataclass(frozen=True)
class LeakVerdict:
    """Does the box leak?

    Attributes
    ----------
    probability : float
        That 1/QL is more than `SMALLEST_LEAK`.
    ql : Quantity or None
        Where a leak is likely.
    sentence : str
        In words with numbers.
    """

    probability: float
    ql: Quantity | None
    sentence: str

    @property
    def leaks(self) -> bool:
        return self.probability > 0.5


@dataclass(frozen=True)
class Hump:
    """A resonance near the tuning that does not belong to the lumped model.

    ``kind`` is "standing wave" where a mode of the inside dimensions lies there, "over-stuffing" where the absorption
    is that of a filled box, else "undecided".
    """

    resonance: Resonance
    kind: str
    evidence: tuple[str, ...]


def leak_verdict(fit: BoxFit) -> LeakVerdict:
    """Probability of a leak from 1/QL and its uncertainty, what lumped elements cannot tell apart included."""
    reciprocal = fit.loss(LEAK)
    kind = "vented" if fit.vented else "closed"
    if reciprocal is None:
        return _nothing_seen(fit.leak_std, kind)
    probability = float(stats.norm.sf((SMALLEST_LEAK - reciprocal.value) / reciprocal.std))
    if probability <= 0.5:
        limit = reciprocal.value + 1.96 * reciprocal.std
        return LeakVerdict(
            probability, None, f"the {kind} box is tight: QL is {1 / limit:.0f} or more (probability of a leak "
            f"{probability:.2f})"
        )
    ql = Quantity(1 / reciprocal.value, reciprocal.std / reciprocal.value**2)
    return LeakVerdict(
        probability,
        ql,
        f"the {kind} box leaks (probability {probability:.2f}): QL is {ql.text()}; look at the driver's rim, the "
        "terminal, the joints and the wire's hole",
    )


def _nothing_seen(std: float, kind: str) -> LeakVerdict:
    """The best 1/QL is zero: how large could it be all the same?"""
    probability = float(2 * stats.norm.sf(SMALLEST_LEAK / std))
    limit = 1 / (1.96 * std)
    if limit < UNTOLD_Q:
        return LeakVerdict(
            min(probability, 0.5),
            None,
            f"whether the {kind} box leaks cannot be told from its other losses: QL may be as low as {limit:.0f}",
        )
    return LeakVerdict(
        min(probability, 0.5), None, f"no leak shows in the {kind} box: QL is {min(limit, 1000):.0f} or more"
    )


def tuning_hump(
    fit: BoxFit, modes_hz: FloatArray | None = None, stuffed: bool | None = None
) -> Hump | None:
    """The strongest resonance near the tuning of a vented box that the lumped model does not explain.

    Parameters
    ----------
    fit : BoxFit
    modes_hz : ndarray, optional
        Standing waves of the inside dimensions.
    stuffed : bool, optional
        Whether the build says that there is stuffing or a thick lining.
    """
    if not fit.vented:
        return None
    fb_hz = float(np.exp(fit.parameters[fit.box(LN_WB)]) / (2 * np.pi))
    lower = fit.resonances.motional[0]
    near = [
        r
        for r in fit.resonances.resonances
        if HUMP_RANGE[0] * fb_hz < r.frequency_hz < HUMP_RANGE[1] * fb_hz
        and r.height_ohm > SMALLEST_HUMP * lower.height_ohm
    ]
    if not near:
        return None
    hump = max(near, key=lambda r: r.significance)
    evidence = [
        f"{hump.height_ohm:.2f} ± {hump.height_std_ohm:.2f} ohm at {hump.frequency_hz:.1f} Hz "
        f"(Q {hump.q:.1f}), {hump.frequency_hz / fb_hz:.2f} times the tuning of {fb_hz:.1f} Hz; neither of the two "
        "motional peaks of the lumped box",
        f"it explains a chi-square of {hump.significance:.0f} against the known noise",
    ]
    kind = "undecided"
    mode_hz = _nearest(modes_hz, hump.frequency_hz)
    absorption = fit.loss(ABSORPTION)
    if mode_hz is not None:
        kind = "standing wave"
        evidence.append(f"the inside dimensions have a standing wave at {mode_hz:.0f} Hz")
    elif stuffed or (absorption is not None and absorption.value > 1 / STUFFED_Q):
        kind = "over-stuffing"
        if absorption is not None:
            evidence.append(f"absorption in the box is 1/QA = {absorption.text()}: filling stands in the port's way")
        if stuffed:
            evidence.append("the build says that the box is stuffed")
    return Hump(hump, kind, tuple(evidence))


def _nearest(modes_hz: FloatArray | None, frequency_hz: float) -> float | None:
    """A standing wave within 8 % of a frequency."""
    if modes_hz is None or modes_hz.size == 0:
        return None
    nearest = float(modes_hz[np.argmin(np.abs(np.log(modes_hz / frequency_hz)))])
    return nearest if abs(np.log(nearest / frequency_hz)) < 0.08 else None
