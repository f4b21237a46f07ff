"""The one flow: build folder -> impedance -> findings -> comparison -> decay, for window and command line alike.

A ``Bench`` reads a build and remembers what it has computed for as long as it lives; nothing computed is stored
on disk, for every result can be computed again from the takes.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from stillbox.analysis.decay.decay_response import DecayResponse, decay_response
from stillbox.analysis.impedance.contact import contact_sentence, contact_std_ohm, contact_warnings, resistance_ohm
from stillbox.analysis.impedance.findings import FindingsReport, ResonanceFit
from stillbox.analysis.impedance.impedance import (
    POINTS_PER_OCTAVE,
    ImpedanceCurve,
    ImpedanceSpectrum,
    curve_of_every_bin,
    curve_of_spectrum,
)
from stillbox.analysis.impedance.repeatability import spread_of_fundamental, with_spreads
from stillbox.analysis.impedance.repeated_takes import repeats_of
from stillbox.analysis.impedance.resonances import fit_resonances, fit_with_poles
from stillbox.analysis.impedance.sound_in_sweep import fit_beside_sounds
from stillbox.analysis.impedance.unlike_takes import alike, difference, unlike_sentence
from stillbox.analysis.maths.uncertainty import ResistorCheck, check_resistor
from stillbox.analysis.ringing.causes import assign_causes
from stillbox.analysis.ringing.comparison import Comparison, compare, unshared_poles
from stillbox.analysis.sweeps.transfer import ChannelRatio, channel_ratio
from stillbox.calibration.jig import STANDARD_SUBJECTS, JigCalibration, fit_jig
from stillbox.calibration.jig_models import StandardReading
from stillbox.calibration.load_proof import no_proof, proof_of_load
from stillbox.calibration.smoothing import smooth_ratio
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.build_folder import BuildFolder, CalibrationSettings
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.small_file import real_path
from stillbox.capture.recording.take import CALIBRATION_SUBJECTS, JigKind, TakeInfo, fitting_takes, words_of_choice
from stillbox.capture.shown_text import short_name

Progress = Callable[[str], None]

SECONDS_OF_RINGING = 2.2
"""Times Q over frequency: the time in which a resonator falls by 60 dB, ln(1000) / pi."""

_CHECK_BAND_HZ = (50.0, 5_000.0)
_INDEPENDENT_POINTS = 12
"""Points an octave that share neither bins nor the smoothing of the calibration takes."""


class Bench:
    """A build with all that is computed from its takes.

    Parameters
    ----------
    build : BuildFolder
    gate_s : float, optional
        Time gate for all takes: less noise, coarser resolution.
    progress : callable, optional
        Is told in words what is being computed.
    """

    def __init__(self, build: BuildFolder, gate_s: float | None = None, progress: Progress | None = None) -> None:
        self.build = build
        self.gate_s = gate_s
        self._say = progress or (lambda _: None)
        self._ratios: dict[int, ChannelRatio] = {}
        self._spectra: dict[int, ImpedanceSpectrum] = {}
        self._fits: dict[int, tuple[ImpedanceSpectrum, ResonanceFit]] = {}
        self._decays: dict[int, DecayResponse] = {}

    def renewed(self) -> Bench:
        """A bench on the build as it is on the disk now; what still holds of what was computed is taken along."""
        new = Bench(self.build, self.gate_s, self._say)
        digests = {take.number: take.samples_sha256 for take in self.takes}
        known = {take.number for take in new.takes if digests.get(take.number) == take.samples_sha256}
        new._ratios = {number: ratio for number, ratio in self._ratios.items() if number in known}
        if self._basis() == new._basis():
            new._spectra = {number: value for number, value in self._spectra.items() if number in known}
            new._fits = {number: value for number, value in self._fits.items() if number in known}
            new._decays = {number: value for number, value in self._decays.items() if number in known}
        return new

    def apart(self) -> Bench:
        """The same for another thread: what is known is taken along, what either computes from now on is its own."""
        new = copy.copy(self)
        new._ratios, new._spectra = self._ratios.copy(), self._spectra.copy()
        new._fits, new._decays = self._fits.copy(), self._decays.copy()
        return new

    def _basis(self) -> tuple[object, ...]:
        """All that enters every result beside the take itself: calibration, description, free air."""
        common = [
            (take.number, take.subject, take.unit, take.samples_sha256)
            for take in self.takes
            if take.subject in (*STANDARD_SUBJECTS, "free-air")
        ]
        return self._calibration_settings, self._description, tuple(common)

    @cached_property
    def _calibration_settings(self) -> CalibrationSettings | None:
        return self.build.calibration

    @cached_property
    def _description(self) -> BuildDescription:
        return self.build.description

    def description_at(self, take: TakeInfo) -> BuildDescription:
        """What ``build.toml`` says, with the temperature of the air that the take was made in, if it was told."""
        if take.celsius is None:
            return self._description
        return self._description.model_copy(update={"temperature_c": take.celsius})

    @cached_property
    def takes(self) -> list[TakeInfo]:
        return self.build.takes()

    @cached_property
    def name(self) -> str:
        """Name of the build, or of its folder, fit to be a part of a line."""
        return short_name(self._description.name or real_path(self.build.path).name)

    @cached_property
    def settings(self) -> CalibrationSettings:
        settings = self._calibration_settings
        if settings is None:
            raise StillboxError(
                f"the reference resistor of {self.build.path} is not known",
                f"say it with 'stillbox calibrate {self.build.path} --reference-ohms R'",
            )
        return settings

    def ratio(self, take: TakeInfo) -> ChannelRatio:
        """Ratio of the channels of a take with its noise."""
        if take.subject == "microphone":
            raise StillboxError(f"take {take.number} is of a microphone, which has no impedance", "name another one")
        if take.number not in self._ratios:
            self._say(f"computing the response of take {take.number} ({take.address})")
            self._ratios[take.number] = channel_ratio(self.build.load(take), self.gate_s)
        return self._ratios[take.number]

    def standards(self, jig: JigKind, sample_rate_hz: int) -> dict[str, TakeInfo]:
        """Newest calibration take of each subject for this jig and sample rate."""
        return {
            take.subject: take
            for take in self.takes
            if take.subject in STANDARD_SUBJECTS
            and take.jig == jig
            and take.excitation.sample_rate_hz == sample_rate_hz
        }

    def calibration(self, take: TakeInfo) -> JigCalibration:
        """Calibration of the jig that a take was made with, on the frequency grid of that take."""
        frequency_hz = self._grid(take)
        readings = {}
        for subject, standard in self.standards(take.jig, take.excitation.sample_rate_hz).items():
            measured = self.ratio(standard)
            smooth, variance = smooth_ratio(
                measured.frequency_hz, measured.ratio, measured.noise_variance, frequency_hz
            )
            readings[subject] = StandardReading(smooth, variance, standard.load_ohm, standard.load_tolerance_percent)
        return fit_jig(
            take.jig,
            self.settings.reference_ohm,
            frequency_hz,
            readings,
            self.settings.reference_tolerance_percent,
        )

    def calibration_report(self) -> list[str]:
        """In sentences: what the calibration takes correct, what they show, and whether a known resistor agrees."""
        speakers = [take for take in self.takes if take.subject not in STANDARD_SUBJECTS]
        like = speakers[-1] if speakers else (self.takes[-1] if self.takes else None)
        settings = self.settings
        if like is None:
            return [f"reference resistor {settings.reference_ohm:g} ohm; no takes yet"]
        calibration = self.calibration(like)
        warned = [f"warning: {text}" for text in calibration.warnings]
        sentences = [calibration.summary, *self._unused_standards(like), *calibration.found, *warned]
        shorts = self._short_ohm(like, calibration)
        sentences += [contact_sentence(shorts)] if shorts else []
        load = self.standards(like.jig, like.excitation.sample_rate_hz).get("load")
        proofs = [take for take in self.takes if take.subject == "check-resistor" and take.jig == like.jig]
        sentences += [] if load is None else proof_of_load(load, proofs)
        for take in self.takes:
            if take.subject == "check-resistor":
                check = self.resistor_check(take)
                said = (check.sentence, *check.warnings, *_of_other_jig(check, take, settings.reference_ohm))
                sentences += [f"check-resistor (take {take.number}): {text}" for text in said]
        return sentences

    def _short_ohm(self, take: TakeInfo, calibration: JigCalibration) -> list[float]:
        """Resistance of every take of short in the jig of a take, after the correction by the newest of them."""
        rate_hz = take.excitation.sample_rate_hz
        shorts = [
            self.ratio(one)
            for one in fitting_takes(self.takes, "short")
            if one.jig == take.jig and one.excitation.sample_rate_hz == rate_hz
        ]
        return [resistance_ohm(calibration, one.frequency_hz, one.ratio) for one in shorts]

    def _unused_standards(self, like: TakeInfo) -> tuple[str, ...]:
        """A sentence on the calibration takes that cannot be used, as they are of another jig or rate."""

        def made(take: TakeInfo) -> str:
            return f"{take.jig}, {take.excitation.sample_rate_hz} Hz"

        others = [take for take in self.takes if take.subject in STANDARD_SUBJECTS and made(take) != made(like)]
        if not others:
            return ()
        listed = ", ".join(f"take {take.number} ({take.subject}, {made(take)})" for take in others)
        return (f"not used for the jig of take {like.number} ({made(like)}): {listed}",)

    def _grid(self, take: TakeInfo) -> np.ndarray:
        """Frequencies of a take that all standards cover."""
        frequency_hz = self.ratio(take).frequency_hz
        low_hz, high_hz = frequency_hz[0], frequency_hz[-1]
        for standard in self.standards(take.jig, take.excitation.sample_rate_hz).values():
            covered = self.ratio(standard).frequency_hz
            low_hz, high_hz = max(low_hz, covered[0]), min(high_hz, covered[-1])
        inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
        if np.count_nonzero(inside) < 16:
            raise StillboxError(
                f"take {take.number} and the calibration takes have no band in common",
                "record the calibration with the same excitation",
            )
        return frequency_hz[inside]

    def spectrum(self, take: TakeInfo) -> ImpedanceSpectrum:
        """Impedance of a take at full resolution."""
        if take.number not in self._spectra:
            ratio, calibration = self.ratio(take), self.calibration(take)
            first = int(np.searchsorted(ratio.frequency_hz, calibration.frequency_hz[0]))
            inside = slice(first, first + calibration.frequency_hz.size)
            measured = ratio.ratio[inside]
            derivative = calibration.derivative(measured)
            shorts = self._short_ohm(take, calibration)
            contact = (np.full(measured.size, contact_std_ohm(shorts), dtype=complex),) if shorts else ()
            power = np.abs(derivative) ** 2
            bent, silent = ratio.bent_variance, ratio.silent_variance
            self._spectra[take.number] = ImpedanceSpectrum(
                frequency_hz=calibration.frequency_hz,
                impedance_ohm=calibration.impedance_from_ratio(measured),
                noise_variance_ohm2=power * ratio.noise_variance[inside],
                calibration_variance_ohm2=calibration.noise_variance(measured, np.zeros(measured.size)),
                scale_std=calibration.scale_std,
                common_ohm=(*(derivative * common[inside] for common in ratio.common), *contact),
                bent_variance_ohm2=None if bent is None else power * bent[inside],
                silent_variance_ohm2=None if silent is None else power * silent[inside],
                warnings=(
                    *take.flags,
                    *_uncorrected(calibration),
                    *calibration.warnings,
                    *contact_warnings(shorts),
                    *ratio.warnings,
                    *self._smeared(take),
                ),
            )
        return self._spectra[take.number]

    def _smeared(self, take: TakeInfo) -> tuple[str, ...]:
        """A warning for each resonance that rings longer than the gate lasts."""
        if self.gate_s is None or take.subject in CALIBRATION_SUBJECTS or take.subject == "part":
            return ()
        whole = Bench(self.build).fit(take)
        pairs = (*whole.motional, *whole.resonances)
        rings = [(SECONDS_OF_RINGING * pair.q / pair.frequency_hz, pair) for pair in pairs]
        return tuple(
            f"the gate of {self.gate_s:g} s smears the resonance at {pair.frequency_hz:.4g} Hz (Q {pair.q:.3g}), "
            f"which rings for {length_s:.2g} s; give a longer gate, or none"
            for length_s, pair in rings
            if length_s > self.gate_s
        )

    def curve(self, take: TakeInfo, points_per_octave: int = POINTS_PER_OCTAVE) -> ImpedanceCurve:
        """Impedance of a take on the logarithmic grid; with 0 points an octave, at every bin of the record."""
        if points_per_octave == 0:
            return curve_of_every_bin(self.spectrum(take))
        return curve_of_spectrum(self.spectrum(take), points_per_octave=points_per_octave)

    def resistor_check(self, take: TakeInfo) -> ResistorCheck:
        """A check-resistor take against its marked value."""
        if take.load_ohm is None:
            raise StillboxError(f"take {take.number} has no marked value", "import it again with --load-ohms")
        if take.subject == "load":
            raise no_proof(take)
        spectrum = self.spectrum(take)
        curve = curve_of_spectrum(spectrum, *_CHECK_BAND_HZ, points_per_octave=_INDEPENDENT_POINTS)
        tolerance = take.load_tolerance_percent
        return check_resistor(
            curve.frequency_hz,
            curve.impedance_ohm,
            curve.noise_variance_ohm2,
            curve.scale_std,
            take.load_ohm,
            self.settings.reference_tolerance_percent if tolerance is None else tolerance,
            float(np.linalg.norm([np.median(common.real) for common in spectrum.common_ohm])),
        )

    def fit(self, take: TakeInfo) -> ResonanceFit:
        """Baseline and resonances of a take."""
        return self._fitted(take)[1]

    def _fitted(self, take: TakeInfo) -> tuple[ImpedanceSpectrum, ResonanceFit]:
        """The fit, and the spectrum with the noise that the resonances were held against."""
        if take.number not in self._fits:
            self._say(f"looking for resonances in take {take.number} ({take.address})")
            no_port = take.subject in ("free-air", "added-mass", "test-box") or take.port_closed
            hints = (False, None) if no_port else self._motional_hints(take)
            self._fits[take.number] = fit_beside_sounds(
                self.spectrum(take), take.excitation, lambda spectrum: fit_resonances(spectrum, *hints)
            )
        return self._fits[take.number]

    def is_fitted(self, take: TakeInfo) -> bool:
        """Whether ``fit`` has its answer already."""
        return take.number in self._fits

    def _motional_hints(self, take: TakeInfo) -> tuple[bool | None, float | None]:
        """Whether the box has a port (None if not known), and the driver's resonance in free air."""
        port = True if self._description.port.diameter_mm is not None else None
        free_air = self.newest("free-air", unit=take.unit)
        motional = () if free_air is None else self.fit(free_air).motional
        return port, motional[0].frequency_hz if motional else None

    def findings(self, state: str | None = None, unit: str | None = None) -> FindingsReport:
        """Resonances of the newest in-box take of a state and unit, each with its cause.

        None in ``state`` or ``unit`` takes the newest in-box take whatever they are.
        """
        return self.findings_of(self.in_box(state, unit))

    def findings_of(self, take: TakeInfo) -> FindingsReport:
        """Resonances of one in-box take, each with its cause."""
        if take.subject != "in-box":
            raise StillboxError(f"take {take.number} is of {take.subject}", "causes are told from a take of in-box")
        return self._findings_from(take, self.fit(take))

    def _findings_from(
        self, take: TakeInfo, fit: ResonanceFit, compared: frozenset[int] = frozenset()
    ) -> FindingsReport:
        """The same from a fit; takes that are ``compared`` are no measure of how far they repeat."""
        free_air = self.newest("free-air", unit=take.unit)
        free_fit = None if free_air is None else self.fit(free_air)
        found, warnings = assign_causes(fit, free_fit, self.description_at(take))
        repeats = repeats_of(take, self.takes, self.fit, compared)
        return FindingsReport(
            build=self.name,
            state=take.state,
            unit=take.unit,
            findings=with_spreads(found, repeats.same, repeats.remounted),
            fit=fit,
            peak_spread=spread_of_fundamental(repeats.same),
            celsius=take.celsius,
            warnings=(*self.unlike(take), *fit.warnings, *warnings),
        )

    def unlike(self, take: TakeInfo) -> tuple[str, ...]:
        """A word where the take before this one, of the same state, is unlike it; empty where all is well."""
        same = fitting_takes(self.takes, take.subject, take.state or "-", take.unit)
        earlier = [one for one in same if one.number < take.number and one.state == take.state]
        if not earlier or alike(self.curve(take), self.curve(earlier[-1])):
            return ()
        what = difference(self.fit(take), self.fit(earlier[-1]), take.remounted)
        return (unlike_sentence(take, earlier[-1], what),) if what else ()

    def comparison(self, before: str, after: str, unit: str | None = None) -> Comparison:
        """Two states of one unit, resonance by resonance.

        Without ``unit`` that of the newest take of ``after`` whose unit has been measured in ``before`` too; where
        there is none, the newest of each.
        """
        return self.comparison_of(*self.compared(before, after, unit))

    def comparison_of(self, before: TakeInfo, after: TakeInfo) -> Comparison:
        """Two in-box takes, resonance by resonance, under names that tell them apart."""
        both = (before, after)
        names, numbers = told_apart(before, after), frozenset(take.number for take in both)
        reports = [
            replace(self._findings_from(take, fit, numbers), state=name)
            for take, fit, name in zip(both, self._shared_fits(before, after), names, strict=True)
        ]
        return compare(*reports)

    def _shared_fits(self, before: TakeInfo, after: TakeInfo) -> tuple[ResonanceFit, ResonanceFit]:
        """Fits of both takes from the union of their poles, so that neither misses what the other has shown it."""
        first, second = self.fit(before), self.fit(after)
        only_first, only_second = unshared_poles(first, second)

        def again(take: TakeInfo, fit: ResonanceFit, offered: Sequence[complex]) -> ResonanceFit:
            if not offered:
                return fit
            return fit_with_poles(self._fitted(take)[0], fit, offered, *self._motional_hints(take))

        return again(before, first, only_second), again(after, second, only_first)

    def compared(self, before: str, after: str, unit: str | None = None) -> tuple[TakeInfo, TakeInfo]:
        """The takes that ``comparison`` compares."""
        if unit is None:
            measured = {take.unit for take in fitting_takes(self.takes, "in-box", before)}
            both = [take for take in fitting_takes(self.takes, "in-box", after) if take.unit in measured]
            unit = both[-1].unit if both else None
        first, second = self.in_box(before, unit), self.in_box(after, unit)
        if first.number == second.number:
            raise StillboxError(
                f"state {before} cannot be compared with itself",
                "name the states before and after the work, or two takes by their numbers",
            )
        return first, second

    def reported(self, states: Sequence[str] = (), unit: str | None = None) -> tuple[TakeInfo, ...]:
        """The takes that a report is of: those of the states named, one or two, or the newest and the state before."""
        if len(states) > 2:
            raise StillboxError(f"a report is of one state or of two, not of {len(states)} ({', '.join(states)})", "")
        if len(states) == 2:
            return self.compared(states[0], states[1], unit)
        last = self.in_box(states[0] if states else None, unit)
        earlier = [
            take
            for take in fitting_takes(self.takes, "in-box", unit=last.unit)
            if take.state != last.state and take.number < last.number
        ]
        return (last,) if states or not earlier else (earlier[-1], last)

    def decay(self, take: TakeInfo) -> DecayResponse:
        """Response of the motional impedance over its lumped baseline, from which decays are drawn."""
        if take.number not in self._decays:
            spectrum, fit = self.spectrum(take), self.fit(take)
            self._say(f"computing the decay of take {take.number} ({take.address})")
            self._decays[take.number] = decay_response(spectrum, fit)
        return self._decays[take.number]

    def in_box(self, state: str | None = None, unit: str | None = None) -> TakeInfo:
        """The newest in-box take of a state and unit; StillboxError lists what there is."""
        take = self.newest("in-box", state, unit)
        if take is None:
            there = ", ".join(sorted({f"{t.state or '-'}/{t.unit}" for t in self.takes if t.subject == "in-box"}))
            of_number = [t for t in self.takes if state == str(t.number)]
            if of_number and of_number[0].subject != "in-box":
                raise StillboxError(
                    f"take {state} is {of_number[0].address}, not a take in the box", "name a state or a take of in-box"
                )
            raise StillboxError(
                f"{self.build.path} has no in-box take{words_of_choice(state, unit)}",
                (f"there are, as state/unit: {there}" if there else "import or record one with --subject in-box")
                + self.build.hint_of_damage(),
            )
        return take

    def with_port_closed(self, take: TakeInfo) -> TakeInfo | None:
        """The newest take of the same state and unit with the port closed by hand."""
        fitting = fitting_takes(self.takes, "in-box", take.state or "-", take.unit, port_closed=True)
        fitting = [one for one in fitting if one.state == take.state]
        return fitting[-1] if fitting else None

    def newest(self, subject: str, state: str | None = None, unit: str | None = None) -> TakeInfo | None:
        """The newest take that fits; None in ``state`` or ``unit`` fits all, ``-`` is the empty state."""
        fitting = fitting_takes(self.takes, subject, state, unit)
        return fitting[-1] if fitting else None


