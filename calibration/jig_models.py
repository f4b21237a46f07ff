"""Physical models of the jig: the error terms from whichever standards there are, with all sensitivities.

Ratio ``m = V(channel 2) / V(channel 1)``, device Z, resistance R of the reference, k the ratio that both channels
show on one node.

high-side: ``m = k Zp / (R + Zp)``, ``1/Zp = 1/(Z + Zlead) + 1/Zin``
    m_open = k Zin/(R + Zin);  Z = Rt m/(m_open - m) - Zlead with Rt = R m_open/k (Thevenin);
    m_short = m_open Zlead/(Rt + Zlead), so scale = Rt + Zlead = R m_open^2 / (k (m_open - m_short)).
low-side: ``m = k Rp / (Rp + Zt)``, ``1/Zt = 1/(Z + Zlead) + 1/Zpar``, Rp = R parallel to the input
    scale = Rp (k - m_open)^2 / (k (m_short - m_open)), by the same steps.

Below, the *near* ratio is the one close to k (high-side: open, low-side: short), the *far* ratio is the one close
to 0. What no standard tells is taken as ideal: near = k, far = 0, k = 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stillbox.calibration.one_port import OnePortTerms, scale_from_load
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import JigKind

Sensitivities = dict[str, ComplexArray | float]
"""Derivative of one term by the ratio of each standard that it depends on."""


@dataclass(frozen=True)
class StandardReading:
    """What one calibration take says, over the frequency grid.

    ``variance`` is E|noise|^2 of the ratio; ``load_ohm`` and its tolerance are given for ``load`` only.
    """

    ratio: ComplexArray
    variance: FloatArray
    load_ohm: float | None = None
    load_tolerance_percent: float | None = None


@dataclass(frozen=True)
class StandardInfluence:
    """How the terms follow the ratio of one standard, and that ratio's noise variance."""

    subject: str
    variance: FloatArray
    by_open: ComplexArray | float
    by_short: ComplexArray | float
    by_scale: ComplexArray | float


@dataclass(frozen=True)
class SolvedJig:
    """Terms of a jig with the influences of the standards.

    ``gain_source`` names what fixed k or the near ratio; ``scale_source`` is "load", "reference" or, where the
    load was needed for the gain, "both".
    """

    terms: OnePortTerms
    influences: tuple[StandardInfluence, ...]
    gain_source: str
    scale_source: str


def near_and_far(jig: JigKind) -> tuple[str, str]:
    """Subjects whose ratios are close to k and close to 0."""
    return ("open", "short") if jig == "high-side" else ("short", "open")


def solve_jig(
    jig: JigKind, reference_ohm: float, frequency_hz: FloatArray, standards: Mapping[str, StandardReading]
) -> SolvedJig:
    """Error terms by the best physical model that the standards allow (see the head of the module)."""
    near_name, far_name = near_and_far(jig)
    far, far_by = _far_ratio(far_name, frequency_hz, standards)
    near, near_by, gain_source = _near_ratio(jig, reference_ohm, far, far_by, standards)
    load = standards.get("load")
    open_ratio, short_ratio = (near, far) if jig == "high-side" else (far, near)
    open_by, short_by = (near_by, far_by) if jig == "high-side" else (far_by, near_by)
    direct: Sensitivities
    if load is not None and gain_source != "load":
        assert load.load_ohm is not None
        scale, by_open, by_short, by_load = scale_from_load(open_ratio, short_ratio, load.ratio, load.load_ohm)
        direct = {"load": by_load}
        scale_source = "load"
    else:
        match = standards["channel-match"].ratio if {"channel-match", near_name} <= standards.keys() else None
        scale, by_open, by_short, by_match = _scale_from_reference(jig, reference_ohm, near, far, match)
        direct = {} if match is None else {"channel-match": by_match}
        scale_source = "both" if gain_source == "load" else "reference"
    influences = tuple(
        StandardInfluence(
            subject=subject,
            variance=reading.variance,
            by_open=open_by.get(subject, 0.0),
            by_short=short_by.get(subject, 0.0),
            by_scale=by_open * open_by.get(subject, 0.0)
            + by_short * short_by.get(subject, 0.0)
            + direct.get(subject, 0.0),
        )
        for subject, reading in standards.items()
        if subject in open_by or subject in short_by or subject in direct
    )
    return SolvedJig(OnePortTerms(open_ratio, short_ratio, scale), influences, gain_source, scale_source)


