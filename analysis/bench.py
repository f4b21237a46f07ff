"""The one flow: build folder -> impedance -> findings -> comparison -> decay, for window and command line alike.

A ``Bench`` reads a build and remembers what it has computed for as long as it lives; nothing computed is stored
on disk, for every result can be computed again from the takes.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Hashable
from dataclasses import replace
from functools import cached_property, partial
from typing import TypeVar

import numpy as np

from stillbox.analysis.drivers import NAMELESS, driver_in_box
from stillbox.analysis.impedance.contact import contact_std_ohm, contact_warnings, resistance_ohm, uncorrected_warnings
from stillbox.analysis.impedance.findings import Finding, FindingsReport, ResonanceFit
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
from stillbox.analysis.lumped.driver import fit_driver
from stillbox.analysis.ringing.causes import assign_causes
from stillbox.analysis.ringing.comparison import Comparison, compare, unshared_poles
from stillbox.analysis.ringing.crossover_cause import between
from stillbox.analysis.ringing.terminal_bumps import terminal_bumps
from stillbox.analysis.sweeps.transfer import ChannelRatio, channel_ratio
from stillbox.analysis.through_crossover import BuiltCrossover, through_crossover
from stillbox.analysis.through_unknown import LIKELY, WITHOUT_A_NAME, through_unknown, unlike_alone
from stillbox.analysis.watched_build import WatchedBuild, nameless, told_apart
from stillbox.analysis.waterfall.decay_response import DecayResponse, decay_response
from stillbox.calibration.jig import JigCalibration, fit_jig
from stillbox.calibration.jig_models import StandardReading
from stillbox.calibration.smoothing import smooth_ratio
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.build.build_description import DriverPlace
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import CALIBRATION_SUBJECTS, TakeInfo

Progress = Callable[[str], None]
Value = TypeVar("Value")

SECONDS_OF_RINGING = 2.2
"""Times Q over frequency: the time in which a resonator falls by 60 dB, ln(1000) / pi."""


class Bench(WatchedBuild):
    """A build with all that is computed from its takes; any number of threads may use it at once.

    Parameters
    ----------
    build : BuildFolder
    gate_s : float, optional
        Time gate for all takes: less noise, coarser resolution.
    progress : callable, optional
        Is told in words what is being computed.
    driver : str, optional
        Name of the driver that is looked at; left out: the one in the box.
    """

    def __init__(
        self,
        build: BuildFolder,
        gate_s: float | None = None,
        progress: Progress | None = None,
        driver: str | None = None,
    ) -> None:
        super().__init__(build, driver)
        self.gate_s = gate_s
        self._say = progress or (lambda _: None)

    def renewed(self) -> Bench:
        """A bench on the build as it is on the disk now; what still holds of what was computed is taken along."""
        new = Bench(self.build, self.gate_s, self._say, self.driver)
        new.memory = self.memory.where(new.answer)
        return new

    @cached_property
    def ungated(self) -> Bench:
        """The same without a gate; both share the memory."""
        whole = copy.copy(self)
        whole.gate_s = None
        return whole

    def kept(self, what: str, key: Hashable, compute: Callable[[], Value], *made_from: object) -> Value:
        """The value of this name, computed once.

        Parameters
        ----------
        what, key
            Name of the value, and what it is of: takes, settings of a person.
        compute : callable
            Leans on ``key`` and ``made_from``, and on what it asks of the bench; see `Memory.kept`.
        made_from : object
            Values that the bench has given and that ``compute`` uses as they are.
        """
        return self.memory.kept(what, (self.gate_s, key), compute, made_from)

    def knows(self, what: str, key: Hashable, *made_from: object) -> bool:
        """Whether `kept` has its answer already."""
        return self.memory.knows(what, (self.gate_s, key), made_from)

    def _of_take(self, what: str, take: TakeInfo, compute: Callable[[TakeInfo], Value], say: str = "") -> Value:
        """A value of a take whose state may be called anything: ``compute`` gets the take without that name."""
        one = nameless(take)

        def computed() -> Value:
            self.holds(one)  # a take that has gone takes with it what was made from it
            if say:
                self._say(f"{say} take {take.number} ({self.address_now(take)})")
            return compute(one)

        return self.kept(what, one, computed)

    def ratio(self, take: TakeInfo) -> ChannelRatio:
        """Ratio of the channels of a take with its noise."""
        if take.subject == "microphone":
            raise StillboxError(f"take {take.number} is of a microphone, which has no impedance", "name another one")
        return self._of_take(
            "ratio",
            take,
            lambda one: channel_ratio(self.build.load(one), self.gate_s),
            say="computing the response of",
        )

    def calibration(self, take: TakeInfo) -> JigCalibration:
        """Calibration of the jig that a take was made with, on the frequency grid of that take.

        Not kept: it is as large as all that is kept of a take, and quickly made from the ratios.
        """
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

    def short_ohm(self, take: TakeInfo, calibration: JigCalibration) -> list[float]:
        """Resistance of every take of short in the jig of a take, after the correction by the newest of them."""
        rate_hz = take.excitation.sample_rate_hz
        shorts = [
            self.ratio(one)
            for one in self.takes_of("short")
            if one.jig == take.jig and one.excitation.sample_rate_hz == rate_hz
        ]
        return [resistance_ohm(calibration, one.frequency_hz, one.ratio) for one in shorts]

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
        result: np.ndarray = frequency_hz[inside]
        return result

    def at_clips(self, take: TakeInfo) -> ImpedanceSpectrum:
        """Impedance of what was on the clips at full resolution."""
        return self._of_take("spectrum at the clips", take, self._measured)

    def spectrum(self, take: TakeInfo) -> ImpedanceSpectrum:
        """Impedance that is read: of a speaker whose crossover is known that of its driver, else that at the clips."""
        return self.seen(take)[1]

    def seen(self, take: TakeInfo) -> tuple[str, ImpedanceSpectrum]:
        """The same with the name of the driver that is seen through a crossover; empty for what was on the clips."""
        return self._of_take("spectrum", take, self._seen)

    def _seen(self, take: TakeInfo) -> tuple[str, ImpedanceSpectrum]:
        if take.subject != "in-box" or take.of:
            return "", self.at_clips(take)
        kept = self.network_of(take.number)
        if kept is None:
            return self._through_unknown(take)
        boxed = self.free_air(take.unit)
        names = [name for name in (self.description.driver.name, boxed and boxed.of) if name]
        known = partial(self.impedance_of, take.unit)
        told, built = self.description.crossover, self.as_built(take)
        return through_crossover(self.at_clips(take), kept, told, names, known, built)

    def as_built(self, take: TakeInfo) -> BuiltCrossover | None:
        """What stands for the netlist of a take: nothing, but in a `BenchAsBuilt`."""
        return None

    def _through_unknown(self, take: TakeInfo) -> tuple[str, ImpedanceSpectrum]:
        """Where no netlist is kept: what was on the clips, unless a crossover lies between and can be fitted along."""
        clips, alone = self.at_clips(take), self.free_air(take.unit)
        if alone is None:
            return "", clips
        if not unlike_alone(curve_of_spectrum(clips), self.curve(alone)):
            return "", clips
        shown, own = self.fit_at_clips(take), self.fit(alone)
        if between(shown, own, self._has_several(take.unit, alone)).probability < LIKELY:
            return "", clips
        others = self._others(take.unit, alone.of)
        name = alone.of or self.description.driver.name or WITHOUT_A_NAME
        try:
            known = [self.impedance_of(take.unit, other, clips.frequency_hz) for other in others]
            other = (others[0], *known[0]) if len(known) == 1 and known[0] is not None else None
            driver = self.kept(
                "driver fit", (alone, None), lambda: fit_driver(self.spectrum(alone), self.fit(alone), None)
            )
            return name, through_unknown(clips, shown, own, driver, name, other)
        except StillboxError as error:
            doubt = f"not seen through the crossover, so these numbers are those at the speaker's terminals: {error}"
            return "", replace(clips, warnings=(*clips.warnings, doubt))

    def fit_at_clips(self, take: TakeInfo) -> ResonanceFit:
        """Baseline and resonances of what was on the clips, whatever lies between them and the driver."""

        def fitted(one: TakeInfo) -> ResonanceFit:
            hints = self._motional_hints(one)
            clips = self.at_clips(one)
            return fit_beside_sounds(clips, one.excitation, lambda spectrum: fit_resonances(spectrum, *hints))[1]

        return self._of_take("fit at the clips", take, fitted)

    def terminal_bumps_of(self, take: TakeInfo) -> tuple[Finding, ...]:
        """What the terminals show and the driver behind a crossover does not; empty where none is seen through."""
        if not self.seen(take)[0]:
            return ()

        def found(one: TakeInfo) -> tuple[Finding, ...]:
            others = self._other_fits(one, self.free_air(one.unit, one.of))
            return terminal_bumps(self.fit_at_clips(one), self.fit(one), others)

        return self._of_take("bumps at the terminals", take, found)

    def _has_several(self, unit: str, own: TakeInfo | None) -> bool:
        """Whether the speaker is known to have more than one driver: a name is given to tell it from others."""
        name = "" if own is None else own.of
        return bool(name or self._others(unit, name) or self.other_drivers)

    def _others(self, unit: str, own: str) -> list[str]:
        """Names of the drivers beside one that were swept alone."""
        swept = [take.of for take in self.takes_of("free-air", unit)]
        return list(dict.fromkeys(name for name in swept if name and name != own))

    def impedance_of(
        self, unit: str, driver: str, frequency_hz: FloatArray
    ) -> tuple[ComplexArray, FloatArray] | None:
        """Of a driver on its own terminals and its noise, beyond its band as fitted; None where it was not swept."""
        swept = (self.newest(subject, unit=unit, of=driver) for subject in ("in-box", "free-air"))
        take = next(filter(None, swept), None)
        if take is None:
            return None
        curve, fit = self.curve(take), self.fit(take)
        inside = (frequency_hz >= curve.frequency_hz[0]) & (frequency_hz <= curve.frequency_hz[-1])
        measured = np.interp(frequency_hz, curve.frequency_hz, curve.impedance_ohm)
        noise = np.interp(frequency_hz, curve.frequency_hz, curve.noise_variance_ohm2)
        return np.where(inside, measured, fit.impedance_ohm(frequency_hz)), noise

    def _measured(self, take: TakeInfo) -> ImpedanceSpectrum:
        ratio, calibration = self.ratio(take), self.calibration(take)
        first = int(np.searchsorted(ratio.frequency_hz, calibration.frequency_hz[0]))
        inside = slice(first, first + calibration.frequency_hz.size)
        measured = ratio.ratio[inside]
        derivative = calibration.derivative(measured)
        shorts = self.short_ohm(take, calibration)
        contact = (np.full(measured.size, contact_std_ohm(shorts), dtype=complex),) if shorts else ()
        power = np.abs(derivative) ** 2
        bent, silent = ratio.bent_variance, ratio.silent_variance
        return ImpedanceSpectrum(
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
                *uncorrected_warnings(calibration),
                *calibration.warnings,
                *contact_warnings(shorts),
                *ratio.warnings,
                *self._smeared(take),
            ),
        )

    def _smeared(self, take: TakeInfo) -> tuple[str, ...]:
        """A warning for each resonance that rings longer than the gate lasts."""
        if self.gate_s is None or take.subject in CALIBRATION_SUBJECTS or take.subject == "part":
            return ()
        whole = self.ungated.fit(take)
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
        return self._of_take(
            f"curve of {points_per_octave} points an octave",
            take,
            lambda one: curve_of_spectrum(self.spectrum(one), points_per_octave=points_per_octave),
        )

    def fit(self, take: TakeInfo) -> ResonanceFit:
        """Baseline and resonances of a take."""
        return self._of_take("fit", take, lambda one: self._fitted(one)[1])

    def _fitted(self, take: TakeInfo) -> tuple[ImpedanceSpectrum, ResonanceFit]:
        """The fit, and the spectrum with the noise that the resonances were held against."""
        return self._of_take("fit beside sounds", take, self._found, say="looking for resonances in")

    def _found(self, take: TakeInfo) -> tuple[ImpedanceSpectrum, ResonanceFit]:
        no_port = take.subject in ("free-air", "added-mass", "test-box") or take.port_closed
        hints = (False, None) if no_port else self._motional_hints(take)
        return fit_beside_sounds(
            self.spectrum(take), take.excitation, lambda spectrum: fit_resonances(spectrum, *hints)
        )

    def is_fitted(self, take: TakeInfo) -> bool:
        """Whether ``fit`` has its answer already."""
        return self.knows("fit", nameless(take))

    def free_air(self, unit: str | None = None, of: str = "") -> TakeInfo | None:
        """The newest free-air take of a unit: of the driver ``of``, else of the one looked at, else of that in the box.

        Takes without a name stand for any driver where no others are.
        """
        takes = self.takes_of("free-air", unit)
        named = of or self.driver
        if named is None or not any(take.of for take in takes):
            named = self._in_box_of(takes)
        return self.newest("free-air", unit=unit, of=named)

    def _in_box_of(self, free_air: list[TakeInfo]) -> str | None:
        return driver_in_box(free_air, self.description.driver.name, self.other_drivers, self._resonance_hz)

    def _resonance_hz(self, take: TakeInfo) -> float | None:
        motional = self.fit(take).motional
        return motional[0].frequency_hz if motional else None

    def place_of(self, take: TakeInfo) -> DriverPlace:
        """What build.toml says of the driver that a take is of."""
        description = self.description
        if take.of in description.drivers:
            return description.drivers[take.of]
        in_box = self._in_box_of(self.takes_of("free-air", take.unit))
        return description.driver if in_box in (None, take.of or NAMELESS) else DriverPlace()

    def _motional_hints(self, take: TakeInfo) -> tuple[bool | None, float | None]:
        """Whether the box has a port (None if not known), and the driver's resonance in free air."""
        port = True if self.description.port.diameter_mm is not None else None
        free_air = self.free_air(take.unit, take.of)
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
        return self.kept("findings", take, lambda: self._findings_from(take, self.fit(take)))

    def _findings_from(
        self, take: TakeInfo, fit: ResonanceFit, compared: frozenset[int] = frozenset()
    ) -> FindingsReport:
        """The same from a fit; takes that are ``compared`` are no measure of how far they repeat."""
        found, warnings = self._causes(take, fit)
        repeats = repeats_of(take, self.takes_of("in-box", take.unit), self.fit, compared)
        return FindingsReport(
            build=self.name,
            state=take.state,
            unit=take.unit,
            findings=with_spreads(found, repeats.same, repeats.remounted),
            fit=fit,
            peak_spread=spread_of_fundamental(repeats.same),
            celsius=take.celsius,
            of=take.of,
            at_terminals=self.terminal_bumps_of(take),
            warnings=(*self.unlike(take), *fit.warnings, *warnings),
        )

    def _causes(self, take: TakeInfo, fit: ResonanceFit) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
        """Causes of the resonances of a fit, with warnings."""

        def told() -> tuple[tuple[Finding, ...], tuple[str, ...]]:
            free_air = self.free_air(take.unit, take.of)
            free_fit = None if free_air is None else self.fit(free_air)
            others, several = self._other_fits(take, free_air), self._has_several(take.unit, free_air)
            through = bool(self.seen(take)[0])
            return assign_causes(fit, free_fit, self.description_at(take), others, several, through)

        return self.kept("causes", nameless(take), told, fit)

    def _other_fits(self, take: TakeInfo, free_air: TakeInfo | None) -> dict[str, ResonanceFit]:
        """Of the speaker's other drivers on their own terminals, for a take of the finished speaker."""
        if take.of:
            return {}
        names = self._others(take.unit, "" if free_air is None else free_air.of)
        newest = {name: self.newest("free-air", unit=take.unit, of=name) for name in names}
        return {name: self.fit(one) for name, one in newest.items() if one is not None}

    def unlike(self, take: TakeInfo) -> tuple[str, ...]:
        """A word where the take before this one, of the same state, is unlike it; empty where all is well."""
        earlier = self.before(take)
        if earlier is None or alike(self.curve(take), self.curve(earlier)):
            return ()
        what = difference(self.fit(take), self.fit(earlier), take.remounted)
        return (unlike_sentence(take, earlier, what),) if what else ()

    def comparison(self, before: str, after: str, unit: str | None = None) -> Comparison:
        """Two states of one unit, resonance by resonance.

        Without ``unit`` that of the newest take of ``after`` whose unit has been measured in ``before`` too; where
        there is none, the newest of each.
        """
        return self.comparison_of(*self.compared(before, after, unit))

    def comparison_of(self, before: TakeInfo, after: TakeInfo) -> Comparison:
        """Two in-box takes, resonance by resonance, under names that tell them apart.

        Raises
        ------
        StillboxError
            If one is of the speaker's terminals and the other of a driver, or they are of two drivers.
        """
        read = [take.of or self.seen(take)[0] for take in (before, after)]
        if read[0] != read[1]:
            one, other = (f"of driver '{name}'" if name else "of the speaker's terminals" for name in read)
            raise StillboxError(
                f"takes {before.number} and {after.number} cannot be compared: the one is {one}, the other {other}",
                "compare takes of the same; where a crossover stands between, keep its netlist for both states",
            )
        return self.kept("comparison", (before, after), lambda: self._compared(before, after))

    def _compared(self, before: TakeInfo, after: TakeInfo) -> Comparison:
        both = (before, after)
        names, numbers = told_apart(before, after), frozenset(take.number for take in both)
        reports = [
            replace(self._findings_from(take, self._shared_fit(take, before, after), numbers), state=name)
            for take, name in zip(both, names, strict=True)
        ]
        return compare(*reports)

    def _shared_fit(self, take: TakeInfo, before: TakeInfo, after: TakeInfo) -> ResonanceFit:
        """Fit of one of two takes from the union of their poles, so that it does not miss what the other has shown."""

        def again() -> ResonanceFit:
            only_first, only_second = unshared_poles(self.fit(before), self.fit(after))
            offered = only_second if take.number == before.number else only_first
            if not offered:
                return self.fit(take)
            return fit_with_poles(self._fitted(take)[0], self.fit(take), offered, *self._motional_hints(take))

        return self.kept("shared fit", (take.number, nameless(before), nameless(after)), again)

    def decay(self, take: TakeInfo) -> DecayResponse:
        """Response of the motional impedance over its lumped baseline, from which decays are drawn."""
        return self._of_take(
            "decay", take, lambda one: decay_response(self.spectrum(one), self.fit(one)), say="computing the decay of"
        )
