"""What a part is, from its take and those of the other parts that were measured in the same jig."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.contact import contact_std_ohm
from stillbox.analysis.impedance.impedance import curve_of_spectrum
from stillbox.analysis.maths.uncertainty import CHAIN_FLOOR
from stillbox.analysis.part.warm_drift import WarmDrift, warm_drift
from stillbox.analysis.parts.kinds import UNITS, Kind
from stillbox.analysis.parts.part_draws import PartDraws, parts_together
from stillbox.analysis.parts.part_fit import (
    DEGREES,
    MOST_MISFIT,
    MeasuredPart,
    PartFit,
    fit_model,
    fit_part,
    kind_by_reactance,
)
from stillbox.analysis.parts.part_models import AT_HZ, PartModel
from stillbox.analysis.watched_build import nameless
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import JigKind, TakeInfo

POINTS_PER_OCTAVE = 12
"""The noise of calibration takes is shared by neighbours within a twelfth of an octave."""
LOW_HZ, HIGH_HZ = 20.0, 20_000.0
USUAL_LEADS_OHM = 0.05
"""Resistance of wires and clips where no take of ``short`` takes it out (common practice, no source)."""
CLIPS_H = 5e-9
"""By which the inductance of the leads changes with how they lie (common practice, no source)."""
SHOWN_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0, 20_000.0)
_FIRST_TAU_S = 1e-8
_WORTH_TRYING = 0.1
"""Median of what the simplest model leaves: above it no other number helps."""
_TOLD_SHARE = 0.1
"""A quantity that cannot be negative and whose interval begins below this share of its end has an upper limit only."""


@dataclass(frozen=True)
class Estimate:
    """A number that need not be distributed normally.

    Attributes
    ----------
    value, std : float
        Median and standard uncertainty.
    interval_95 : tuple of float
    unit : str
    most : float or None
        Where the measurement cannot tell it from 0: it is below this with 95 %.
    """

    value: float
    std: float
    interval_95: tuple[float, float]
    unit: str = ""
    most: float | None = None

    def as_json(self) -> dict[str, object]:
        """For other programs, with ``at_most`` where only an upper limit is known."""
        whole = {"value": self.value, "std": self.std, "interval_95": list(self.interval_95), "unit": self.unit}
        return whole if self.most is None else {**whole, "at_most": self.most}

    def scaled(self, factor: float, unit: str) -> Estimate:
        """The same in another unit."""
        low, high = self.interval_95
        most = None if self.most is None else self.most * factor
        return Estimate(self.value * factor, self.std * factor, (low * factor, high * factor), unit, most)


@dataclass(frozen=True)
class PartReading:
    """One part.

    Attributes
    ----------
    take : TakeInfo
    kind : str or None
        None where it is none of the three, and ``reason`` says why.
    value : Estimate or None
        F, H or ohm at 1 kHz.
    loss : Estimate or None
        Resistance in series at 1 kHz (capacitor), DC resistance (coil); None for a resistor.
    loss_factor : tuple of (float, Estimate)
        Hertz, and resistance over reactance there.
    inductance : Estimate or None
        Of a resistor, H.
    self_resonance : Estimate or None
        Hz; None where it is not seen.
    drift : WarmDrift or None
        Of a resistor over the sweeps of its take; None where there is one sweep only.
    load_seconds : Estimate or None
        Inductance over resistance of the resistor that set the ohms.
    without_short : bool
        Wires and clips are in the resistance.
    contact_ohm : float
        Standard uncertainty that clipping on leaves.
    alone : bool
        No other part in this jig tells of the load's inductance.
    """

    take: TakeInfo
    kind: Kind | None
    reason: str = ""
    value: Estimate | None = None
    loss: Estimate | None = None
    loss_factor: tuple[tuple[float, Estimate], ...] = ()
    inductance: Estimate | None = None
    self_resonance: Estimate | None = None
    drift: WarmDrift | None = None
    load_seconds: Estimate | None = None
    without_short: bool = False
    contact_ohm: float = 0.0
    alone: bool = False
    warnings: tuple[str, ...] = ()

    @property
    def loss_factor_1khz(self) -> Estimate | None:
        return dict(self.loss_factor).get(AT_HZ)


@dataclass(frozen=True)
class JigGroup:
    """All parts of one jig: what they may be together, and the values of each in all draws."""

    readings: dict[int, PartReading]
    values: dict[int, FloatArray]
    draws: PartDraws | None


def newest_parts(bench: Bench) -> list[TakeInfo]:
    """The newest take of each part, state and unit, in the order of names."""
    newest = {(take.of, take.state, take.unit): take for take in bench.takes_of("part")}
    return sorted(newest.values(), key=lambda take: (take.of, take.state, take.unit))


def group_of(bench: Bench, take: TakeInfo) -> JigGroup:
    """The group that a take belongs to: the newest takes of all parts with its jig and sample rate, and itself."""
    rate = take.excitation.sample_rate_hz
    takes = [
        one
        for one in newest_parts(bench)
        if one.jig == take.jig
        and one.excitation.sample_rate_hz == rate
        and (one.number == take.number or (one.of, one.state, one.unit) != (take.of, take.state, take.unit))
    ]
    if all(one.number != take.number for one in takes):
        takes.append(take)
    takes = sorted(map(nameless, takes), key=lambda one: one.number)
    key = (take.jig, tuple(one.number for one in takes))
    return bench.kept("parts of a jig", key, lambda: _read_group(bench, takes, take.jig))


def reading_of(bench: Bench, take: TakeInfo) -> PartReading:
    """One part with all that the others of its jig tell."""
    return replace(group_of(bench, take).readings[take.number], take=take)


def _read_group(bench: Bench, takes: Sequence[TakeInfo], jig: JigKind) -> JigGroup:
    contact = _contact(bench, takes[0])
    measured = {take.number: _measured(bench, take, contact) for take in takes}
    kinds, readings = {}, {}
    for take in takes:
        kind, reason = _kind(measured[take.number])
        if kind is None:
            warnings = bench.at_clips(take).warnings
            readings[take.number] = PartReading(take, None, reason, warnings=warnings)
        else:
            kinds[take.number] = kind
    if not kinds:
        return JigGroup(readings, {}, None)
    known = [take for take in takes if take.number in kinds]
    scale_std = max(bench.at_clips(take).scale_std for take in known)
    fits, draws = parts_together(
        [measured[number] for number in kinds], list(kinds.values()), float(np.hypot(scale_std, CHAIN_FLOOR))
    )
    values = {}
    for take, fit, numbers in zip(known, fits, draws.numbers, strict=True):
        values[take.number] = _scaled_values(fit, numbers, draws)
        without_short = "short" not in bench.standards(jig, take.excitation.sample_rate_hz)
        readings[take.number] = replace(
            _reading(take, fit, numbers, draws),
            without_short=without_short,
            drift=warm_drift(bench, take) if fit.model.kind == "resistor" else None,
            contact_ohm=contact.std_ohm,
            alone=len(known) == 1,
            warnings=bench.at_clips(take).warnings,
        )
    return JigGroup(readings, values, draws)


@dataclass(frozen=True)
class Contact:
    """Resistance of wires and clips: what is to be taken off, and its standard uncertainty, ohm."""

    ohm: float
    std_ohm: float


def _contact(bench: Bench, take: TakeInfo) -> Contact:
    """By the mean of all takes of ``short``, where the calibration has the newest: one clipping counts for little."""
    if "short" not in bench.standards(take.jig, take.excitation.sample_rate_hz):
        return Contact(0.0, USUAL_LEADS_OHM)
    short_ohm = bench.short_ohm(take, bench.calibration(take))
    # Of the difference of two clippings; of one and a mean of n it is less.
    of_mean = np.sqrt((1 + 1 / len(short_ohm)) / 2)
    return Contact(float(np.mean(short_ohm)), float(contact_std_ohm(short_ohm) * of_mean))


def _measured(bench: Bench, take: TakeInfo, contact: Contact) -> MeasuredPart:
    spectrum = bench.at_clips(take)
    curve = curve_of_spectrum(spectrum, LOW_HZ, HIGH_HZ, POINTS_PER_OCTAVE)
    size = np.abs(curve.impedance_ohm)
    # The chain is as good as CHAIN_FLOOR in the ratio of the channels: less is known of what is far from the reference.
    chain = CHAIN_FLOOR * size * (1 + size / bench.settings.reference_ohm)
    common: list[ComplexArray] = [
        2j * np.pi * curve.frequency_hz * CLIPS_H,
        np.full(curve.frequency_hz.size, contact.std_ohm, dtype=complex),
    ]
    shared = spectrum.common_ohm
    if "short" in bench.standards(take.jig, take.excitation.sample_rate_hz):
        shared = shared[:-1]  # the last is the contact by the newest take of short
    common += [np.interp(curve.frequency_hz, spectrum.frequency_hz, one) for one in shared]
    return MeasuredPart(
        curve.frequency_hz,
        curve.impedance_ohm - contact.ohm,
        curve.noise_variance_ohm2 + 2 * chain**2,
        tuple(common),
    )


def _kind(measured: MeasuredPart) -> tuple[Kind | None, str]:
    """Its kind, or why it has none."""
    kind = kind_by_reactance(measured)
    misfit = fit_model(measured, PartModel(kind, DEGREES[kind][0]), _FIRST_TAU_S).misfit
    if MOST_MISFIT < misfit < _WORTH_TRYING:
        misfit = fit_part(measured, kind, _FIRST_TAU_S).misfit
    if misfit <= MOST_MISFIT:
        return kind, ""
    turns = np.flatnonzero(np.diff(np.sign(measured.impedance_ohm.imag)))
    size = np.abs(measured.impedance_ohm)
    if turns.size and size.max() > 1.2 * size.min():
        where = measured.frequency_hz[turns[0]]
        return None, f"its reactance changes sign at about {where:.3g} Hz, as that of coil and capacitor or of a driver"
    return None, f"the nearest kind, a {kind}, misses the curve by {100 * misfit:.2g} % (median)"


def _scaled_values(fit: PartFit, numbers: FloatArray, draws: PartDraws) -> FloatArray:
    """F, H or ohm in all draws, with the scale of the ohms."""
    value = fit.model.value(numbers)
    return value / draws.scale if fit.model.kind == "capacitor" else value * draws.scale


def _reading(take: TakeInfo, fit: PartFit, numbers: FloatArray, draws: PartDraws) -> PartReading:
    kind, model = fit.model.kind, fit.model
    values = model.values(numbers)

    def estimate(drawn: FloatArray, unit: str = "", limited: bool = False) -> Estimate:
        low, middle, high, most = draws.quantiles(drawn, 0.025, 0.5, 0.975, 0.95)
        only_limit = limited and low < _TOLD_SHARE * high
        return Estimate(middle, draws.std(drawn), (low, high), unit, most if only_limit else None)

    value = estimate(_scaled_values(fit, numbers, draws), UNITS[kind])
    load = estimate(draws.tau_s, "s", limited=True)
    if kind == "resistor":
        inductance = estimate(values["lead_h"][:, 0] * draws.scale, "H", limited=True)
        return PartReading(take, kind, value=value, inductance=inductance, load_seconds=load)
    at_1khz = model.impedance(numbers, np.array([AT_HZ]))[:, 0].real
    series = values["series_ohm"][:, 0] if kind == "coil" else at_1khz
    shown = np.array(SHOWN_HZ)
    whole = model.impedance(numbers, shown)
    factors = whole.real / np.abs(whole.imag)
    resonance = None
    square = model.self_resonance_s2(numbers)
    if square is not None:
        low, high = draws.quantiles(square, 0.025, 0.975)
        if low > _TOLD_SHARE * high:
            resonance = estimate(1 / (2 * np.pi * np.sqrt(np.maximum(square, 1e-3 * low))), "Hz")
    return PartReading(
        take,
        kind,
        value=value,
        loss=estimate(series * draws.scale, "ohm", limited=True),
        loss_factor=tuple((hz, estimate(factors[:, index], limited=True)) for index, hz in enumerate(SHOWN_HZ)),
        self_resonance=resonance,
        load_seconds=load,
    )
