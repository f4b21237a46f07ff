"""Whether a recording fits the kind of jig that it is said to be of.

Taken for the other kind, an impedance Z reads as ``R^2 / Z``, which is as passive as Z itself: no sign and no size
tells. What is known of the thing on the clips does: the impedance of a speaker has peaks, not dips, and a marked
resistor has its value. A part alone, or both inputs on one voltage (``channel-match``), read alike on both kinds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.recording_checks import RATIO_BAND_HZ, SPEAKER_SUBJECTS, Circumstances, sure_blocks
from stillbox.capture.recording.sweep_track import SweepTrack

SPEAKER_BAND_HZ = (12.0, 3_000.0)
"""Where a speaker has its peaks, and where the coil does not yet rise far above them."""

LEAST_DIP = 0.5
"""Natural logarithm of |Z| by which a dip is deeper than the usual |Z| before it counts."""

LEAST_BLOCKS = 20
NEAR = 0.15
FAR = 0.3
"""Of natural logarithms: as near as a resistor reads to one kind, and as far from the other, to be surely of it."""


def doubt_of_jig_kind(track: SweepTrack, case: Circumstances) -> list[str]:
    """A flag where the recording looks like one of the other kind of jig."""
    sentence = None
    if case.subject in SPEAKER_SUBJECTS:
        sentence = _mirrored_speaker(track, case)
    elif case.load_ohm is not None and case.reference_ohm is not None:
        sentence = _mirrored_resistor(track, case, case.load_ohm, case.reference_ohm)
    elif case.subject in ("open", "short"):
        sentence = _mirrored_standard(track, case)
    other = "low-side" if case.jig == "high-side" else "high-side"
    return [] if sentence is None else [f"{sentence}: if the jig is wired {other}, take it again with --jig {other}"]


def _mirrored_speaker(track: SweepTrack, case: Circumstances) -> str | None:
    """Peaks of a speaker stand higher above its usual impedance than its dips lie below."""
    sure = sure_blocks(track, SPEAKER_BAND_HZ)
    if np.count_nonzero(sure) < LEAST_BLOCKS:
        return None
    level = np.log(_magnitude_over_reference(_ratio(track, sure), case))
    usual = float(np.median(level))
    rise, fall = float(level.max()) - usual, usual - float(level.min())
    if fall < LEAST_DIP or fall < 2 * rise:
        return None
    lowest_hz = float(track.frequency_hz[sure][np.argmin(level)])
    return (
        f"on a {case.jig} jig this impedance would fall to {math.exp(-fall):.2g} of its usual value at "
        f"{lowest_hz:.0f} Hz and nowhere rise above {math.exp(rise):.2g} of it, which no driver does"
    )


def _mirrored_resistor(track: SweepTrack, case: Circumstances, load_ohm: float, reference_ohm: float) -> str | None:
    sure = sure_blocks(track, RATIO_BAND_HZ)
    if not sure.any():
        return None
    read_ohm = reference_ohm * float(np.median(_magnitude_over_reference(_ratio(track, sure), case)))
    mirrored_ohm = reference_ohm**2 / read_ohm
    if abs(math.log(mirrored_ohm / load_ohm)) > NEAR or abs(math.log(read_ohm / load_ohm)) < FAR:
        return None
    return (
        f"on a {case.jig} jig the resistor marked {load_ohm:g} ohm reads {read_ohm:.3g} ohm, on the other kind "
        f"{mirrored_ohm:.3g} ohm"
    )


def _mirrored_standard(track: SweepTrack, case: Circumstances) -> str | None:
    sure = sure_blocks(track, RATIO_BAND_HZ)
    if not sure.any():
        return None
    size = float(np.median(np.abs(_ratio(track, sure))))
    if case.quiet_second and size > 0.5:
        return f"channel 2 is {size:.2f} times as loud as channel 1; in a take of {case.subject} it is nearly silent"
    return None


def _ratio(track: SweepTrack, sure: NDArray[np.bool_]) -> ComplexArray:
    return np.asarray(track.gain[sure, 1] / track.gain[sure, 0], dtype=np.complex128)


def _magnitude_over_reference(ratio: ComplexArray, case: Circumstances) -> FloatArray:
    """|Z| / R as the kind of jig says it."""
    near, far = np.maximum(np.abs(ratio), 1e-6), np.maximum(np.abs(1 - ratio), 1e-3)
    return near / far if case.jig == "high-side" else far / near