def _far_ratio(
    far_name: str, frequency_hz: FloatArray, standards: Mapping[str, StandardReading]
) -> tuple[ComplexArray, Sensitivities]:
    if far_name in standards:
        return np.asarray(standards[far_name].ratio, dtype=complex), {far_name: 1.0}
    return np.zeros(frequency_hz.size, dtype=complex), {}


def _near_ratio(
    jig: JigKind,
    reference_ohm: float,
    far: ComplexArray,
    far_by: Sensitivities,
    standards: Mapping[str, StandardReading],
) -> tuple[ComplexArray, Sensitivities, str]:
    """The near ratio, its sensitivities and where it came from: its own take, the match, the load, or nothing."""
    for subject in (near_and_far(jig)[0], "channel-match"):
        if subject in standards:
            return np.asarray(standards[subject].ratio, dtype=complex), {subject: 1.0}, subject
    load = standards.get("load")
    if load is None:
        return np.ones(far.size, dtype=complex), {}, "none"
    assert load.load_ohm is not None
    pair = (load.load_ohm, reference_ohm) if jig == "high-side" else (reference_ohm, load.load_ohm)
    near, by_far, by_load = _near_from_load(*pair, far, load.ratio)
    return near, {"load": by_load, **{name: by_far * factor for name, factor in far_by.items()}}, "load"


def _near_from_load(
    one_ohm: float, other_ohm: float, far: ComplexArray, load: ComplexArray
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Near ratio p from a load when R is trusted, for it has to be the gain that is off.

    Setting the scale of the load equal to that of the reference leaves ``A p^2 - b p + A q mL = 0`` with
    ``b = A (q + mL) + B (mL - q)``, q the far ratio; A, B = ZL, R (high-side) or R, ZL (low-side). The wanted
    root is the large one. Returns p, dp/dq, dp/dmL (implicit differentiation).
    """
    b = one_ohm * (far + load) + other_ohm * (load - far)
    root = np.sqrt(b**2 - 4 * one_ohm**2 * far * load)
    root = np.where((np.conj(b) * root).real < 0, -root, root)
    near = (b + root) / (2 * one_ohm)
    slope = 2 * one_ohm * near - b
    by_far = ((one_ohm - other_ohm) * near - one_ohm * load) / slope
    by_load = ((one_ohm + other_ohm) * near - one_ohm * far) / slope
    return near, by_far, by_load


def _scale_from_reference(
    jig: JigKind, reference_ohm: float, near: ComplexArray, far: ComplexArray, match: ComplexArray | None
) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
    """Scale from the stated R, and its derivatives by open, short and match (k = near if match is None)."""
    span = near - far
    k = near if match is None else match
    if jig == "high-side":
        scale = reference_ohm * near**2 / (k * span)
        by_near, by_far, by_match = scale * (2 / near - 1 / span), scale / span, -scale / k
    else:
        scale = reference_ohm * (k - far) ** 2 / (k * span)
        by_near, by_match = -scale / span, scale * (2 / (k - far) - 1 / k)
        by_far = scale * (1 / span - 2 / (k - far))
    if match is None:
        by_near, by_match = by_near + by_match, np.zeros_like(by_match)
    return (scale, by_near, by_far, by_match) if jig == "high-side" else (scale, by_far, by_near, by_match)


def reference_seen(jig: JigKind, terms: OnePortTerms, match: ComplexArray | None) -> ComplexArray:
    """Resistance of the reference that the terms imply, ohm; with no match the near ratio stands for k."""
    near, far = (terms.open_ratio, terms.short_ratio) if jig == "high-side" else (terms.short_ratio, terms.open_ratio)
    k = near if match is None else match
    factor = near**2 if jig == "high-side" else (k - far) ** 2
    return terms.scale_ohm * k * (near - far) / factor
