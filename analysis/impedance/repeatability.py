"""How far the thing itself repeats: what ± holds beside the noise of one take.

A loudspeaker is not the same twice. Its suspension gives way with playing and with warmth, its gasket sits otherwise
after the driver was out, its air is warmer. Two takes of one state show how much; where there is one only, a usual
size stands in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from scipy import special

from stillbox.analysis.impedance.findings import Cause, Finding, Resonance, ResonanceFit, Spread
from stillbox.analysis.maths.quantity import Quantity

USUAL = "usual size (common practice, no source)"

USUAL_SPREADS: Mapping[Cause, Spread] = {
    "driver": Spread(0.003, 0.03, 0.03, USUAL),
    "standing wave": Spread(0.002, 0.02, 0.02, USUAL),
    "port": Spread(0.003, 0.03, 0.03, USUAL),
    "wall": Spread(0.002, 0.03, 0.03, USUAL),
    "crossover": Spread(0.003, 0.03, 0.03, USUAL),
    "room": Spread(0.005, 0.1, 0.3, USUAL),
    "undecided": Spread(0.003, 0.03, 0.03, USUAL),
}
"""Relative standard uncertainties of frequency, Q and height from one day to another (common practice, no source)."""

USUAL_FUNDAMENTAL = Spread(0.004, 0.02, 0.02, USUAL)
"""Of the peaks of driver and box: playing in, warmth of the suspension and level move them."""
USUAL_TUNING = 0.0025
"""Relative, of the zero between two peaks: warmth of the air, and what was moved in the box (common practice, no
source)."""

USUAL_LUMPED: Mapping[str, float] = {
    "re_ohm": 0.002, "fs_hz": 0.004, "qms": 0.03, "qes": 0.015, "qts": 0.015, "inductance_1khz_mh": 0.005,
    "vas_litres": 0.01, "mms_g": 0.003, "cms_mm_per_n": 0.01, "rms_kg_per_s": 0.03, "bl_tm": 0.005,
    "fc_hz": 0.004, "qmc": 0.03, "qec": 0.015, "qtc": 0.015, "alpha": 0.01, "h": 0.004, "effective_litres": 0.01,
    "fl_hz": 0.004, "fm_hz": 0.0025, "fh_hz": 0.004, "fb_hz": USUAL_TUNING,
}  # fmt: skip
"""The same for what is told of driver and box, by its name in JSON (common practice, no source)."""
USUAL_LOSS = 0.03
"""The same for every loss of a box, as for Qms (common practice, no source)."""

_NEAR = 0.03
"""Relative distance up to which resonances of two takes of one state are one and the same."""
_NEAR_LOOSENED = 2 * _NEAR
"""The same where the driver was taken out and put back between."""
_WORTH = 3.0
"""Observations that the usual size counts for beside those of the takes themselves: few takes scatter by chance."""
_BEYOND = float(special.ndtr(-3.0))
"""Verdicts are given beyond three standard deviations: a spread that few takes show is widened until those are as
improbable (Student's t; JCGM 100, G.3)."""


@dataclass(frozen=True)
class RepeatedFits:
    """Two takes of what should be the same; ``why`` names them in words."""

    first: ResonanceFit
    second: ResonanceFit
    why: str


def as_it_repeats(name: str, quantity: Quantity) -> Quantity:
    """A quantity of driver or box with how far it repeats beside the uncertainty of its takes."""
    return replace(quantity, std=math.hypot(quantity.std, USUAL_LUMPED.get(name, 0.0) * abs(quantity.value)))


def as_they_repeat(quantities: dict[str, Quantity]) -> dict[str, Quantity]:
    """Quantities of driver or box by their names in JSON, each with how far it repeats."""
    return {name: as_it_repeats(name, value) for name, value in quantities.items()}


def quantity_documents(quantities: dict[str, Quantity]) -> dict[str, dict[str, Any]]:
    """Uncertainties of the takes, and beside them, relative, how far each quantity repeats by itself."""
    return {name: {**value.as_json(), "repeats": USUAL_LUMPED.get(name, 0.0)} for name, value in quantities.items()}


def spread_of_cause(cause: Cause, repeats: Sequence[RepeatedFits] = ()) -> Spread:
    """How far a resonance of that cause repeats, from takes of the same state where there are such."""
    pairs = [pair for repeat in repeats for pair in _same(repeat.first.resonances, repeat.second.resonances)]
    return _told_by(USUAL_SPREADS[cause], pairs, repeats)


def with_spreads(
    findings: Iterable[Finding], same: Sequence[RepeatedFits], remounted: Sequence[RepeatedFits]
) -> tuple[Finding, ...]:
    """Findings with how far each repeats: of the driver as it is remounted, of the rest as the state was repeated.

    What is undecided may be of the driver: it counts as that by how much better remounting explains what it did then.
    """
    loosened = _Loosened.of(remounted)

    def spread(finding: Finding) -> Spread:
        if finding.cause == "driver" and loosened is not None:
            return loosened.spread(USUAL_SPREADS["driver"], loosened.times(finding.resonance))
        as_state = _spread_of(finding, () if finding.cause == "driver" else same)
        if finding.cause != "undecided" or loosened is None:
            return as_state
        return _larger(as_state, loosened.spread(as_state, loosened.times_if_of_driver(finding.resonance)))

    return tuple(replace(finding, spread=spread(finding)) for finding in findings)


@dataclass(frozen=True)
class _Loosened:
    """What taking the driver out and putting it back has done, in usual sizes of the driver.

    The looser a driver sits, the more all of it scatters, in the proportions of the usual sizes: frequency and height
    are observations of one factor. Only what scatters beyond the usual size tells of it: the rest is of the box, which
    takes hardly a part.

    Attributes
    ----------
    pairs : tuple of (Resonance, float, float)
        Each that both takes show, with the squares of what its frequency and its height did beyond the noise.
    known : float
        Observations that ``square`` is from.
    square : float
        Of the factor on the usual sizes.
    """

    pairs: tuple[tuple[Resonance, float, float], ...]
    known: float
    square: float
    source: str

    @classmethod
    def of(cls, remounted: Sequence[RepeatedFits]) -> _Loosened | None:
        """None where nothing was taken out, or no resonance shows in both takes."""
        found = [
            (one, *_in_usual_sizes(one, other, USUAL_SPREADS["driver"]))
            for repeat in remounted
            for one, other in _same(repeat.first.resonances, repeat.second.resonances, _NEAR_LOOSENED)
        ]
        if not found:
            return None
        moved = [pair for pair in found if pair[1] + pair[2] > 2.0] or found
        known = _WORTH + 2 * len(moved)
        square = (_WORTH + sum(pair[1] + pair[2] for pair in moved)) / known
        return cls(tuple(found), known, square, "; ".join(repeat.why for repeat in remounted))

    def times(self, resonance: Resonance) -> float:
        """Factor on the usual sizes for a resonance of the driver: more where it itself did more."""
        itself = [self._itself(pair) for pair in self._of(resonance)]
        square, known = max([(self.square, self.known), *itself])
        return _widened(square, known)

    def times_if_of_driver(self, resonance: Resonance) -> float:
        """The same where nobody knows whether it is of the driver: as likely as what it did makes that."""
        times, square = self.times(resonance), max(self.square, 1.0)
        for_driver = 1.0
        for _, frequency, height in self._of(resonance):
            for_driver *= math.exp(min(0.5 * (frequency + height) * (1 - 1 / square), 50.0)) / square
        share = for_driver / (1 + for_driver)
        return math.sqrt(share * times**2 + 1 - share)

    def spread(self, usual: Spread, times: float) -> Spread:
        return Spread(times * usual.frequency, times * usual.q, times * usual.height, self.source)

    def _of(self, resonance: Resonance) -> list[tuple[Resonance, float, float]]:
        return [p for p in self.pairs if abs(p[0].frequency_hz / resonance.frequency_hz - 1) < _NEAR_LOOSENED]

    def _itself(self, pair: tuple[Resonance, float, float]) -> tuple[float, float]:
        known = _WORTH + 2
        return (_WORTH * self.square + pair[1] + pair[2]) / known, known


def _in_usual_sizes(one: Resonance, other: Resonance, usual: Spread) -> tuple[float, float]:
    """Variances of frequency and height that noise does not explain, over the squares of the usual sizes."""
    compared = (
        (
            _compared(one.frequency_hz, one.frequency_std_hz, other.frequency_hz, other.frequency_std_hz),
            usual.frequency,
        ),
        (
            _compared(one.height_ohm, one.height_noise_std_ohm, other.height_ohm, other.height_noise_std_ohm),
            usual.height,
        ),
    )
    first, second = (max(0.5 * difference**2 - noise, 0.0) / size**2 for (difference, noise), size in compared)
    return first, second


def _widened(square: float, known: float) -> float:
    """A standard deviation from its square as so many observations show it, for verdicts as improbable as ever."""
    return math.sqrt(square) * float(special.stdtrit(known, _BEYOND) / special.ndtri(_BEYOND))


def _larger(one: Spread, other: Spread) -> Spread:
    """Quantity by quantity; the source is that of the larger height."""
    return Spread(
        max(one.frequency, other.frequency),
        max(one.q, other.q),
        max(one.height, other.height),
        other.source if other.height > one.height else one.source,
    )


def _spread_of(finding: Finding, repeats: Sequence[RepeatedFits]) -> Spread:
    """What all of them scatter; more where this one does, the others' scatter being its usual size then."""
    common = spread_of_cause(finding.cause, repeats)

    def distance(pair: tuple[Resonance, Resonance]) -> float:
        return abs(pair[1].frequency_hz / finding.resonance.frequency_hz - 1)

    nearest = [
        min(pairs, key=distance)
        for repeat in repeats
        if (pairs := _same(repeat.first.resonances, repeat.second.resonances))
    ]
    return _larger(common, _told_by(common, [pair for pair in nearest if distance(pair) < _NEAR], repeats))


def bare_driver_findings(fit: ResonanceFit) -> tuple[Finding, ...]:
    """Resonances of a driver without a box: there is no other cause to be weighed."""
    alone = ("nothing but the driver was there",)
    return tuple(Finding(one, "driver", 1.0, alone, "", USUAL_SPREADS["driver"]) for one in fit.resonances)


def spread_of_fundamental(repeats: Sequence[RepeatedFits] = ()) -> Spread:
    """The same for the peak or peaks of driver and box."""
    pairs = [
        pair
        for repeat in repeats
        if len(repeat.first.motional) == len(repeat.second.motional)
        for pair in zip(repeat.first.motional, repeat.second.motional, strict=True)
    ]
    return _told_by(USUAL_FUNDAMENTAL, pairs, repeats)


def _same(
    first: Iterable[Resonance], second: Sequence[Resonance], reach: float = _NEAR
) -> list[tuple[Resonance, Resonance]]:
    """Those of two takes that are one and the same: nearest to each other."""
    pairs = []
    for one in first:
        near = [other for other in second if abs(other.frequency_hz / one.frequency_hz - 1) < reach]
        if near:
            pairs.append((one, min(near, key=lambda other: abs(other.frequency_hz - one.frequency_hz))))
    return pairs


def _told_by(usual: Spread, pairs: Sequence[tuple[Resonance, Resonance]], repeats: Sequence[RepeatedFits]) -> Spread:
    """Scatter beyond the noise, the usual size counted in with a few observations' weight."""
    if not pairs:
        return usual

    def pooled(sizes: Sequence[tuple[float, float]], size: float) -> float:
        # Half of the square of a difference estimates the variance of one; its noise is known.
        excess = sum(max(0.5 * difference**2 - noise, 0.0) for difference, noise in sizes)
        return math.sqrt((_WORTH * size**2 + excess) / (_WORTH + len(sizes)))

    frequency, q, height = [], [], []
    for one, other in pairs:
        frequency.append(_compared(one.frequency_hz, one.frequency_std_hz, other.frequency_hz, other.frequency_std_hz))
        q.append(_compared(one.q, one.q_std, other.q, other.q_std))
        height.append(_compared(one.height_ohm, one.height_noise_std_ohm, other.height_ohm, other.height_noise_std_ohm))
    return replace(
        usual,
        frequency=pooled(frequency, usual.frequency),
        q=pooled(q, usual.q),
        height=pooled(height, usual.height),
        source="; ".join(repeat.why for repeat in repeats),
    )


def _compared(value: float, std: float, other: float, other_std: float) -> tuple[float, float]:
    """Logarithm of the ratio, and the variance of one of both that noise explains."""
    return math.log(other / value), 0.5 * ((std / value) ** 2 + (other_std / other) ** 2)
