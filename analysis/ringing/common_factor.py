"""One factor on all standing waves between two takes: warmer air, or a filling that slows sound down."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.impedance.findings import Cause, Finding
from stillbox.analysis.impedance.repeatability import USUAL_TUNING
from stillbox.analysis.maths.quantity import change_text
from stillbox.analysis.physics.air import ZERO_C_IN_K, speed_of_sound_m_s

SHARING: tuple[Cause, ...] = ("standing wave", "port")
"""Causes whose frequency follows the speed of sound."""

_FEWEST = 2
"""Standing waves that have something in common."""
_RESIDUAL = 0.0006
"""Relative scatter of standing waves around their common factor (common practice, no source)."""
_OUTLIER = 3.5
"""Standard deviations from which on a standing wave does not follow the others: one of 2000 does so by chance."""
_THERMOMETER_K = 1.0
"""Standard uncertainty of a temperature that a person says."""
_SIGNIFICANT = 3.0
"""Standard uncertainties from which on the factor is one (as `analysis.ringing.tuning_shifts.SIGNIFICANT`)."""
_LEAST = 0.0015
"""Relative; a smaller factor is not worth a word (1 K makes 0.17 %)."""
_MOST_K = 15.0
"""Rooms of two takes differ by no more: what is above is filling (common practice, no source)."""
_DAMPED = 0.8
"""Ratio of Q below which a common lowering is put down to a filling."""
_USUAL_C = 20.0
"""Of a room where no temperature was said."""


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
            filling = "a filling that slows sound down makes it" if self.factor < 1 else "less filling makes it"
            return f"{named} {percent} together, as {filling}: no part of the verdicts"
        warmth = "warmer" if self.kelvin > 0 else "colder"
        return f"air {abs(self.kelvin):.0f} K {warmth}: {named} {percent}"


@dataclass(frozen=True)
class _Offset:
    """Logarithm of a ratio of two frequencies: of a standing wave for certain, or of what may be one."""

    value: float
    std: float
    certain: bool
    pair: tuple[Finding, Finding] | None = None


def common_factor(
    pairs: Sequence[tuple[Finding, Finding]],
    before_c: float | None = None,
    after_c: float | None = None,
    tuning_hz: tuple[float, float] | None = None,
) -> CommonFactor | None:
    """Fit one factor to all standing waves that both takes show; None where there is none to tell.

    Where too few are known as standing waves, what is undecided counts too, if several agree with each other or with
    the tuning of the port, which follows the speed of sound as well.

    Parameters
    ----------
    pairs : sequence of (Finding, Finding)
        What is the same in both takes.
    before_c, after_c : float, optional
        Temperatures of the air, degrees C, where they were said for these takes.
    tuning_hz : (float, float), optional
        Tuning of the port in both takes.
    """
    offsets = [_offset_of(pair) for pair in pairs if {one.cause for one in pair} <= {"standing wave", "undecided"}]
    said = None
    if before_c is not None and after_c is not None:
        ratio = speed_of_sound_m_s(after_c) / speed_of_sound_m_s(before_c)
        said = _Offset(math.log(ratio), math.sqrt(2) * _THERMOMETER_K * 0.5 / (ZERO_C_IN_K + before_c), True)
        offsets.append(said)
    certain = [offset for offset in offsets if offset.certain]
    if len(certain) >= _FEWEST:
        kept = _agreeing(certain, _middle(certain))
    else:
        if tuning_hz is not None:
            offsets.append(_Offset(math.log(tuning_hz[1] / tuning_hz[0]), math.sqrt(2) * USUAL_TUNING, True))
        kept = _largest_cluster(offsets)
    waves = [offset for offset in certain if offset.pair is not None]
    shared = [offset for offset in kept if offset.pair is not None]
    if not shared or len(kept) < max(_FEWEST, (len(certain) + 1) // 2):
        return None
    offset, std = _mean(kept)
    if abs(offset) < max(_SIGNIFICANT * std, _LEAST):
        return None
    kelvin: float | None = (ZERO_C_IN_K + (_USUAL_C if before_c is None else before_c)) * (math.exp(2 * offset) - 1)
    quieter = [one.pair[1].resonance.q / one.pair[0].resonance.q for one in shared if one.pair is not None]
    damped = offset < 0 and said is None and float(np.median(quieter)) < _DAMPED
    if abs(kelvin or 0.0) > _MOST_K or damped or (said is not None and said not in _agreeing([said], offset)):
        kelvin = None
    return CommonFactor(math.exp(offset), std, len(shared), max(len(waves), len(shared)), kelvin)


def _offset_of(pair: tuple[Finding, Finding]) -> _Offset:
    one, other = (finding.resonance for finding in pair)
    std = math.hypot(_RESIDUAL, one.frequency_std_hz / one.frequency_hz, other.frequency_std_hz / other.frequency_hz)
    certain = all(finding.cause == "standing wave" for finding in pair)
    return _Offset(math.log(other.frequency_hz / one.frequency_hz), std, certain, pair)


def _middle(offsets: Sequence[_Offset]) -> float:
    """Weighted median."""
    ordered = sorted(offsets, key=lambda offset: offset.value)
    weight = np.cumsum([1 / offset.std**2 for offset in ordered])
    return ordered[int(np.searchsorted(weight, 0.5 * weight[-1]))].value


def _agreeing(offsets: Sequence[_Offset], value: float) -> list[_Offset]:
    """Those that ``value`` may be the truth of."""
    return [one for one in offsets if abs(one.value - value) < _OUTLIER * math.hypot(one.std, _RESIDUAL)]


def _largest_cluster(offsets: Sequence[_Offset]) -> list[_Offset]:
    """Those that agree on a factor other than 1: three, or two of which one is known to follow the speed of sound."""
    moved = [one for one in offsets if abs(one.value) > max(_LEAST, _OUTLIER * one.std)]
    clusters = [_agreeing(moved, one.value) for one in moved]
    clusters = [some for some in clusters if len(some) > _FEWEST or any(one.certain for one in some)]
    return max(clusters, key=len, default=[])


def _mean(offsets: Sequence[_Offset]) -> tuple[float, float]:
    """Weighted mean with its standard uncertainty."""
    weight = np.array([1 / offset.std**2 for offset in offsets])
    return float(weight @ [offset.value for offset in offsets] / weight.sum()), float(weight.sum() ** -0.5)
