"""Verdicts on a fitted box: whether it leaks, and whether a hump near the tuning is none of the lumped model."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from stillbox.analysis.enclosure.box import BoxFit
from stillbox.analysis.enclosure.box_priors import LEAK_STD
from stillbox.analysis.enclosure.box_quantities import LossQ, leakage
from stillbox.analysis.impedance.findings import Resonance
from stillbox.analysis.impedance.repeatability import USUAL_LOSS
from stillbox.analysis.maths.quantity import normal_density, value_text
from stillbox.capture.arrays import FloatArray

SMALLEST_LEAK = 0.02
"""1/QL from which on a leak counts: QL = 50 changes the response by less than 0.2 dB (common practice, no source)."""

SURE = 0.9
"""Probability from which on a verdict is given."""

HUMP_RANGE = (0.6, 1.7)
"""Frequencies around the tuning, as parts of it, in which a hump is looked for."""
SMALLEST_HUMP = 0.003
"""Height of a hump over the height of the lower motional peak from which on it counts."""
STUFFED_Q = 12.0
"""Absorption below this QA goes with a filled box (Small 1973 has 5 and below for filled boxes [M])."""


@dataclass(frozen=True)
class LeakVerdict:
    """Whether the box leaks.

    Attributes
    ----------
    word : str
        "leaks" and "tight" where that is at least as likely as `SURE`, else "cannot be told".
    probability : float
        That there is a leak with 1/QL above `SMALLEST_LEAK`.
    ql : LossQ
        As it repeats.
    sentence : str
        In words with numbers.
    """

    word: Literal["leaks", "tight", "cannot be told"]
    probability: float
    ql: LossQ
    sentence: str

    @property
    def leaks(self) -> bool | None:
        """None where it cannot be told."""
        return None if self.word == "cannot be told" else self.word == "leaks"


def undecided(verdict: LeakVerdict, reason: str) -> LeakVerdict:
    """No verdict, because the fit that it stands on cannot be trusted."""
    return replace(verdict, word="cannot be told", sentence=f"whether the box leaks cannot be told: {reason}")


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
    """Leak or none, from 1/QL and its uncertainty, what lumped elements cannot tell apart included."""
    found = leakage(fit)
    probability = leak_probability(0.0 if found.reciprocal is None else found.reciprocal.value, found.std)
    ql = found.as_it_repeats(USUAL_LOSS)
    kind = "vented" if fit.vented else "closed"
    said = likelihood_text(probability)
    if probability >= SURE:
        limits = f"QL is {ql.text()} ({ql.interval_text()})"
        advice = "look at the driver's rim, the terminal, the joints and the wire's hole"
        return LeakVerdict(
            "leaks", probability, ql, f"the {kind} box leaks (probability of a leak {said}): {limits}; {advice}"
        )
    if probability <= 1 - SURE:
        return LeakVerdict(
            "tight",
            probability,
            ql,
            f"the {kind} box is tight (probability of a leak {said}): QL is {ql.least_text()}",
        )
    return LeakVerdict(
        "cannot be told",
        probability,
        ql,
        f"whether the {kind} box leaks cannot be told from its other losses (probability of a leak {said}): QL is "
        f"{ql.least_text()}",
    )


def leak_probability(value: float, std: float) -> float:
    """Probability of a leak that counts, if before the take a leak and none were equally likely.

    The size of a leak is half-normal beforehand (`LEAK_STD`), so that the fit's 1/QL with its uncertainty, cut at 0, is
    its distribution if there is one. That there is none is then B times as likely, B being the density at 0 after the
    take over that before (Savage-Dickey: Dickey, Ann. Math. Stat. 42, 204-223, 1971 [M]).
    """
    inside = float(special.ndtr(value / std))
    after = normal_density(value / std) / (std * inside)
    before = 2 * normal_density(0.0) / LEAK_STD
    counts = float(special.ndtr((value - SMALLEST_LEAK) / std)) / inside
    return counts / (1 + after / before)


def likelihood_text(probability: float) -> str:
    """Two digits; none is ever certain."""
    if probability > 0.99:
        return "above 0.99"
    return "below 0.01" if probability < 0.01 else f"{probability:.2f}"


def tuning_hump(fit: BoxFit, modes_hz: FloatArray | None = None, stuffed: bool | None = None) -> Hump | None:
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
    fb_hz = fit.model.tuning_rad_s(fit.numbers) / (2 * np.pi)
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
        f"{value_text(hump.height_ohm, hump.height_std_ohm, 'ohm')} at {hump.frequency_hz:.1f} Hz "
        f"(Q {hump.q:.1f}), {hump.frequency_hz / fb_hz:.2f} times the tuning of {fb_hz:.1f} Hz; neither of the two "
        "motional peaks of the lumped box",
        f"it explains a chi-square of {hump.significance:.0f} against the known noise",
    ]
    kind = "undecided"
    mode_hz = _nearest(modes_hz, hump.frequency_hz)
    absorption = fit.loss("absorption")
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
