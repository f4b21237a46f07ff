"""One factor on all standing waves between two takes: warmer air, or a filling that slows sound down."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.air import speed_of_sound_m_s
from analysis.findings import Cause, Finding
from analysis.quantity import change_text

SHARING: tuple[Cause, ...] = ("standing wave", "port")
"""Causes whose frequency follows the speed of sound."""

_FEWEST = 2
_RESIDUAL = 0.0006
"""Relative scatter of standing waves around their common factor (common practice, no source)."""
_OUTLIER = 3.5
_THERMOMETER_K = 1.0
"""Standard uncertainty of a temperature that a person says."""
_SIGNIFICANT = 3.0
_LEAST = 0.0015
"""Relative; a smaller factor is not worth a word (1 K makes 0.17 %)."""
_MOST_K = 15.0
_DAMPED = 0.8
"""Ratio of Q below which a common lowering is put down to a filling."""
_USUAL_C = 20.0


@dataclass(frozen=True)
class CommonFactor:
    """What all standing waves have in common.

    Attributes
    ----------
    factor, std : float
        Frequency after over before, and its standard uncertainty.
    shared, compared : int
        Standing waves that follow it, of how many.
    kelvin : float or None
        Change of the air's temperature that makes it; None where the air cannot be the reason.
    """

    factor: float
    std: float
    shared: int
    compared: int
    kelvin: float | None

    @property
    def sentence(self) -> str:
        """In words with numbers: air 6 K warmer: all standing waves +1.0 %."""
        percent = change_text(100 * (self.factor - 1), 100 * self.std, "%")
        named = "all standing waves" if self.shared == self.compared else f"{self.shared} of {self.compared}"
        named = named if self.shared == self.compared else f"{named} standing waves"
        if self.kelvin is None:
            return f"{named} {percent} together, as a filling that slows sound down makes it: no part of the verdicts"
        warmth = "warmer" if self.kelvin > 0 else "colder"
        return f"air {abs(self.kelvin):.0f} K {warmth}: {named} {percent}"


def common_factor(
    pairs: Sequence[tuple[Finding, Finding]], before_c: float | None = None, after_c: float | None = None
) -> CommonFactor | None:
    """Fit one factor to all standing waves that both takes show; None where there is none to tell.

    Parameters
    ----------
    pairs : sequence of (Finding, Finding)
        What is the same in both takes.
    before_c, after_c : float, optional
        Temperatures of the air, degrees C, where they were said for these takes.
    """
    waves = [(one, other) for one, other in pairs if one.cause == other.cause == "standing wave"]
    offsets = [math.log(other.resonance.frequency_hz / one.resonance.frequency_hz) for one, other in waves]
    stds = [
        math.hypot(_RESIDUAL, *(f.resonance.frequency_std_hz / f.resonance.frequency_hz for f in pair))
        for pair in waves
    ]
    said = None
    if before_c is not None and after_c is not None:
        said = math.log(speed_of_sound_m_s(after_c) / speed_of_sound_m_s(before_c))
        offsets.append(said)
        stds.append(math.sqrt(2) * _THERMOMETER_K * 0.5 / (273.15 + before_c))
    if len(offsets) < _FEWEST:
        return None
    offset, std, kept = _shared(np.array(offsets), np.array(stds))
    shared = int(np.sum(kept[: len(waves)]))
    half = max(1 if said is not None else _FEWEST, (len(waves) + 1) // 2)
    if shared < half or abs(offset) < max(_SIGNIFICANT * std, _LEAST):
        return None
    start_k = 273.15 + (_USUAL_C if before_c is None else before_c)
    kelvin: float | None = start_k * (math.exp(2 * offset) - 1)
    damped = float(np.median([other.resonance.q / one.resonance.q for one, other in waves])) < _DAMPED
    contradicted = said is not None and not kept[-1]
    if abs(kelvin or 0.0) > _MOST_K or (damped and offset < 0 and said is None) or contradicted:
        kelvin = None
    return CommonFactor(math.exp(offset), std, shared, len(waves), kelvin)


def _shared(offsets: np.ndarray, stds: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Weighted mean of those that agree with the weighted median, its standard uncertainty, and which they are."""
    order = np.argsort(offsets)
    weight = np.cumsum(1 / stds[order] ** 2)
    middle = offsets[order][int(np.searchsorted(weight, 0.5 * weight[-1]))]
    kept = np.abs(offsets - middle) < _OUTLIER * np.hypot(stds, _RESIDUAL)
    inverse = 1 / stds[kept] ** 2
    return float(np.sum(inverse * offsets[kept]) / inverse.sum()), float(inverse.sum() ** -0.5), kept
