"""What a calibration says in words: what was corrected, what was not, what it found, and what looks wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.calibration.jig_models import SolvedJig, StandardReading, near_and_far, reference_seen
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import JigKind

GAIN = "gain and delay between channels"
LOADING = "input loading"
LEADS = "leads"
STRAY = "stray impedance across the clips"
REFERENCE = "true value of the reference resistor"

_CHECK_BAND_HZ = (100.0, 5_000.0)
_GAIN_RANGE = (0.2, 5.0)
_LARGEST_FAR = 0.3
_SMALLEST_LOAD_SPAN = 0.01
_SMALLEST_LOADING_SEEN = 2e-5
_ALLOWED_BESIDE_TOLERANCE = 0.005
_ALLOWED_WITHOUT_TOLERANCE = 0.05


@dataclass(frozen=True)
class ResidualCheck:
    """One redundancy of the standards: ``relative`` is 0 where they agree perfectly."""

    name: str
    relative: float
    sentence: str
    passed: bool


def require_plausible(jig: JigKind, frequency_hz: FloatArray, standards: Mapping[str, StandardReading]) -> None:
    """Refuse standards that cannot be what they are said to be.

    Raises
    ------
    StillboxError
        Names the take, what it reads, what was expected and the remedy.
    """
    near_name, far_name = near_and_far(jig)
    match = standards.get("channel-match")
    gain = 1.0 if match is None else _typical(frequency_hz, match.ratio)
    for subject, reading in standards.items():
        size = _typical(frequency_hz, reading.ratio)
        if subject in ("channel-match", near_name):
            low, high = (bound * (gain if subject != "channel-match" else 1.0) for bound in _GAIN_RANGE)
            if not low <= size <= high:
                raise StillboxError(
                    f"the {subject} take reads a channel ratio of {size:.3g} where {low:.2g} to {high:.2g} is "
                    f"possible on a {jig} jig",
                    "check the wiring and --jig, and record it again",
                )
        elif subject == far_name and size > _LARGEST_FAR * gain:
            raise StillboxError(
                f"the {subject} take reads a channel ratio of {size:.3g}, at most {_LARGEST_FAR * gain:.2g} is "
                f"possible on a {jig} jig",
                "was it exchanged with another take, or is --jig wrong? record it again",
            )


def require_load_apart(frequency_hz: FloatArray, standards: Mapping[str, StandardReading]) -> None:
    """Refuse a load that reads like the open or the short clips (StillboxError)."""
    load = standards["load"]
    for subject in ("open", "short"):
        other = standards.get(subject)
        if other is None:
            continue
        if _typical(frequency_hz, load.ratio - other.ratio) < _SMALLEST_LOAD_SPAN * _typical(frequency_hz, load.ratio):
            raise StillboxError(
                f"the load take of {load.load_ohm:g} ohm reads like the {subject} take",
                "use a load of about the speaker's impedance and record it again",
            )


def corrections(jig: JigKind, solved: SolvedJig, subjects: frozenset[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What the model corrects and what it does not, in words."""
    all_three = {"open", "short", "load"} <= subjects
    by_load = solved.scale_source == "load"
    matched = "channel-match" in subjects
    known = {GAIN: solved.gain_source != "none"}
    if jig == "high-side":
        known[LOADING] = "open" in subjects and (matched or by_load)
        known[LEADS] = "short" in subjects
        partly = {LOADING: "open" in subjects}
    else:
        known[LOADING] = by_load
        known[LEADS] = "short" in subjects and (matched or by_load)
        known[STRAY] = "open" in subjects
        partly = {LEADS: "short" in subjects}
    known[REFERENCE] = by_load
    corrected = tuple(word for word, yes in known.items() if yes or all_three)
    missing = tuple(f"{word} (only in part)" if partly.get(word) else word for word in known if word not in corrected)
    return corrected, missing


def properties_found(
    jig: JigKind,
    reference_ohm: float,
    frequency_hz: FloatArray,
    solved: SolvedJig,
    standards: Mapping[str, StandardReading],
) -> tuple[str, ...]:
    """Sentences on gain, leads and loading that the standards show in the middle of the band."""
    terms, match = solved.terms, standards.get("channel-match")
    near, far = (terms.open_ratio, terms.short_ratio) if jig == "high-side" else (terms.short_ratio, terms.open_ratio)
    k = near if match is None else match.ratio
    found = []
    if solved.gain_source != "none":
        gain_db = 20 * np.log10(_typical(frequency_hz, k))
        found.append(f"gain of channel 2 over channel 1: {gain_db:+.3f} dB")
    if "short" in standards and (jig == "high-side" or match is not None):
        lead = terms.scale_ohm * (far / near if jig == "high-side" else (k - near) / (k - far))
        found.append(f"leads and clips: {_middle(frequency_hz, lead).real:.3g} ohm")
    if jig == "high-side" and match is not None and "open" in standards:
        loss = abs(_middle(frequency_hz, (k - near) / near))
        if loss > _SMALLEST_LOADING_SEEN:
            found.append(f"input impedance of channel 2: about {reference_ohm / loss / 1000:.3g} kilohm")
    return tuple(found)


def residual_checks(
    jig: JigKind,
    reference_ohm: float,
    frequency_hz: FloatArray,
    solved: SolvedJig,
    standards: Mapping[str, StandardReading],
    tolerance_std: float | None,
) -> tuple[ResidualCheck, ...]:
    """Redundancy of load and stated reference: the resistance that the standards see, and its constancy.

    With all of channel-match, open, short and load the second one tests the channel-match against the rest.
    """
    if solved.scale_source != "load":
        return ()
    match = standards.get("channel-match")
    seen = reference_seen(jig, solved.terms, None if match is None else match.ratio)
    middle = _middle(frequency_hz, seen)
    relative = float(middle.real) / reference_ohm - 1
    allowed = _ALLOWED_WITHOUT_TOLERANCE
    if tolerance_std is not None:
        allowed = 2 * tolerance_std + _ALLOWED_BESIDE_TOLERANCE
    passed = abs(relative) <= allowed
    value = ResidualCheck(
        name="reference resistor",
        relative=relative,
        sentence=f"the load says the reference resistor is {middle.real:.4g} ohm, stated {reference_ohm:g} ohm "
        f"({100 * relative:+.2f} %)" + ("" if passed else ": one of both values is wrong, measure them"),
        passed=passed,
    )
    inside = _band(frequency_hz)
    spread = float(np.median(np.abs(seen[inside] / middle - 1)))
    constancy = ResidualCheck(
        name="constant reference" if match is None else "channel-match redundancy",
        relative=spread,
        sentence=f"the reference resistor seen by the standards varies by {100 * spread:.2g} % over frequency",
        passed=spread <= 0.01,
    )
    return value, constancy


def _band(frequency_hz: FloatArray) -> NDArray[np.bool_]:
    low_hz, high_hz = _CHECK_BAND_HZ
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    return inside if np.any(inside) else np.ones(frequency_hz.size, dtype=bool)


def _typical(frequency_hz: FloatArray, ratio: ComplexArray) -> float:
    return float(np.median(np.abs(ratio[_band(frequency_hz)])))


def _middle(frequency_hz: FloatArray, values: ComplexArray) -> complex:
    inside = values[_band(frequency_hz)]
    return complex(np.median(inside.real), np.median(inside.imag))
