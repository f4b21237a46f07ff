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

from stillbox.analysis.impedance.findings import Cause, Finding, Resonance, ResonanceFit, Spread
from stillbox.analysis.maths.quantity import Quantity

USUAL = "usual size (common practice, no source)"

USUAL_SPREADS: Mapping[Cause, Spread] = {
    "driver": Spread(0.003, 0.03, 0.03, USUAL),
    "standing wave": Spread(0.002, 0.02, 0.02, USUAL),
    "port": Spread(0.003, 0.03, 0.03, USUAL),
    "wall": Spread(0.002, 0.03, 0.03, USUAL),
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

_NEAR = 0.03
"""Relative distance up to which resonances of two takes of one state are one and the same."""
_WORTH = 3.0
"""Observations that the usual size counts for beside those of the takes themselves: few takes scatter by chance."""


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

    What is undecided may be of the driver: where remounting shows more than the usual size, that counts.
    """

    def spread(finding: Finding) -> Spread:
        as_state, as_driver = _spread_of(finding, same), _spread_of(finding, remounted)
        if finding.cause == "undecided":
            return as_driver if as_driver.height > USUAL_SPREADS["undecided"].height else as_state
        return as_driver if finding.cause == "driver" else as_state

    return tuple(replace(finding, spread=spread(finding)) for finding in findings)


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
    itself = _told_by(common, [pair for pair in nearest if distance(pair) < _NEAR], repeats)
    return replace(
        common,
        frequency=max(common.frequency, itself.frequency),
        q=max(common.q, itself.q),
        height=max(common.height, itself.height),
    )


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


def _same(first: Iterable[Resonance], second: Sequence[Resonance]) -> list[tuple[Resonance, Resonance]]:
    """Those of two takes that are one and the same: nearest to each other."""
    pairs = []
    for one in first:
        near = [other for other in second if abs(other.frequency_hz / one.frequency_hz - 1) < _NEAR]
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
