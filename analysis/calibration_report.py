"""What the calibration takes of a build correct, what they show, and whether known resistors agree; in sentences."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.contact import contact_sentence
from stillbox.analysis.impedance.impedance import curve_of_spectrum
from stillbox.analysis.maths.uncertainty import ResistorCheck, check_resistor
from stillbox.calibration.jig import STANDARD_SUBJECTS
from stillbox.calibration.load_proof import no_proof, proof_of_load
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

_CHECK_BAND_HZ = (50.0, 5_000.0)
_INDEPENDENT_POINTS = 12
"""Points an octave that share neither bins nor the smoothing of the calibration takes."""


def calibration_report(bench: Bench) -> list[str]:
    """In sentences: what the calibration takes correct, what they show, and whether a known resistor agrees."""
    speakers = [take for take in bench.takes if take.subject not in STANDARD_SUBJECTS]
    like = speakers[-1] if speakers else (bench.takes[-1] if bench.takes else None)
    settings = bench.settings
    if like is None:
        return [f"reference resistor {settings.reference_ohm:g} ohm; no takes yet"]
    calibration = bench.calibration(like)
    warned = [f"warning: {text}" for text in calibration.warnings]
    sentences = [calibration.summary, *_unused_standards(bench, like), *calibration.found, *warned]
    shorts = bench.short_ohm(like, calibration)
    sentences += [contact_sentence(shorts)] if shorts else []
    load = bench.standards(like.jig, like.excitation.sample_rate_hz).get("load")
    proofs = [take for take in bench.takes if take.subject == "check-resistor" and take.jig == like.jig]
    sentences += [] if load is None else proof_of_load(load, proofs)
    for take in bench.takes:
        if take.subject == "check-resistor":
            check = resistor_check(bench, take)
            said = (check.sentence, *check.warnings, *_of_other_jig(check, take, settings.reference_ohm))
            sentences += [f"check-resistor (take {take.number}): {text}" for text in said]
    return sentences


def resistor_check(bench: Bench, take: TakeInfo) -> ResistorCheck:
    """A check-resistor take against its marked value."""
    if take.load_ohm is None:
        raise StillboxError(f"take {take.number} has no marked value", "import it again with --load-ohms")
    if take.subject == "load":
        raise no_proof(take)
    spectrum = bench.at_clips(take)
    curve = curve_of_spectrum(spectrum, *_CHECK_BAND_HZ, points_per_octave=_INDEPENDENT_POINTS)
    tolerance = take.load_tolerance_percent
    return check_resistor(
        curve.frequency_hz,
        curve.impedance_ohm,
        curve.noise_variance_ohm2,
        curve.scale_std,
        take.load_ohm,
        bench.settings.reference_tolerance_percent if tolerance is None else tolerance,
        float(np.linalg.norm([np.median(common.real) for common in spectrum.common_ohm])),
    )


def _unused_standards(bench: Bench, like: TakeInfo) -> tuple[str, ...]:
    """A sentence on the calibration takes that cannot be used, as they are of another jig or rate."""

    def made(take: TakeInfo) -> str:
        return f"{take.jig}, {take.excitation.sample_rate_hz} Hz"

    others = [take for take in bench.takes if take.subject in STANDARD_SUBJECTS and made(take) != made(like)]
    if not others:
        return ()
    listed = ", ".join(f"take {take.number} ({take.subject}, {made(take)})" for take in others)
    return (f"not used for the jig of take {like.number} ({made(like)}): {listed}",)


def _of_other_jig(check: ResistorCheck, take: TakeInfo, reference_ohm: float) -> tuple[str, ...]:
    """A hint where the resistor reads as R^2 / Z, which is what the other kind of jig makes of it."""
    other = "low-side" if take.jig == "high-side" else "high-side"
    mirrored_ohm = reference_ohm**2 / check.measured_ohm if check.measured_ohm > 0 else np.inf
    nearer = abs(mirrored_ohm / check.marked_ohm - 1) < 0.1 * abs(check.measured_ohm / check.marked_ohm - 1)
    if check.verdict == "agrees" or not nearer:
        return ()
    remedy = f"if it is wired so, take it again with --jig {other}"
    return (f"a {other} jig would read {mirrored_ohm:.4g} ohm here: {remedy}",)