def told_apart(before: TakeInfo, after: TakeInfo) -> tuple[str, str]:
    """Names of two takes that are compared: states, with units or numbers where states alone are the same."""
    if before.unit != after.unit:
        return f"{before.state} {before.unit}".strip(), f"{after.state} {after.unit}".strip()
    if before.state != after.state:
        return before.state or "no state", after.state or "no state"
    return f"{before.state} ({before.number})".strip(), f"{after.state} ({after.number})".strip()


def _uncorrected(calibration: JigCalibration) -> tuple[str, ...]:
    """A warning on what of the jig's own faults is left in the ohms."""
    if not calibration.uncorrected:
        return ()
    return (
        f"the jig's own faults are left in these numbers: {', '.join(calibration.uncorrected)}; "
        "record channel-match, open, short and load to take them out",
    )


def _of_other_jig(check: ResistorCheck, take: TakeInfo, reference_ohm: float) -> tuple[str, ...]:
    """A hint where the resistor reads as R^2 / Z, which is what the other kind of jig makes of it."""
    other = "low-side" if take.jig == "high-side" else "high-side"
    mirrored_ohm = reference_ohm**2 / check.measured_ohm if check.measured_ohm > 0 else np.inf
    nearer = abs(mirrored_ohm / check.marked_ohm - 1) < 0.1 * abs(check.measured_ohm / check.marked_ohm - 1)
    if check.verdict == "agrees" or not nearer:
        return ()
    remedy = f"if it is wired so, take it again with --jig {other}"
    return (f"a {other} jig would read {mirrored_ohm:.4g} ohm here: {remedy}",)
