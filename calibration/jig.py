"""The jig calibrated: from the ratio of the channels to ohms, and back, with the uncertainty that it brings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stillbox.calibration.jig_checks import (
    ResidualCheck,
    corrections,
    properties_found,
    require_load_apart,
    require_plausible,
    residual_checks,
)
from stillbox.calibration.jig_models import StandardInfluence, StandardReading, solve_jig
from stillbox.calibration.one_port import OnePortTerms
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import JigKind

STANDARD_SUBJECTS = ("channel-match", "open", "short", "load")
_REFERENCE_RANGE_OHM = (0.01, 100_000.0)


@dataclass(frozen=True)
class JigCalibration:
    """A jig over a frequency grid: one contract for all models, from none to three standards.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Grid of all arrays; ratios given to the methods lie on it.
    jig : str
        "high-side" or "low-side".
    model : str
        The standards that were used, in words.
    terms : OnePortTerms
        Error terms at each frequency.
    influences : tuple of StandardInfluence
        How the terms follow each standard, for the propagation of its noise.
    scale_std : float
        Relative standard uncertainty of the ohm scale (rectangular tolerance of the resistor that sets it).
    corrected, uncorrected : tuple of str
        In words, what the model corrects and what it does not.
    found : tuple of str
        Sentences on what the standards show: gain, leads, loading.
    checks : tuple of ResidualCheck
        Redundancies of the standards.
    """

    frequency_hz: FloatArray
    jig: JigKind
    model: str
    terms: OnePortTerms
    influences: tuple[StandardInfluence, ...]
    scale_std: float
    corrected: tuple[str, ...]
    uncorrected: tuple[str, ...]
    found: tuple[str, ...]
    checks: tuple[ResidualCheck, ...]
    warnings: tuple[str, ...]

    def impedance_from_ratio(self, ratio: ComplexArray) -> ComplexArray:
        """Impedance at the clips, ohm, from the ratio of channel 2 to channel 1, shape (n,)."""
        return self.terms.impedance(ratio)

    def derivative(self, ratio: ComplexArray) -> ComplexArray:
        """dZ/dm, ohm, shape (n,)."""
        return self.terms.by_ratio(ratio)

    def noise_variance(self, ratio: ComplexArray, variance: FloatArray) -> FloatArray:
        """E|noise|^2 of the impedance, ohm^2, from the noise of the device's ratio and of each standard.

        All dependences are holomorphic, so circular noise stays circular and
        ``E|dZ|^2 = sum |dZ/dm_i|^2 E|dm_i|^2`` over the device and the standards (JCGM 100, eq. 10).

        Parameters
        ----------
        ratio : complex ndarray, shape (n,)
            Of the device.
        variance : ndarray, shape (n,)
            E|noise|^2 of that ratio.
        """
        by_open, by_short, by_scale = self.terms.by_terms(ratio)
        total = np.abs(self.terms.by_ratio(ratio)) ** 2 * variance
        for standard in self.influences:
            sensitivity = by_open * standard.by_open + by_short * standard.by_short + by_scale * standard.by_scale
            total += np.abs(sensitivity) ** 2 * standard.variance
        return total

    @property
    def summary(self) -> str:
        """One sentence: corrected, and not corrected."""
        missing = f"not corrected: {', '.join(self.uncorrected)}" if self.uncorrected else "nothing left uncorrected"
        if not self.corrected:
            return missing
        return f"corrected by {self.model}: {', '.join(self.corrected)}; {missing}"


def fit_jig(
    jig: JigKind,
    reference_ohm: float,
    frequency_hz: FloatArray,
    standards: Mapping[str, StandardReading],
    reference_tolerance_percent: float | None = None,
) -> JigCalibration:
    """Calibrate the jig with whichever standards there are.

    With ``open``, ``short`` and ``load`` the full bilinear correction applies at every frequency and neither the
    stated reference nor the channel-match enters. With fewer the best physical model (`calibration.jig_models`):
    gain and delay from the channel-match, else from the standard whose ratio is near it, else from the load, else
    none; loading from ``open``; leads from ``short``; the reference from ``load``, else as stated.

    Parameters
    ----------
    jig : {"high-side", "low-side"}
    reference_ohm : float
        Stated reference resistor, 0.01 to 100,000 ohm.
    frequency_hz : ndarray, shape (n,)
        Grid of all ratios.
    standards : mapping
        Subject (``channel-match``, ``open``, ``short``, ``load``) to its StandardReading.
    reference_tolerance_percent : float, optional
        Half width of the tolerance in percent; used for the load too if the load has none of its own.

    Raises
    ------
    StillboxError
        If the reference is out of range, a load has no value, or a standard cannot be what it is said to be.
    """
    low_ohm, high_ohm = _REFERENCE_RANGE_OHM
    if not low_ohm <= reference_ohm <= high_ohm:
        raise StillboxError(
            f"reference resistor of {reference_ohm:g} ohm is outside {low_ohm:g} to {high_ohm:g} ohm",
            "give its value in ohms",
        )
    used = {subject: standards[subject] for subject in STANDARD_SUBJECTS if subject in standards}
    load = used.get("load")
    if load is not None and not (load.load_ohm is not None and load.load_ohm > 0):
        raise StillboxError("the load take has no value of its resistor", "import it again with --load-ohms")
    require_plausible(jig, frequency_hz, used)
    if load is not None:
        require_load_apart(frequency_hz, used)
    solved = solve_jig(jig, reference_ohm, frequency_hz, used)
    tolerances = _tolerances(load, reference_tolerance_percent)
    scale_std, warnings = _scale_std(solved.scale_source, tolerances)
    checks = residual_checks(jig, reference_ohm, frequency_hz, solved, used, _combined(tolerances))
    corrected, uncorrected = corrections(jig, solved, frozenset(used))
    return JigCalibration(
        frequency_hz=frequency_hz,
        jig=jig,
        model=" + ".join(used) if used else "no standards",
        terms=solved.terms,
        influences=solved.influences,
        scale_std=scale_std,
        corrected=corrected,
        uncorrected=uncorrected,
        found=properties_found(jig, reference_ohm, frequency_hz, solved, used),
        checks=checks,
        warnings=(*warnings, *(check.sentence for check in checks if not check.passed)),
    )


def _tolerances(load: StandardReading | None, reference_percent: float | None) -> dict[str, float | None]:
    """Tolerance in percent of reference and load; a load without its own takes that of the reference."""
    found: dict[str, float | None] = {"reference resistor": reference_percent}
    if load is not None:
        own = load.load_tolerance_percent
        found["load resistor"] = reference_percent if own is None else own
    return found


def _scale_std(scale_source: str, tolerances: dict[str, float | None]) -> tuple[float, tuple[str, ...]]:
    """Relative standard uncertainty of the scale: half width / sqrt(3) of a rectangle (JCGM 100, 4.3.7)."""
    names = {"load": ["load resistor"], "reference": ["reference resistor"], "both": list(tolerances)}[scale_source]
    warnings = [
        f"tolerance of the {name} was not given: not part of the uncertainty"
        for name in names
        if tolerances[name] is None
    ]
    if scale_source == "both":
        warnings.append(
            "the load had to set the gain, so the uncertainty of the scale holds near the load's value only; "
            "record channel-match or open too"
        )
    widths = [(tolerances[name] or 0.0) / 100 for name in names]
    return float(np.sqrt(np.sum(np.square(widths)) / 3)), tuple(warnings)


def _combined(tolerances: dict[str, float | None]) -> float | None:
    """Relative standard uncertainty of load over reference; None if a tolerance is missing."""
    widths = [width for width in tolerances.values() if width is not None]
    if len(widths) < len(tolerances):
        return None
    return float(np.sqrt(np.sum(np.square(widths)) / 3)) / 100
