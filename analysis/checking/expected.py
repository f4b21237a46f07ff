"""What the curve of a finished speaker should be: that of the one it is set against, all within what is usual."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.boxed_driver import BoxedDriver, Motion, Name, fitted_motion, motional_ohm
from stillbox.analysis.checking.hypotheses import (
    OTHER_UNIT,
    SAME_UNIT,
    WORKED_ON,
    BoxHypothesis,
    other_driver_stds,
)
from stillbox.analysis.crossover.known_crossover import drivers_ohm
from stillbox.analysis.impedance.findings import Resonance, ResonanceFit, pairs_ohm
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum, curve_of_spectrum
from stillbox.analysis.network.network import GROUND, INPUT, DriverPlace, Network
from stillbox.analysis.network.spectrum_through import NotSeenThrough
from stillbox.analysis.reference_take import ReferenceTake
from stillbox.analysis.system.filling import described_filling
from stillbox.analysis.through_crossover import network_of_netlist, tolerances_percent
from stillbox.analysis.wrong_part.capacitor_makes import settled
from stillbox.analysis.wrong_part.known_driver import MOST_IN_BOX
from stillbox.analysis.wrong_part.many_speakers import Curve, Model
from stillbox.analysis.wrong_part.search import FARTHEST, Found, looked_at, stepped
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

LOWEST_HZ, HIGHEST_HZ = 18.0, 20_000.0
FINE, IN_BASS, ABOVE, BASS_HZ = 24, 2, 3, 500.0
"""Points an octave, of which each second counts in the bass, and each third above it."""
MOTION_POINTS = 36
SHIFTED, TALLER = 0.02, 0.06
"""Of frequency and height of small resonances between two drivers of one kind (common practice, no source)."""
UNLIKE, ALIKE = 0.008, 0.003
"""Of the impedance, at each point: what no number of a model says of another driver of one kind (seen between drivers
computed with 2 % of scatter in each number), and of the same on another day."""
COARSE, COARSE_STEPS, STEPS = 0.02, 8, 10
"""Error of the model to begin with, steps with that, and steps in all."""
DOUBTFUL = 0.5
TREATED, TREATED_ROUGH = 1.0, 2.0
"""Where the box was worked on, its resonances may have gone, and others may be there."""
WHOLE = "speaker"
"""Name of what is on the clips where nothing is known of its crossover."""
STANDING_HZ = 120.0
"""Below it a box has no standing waves."""


@dataclass(frozen=True)
class ExpectedSpeaker:
    """A speaker that is known, and how far one that is right may be from it.

    Attributes
    ----------
    network : Network
        In force at the take; a driver alone where nothing is known of it.
    tolerance_percent : mapping
        Of its parts.
    curve : Curve
        Of the take that is checked.
    in_box : BoxedDriver
        The driver in the box of the speaker that is known.
    others : tuple of BoxedDriver
    known_dc_ohm : float
        DC resistance at the clips of the speaker that is known.
    missed : complex ndarray, shape (n,), or 0
        ln of the model of the known speaker over its own curve: what the model misses of that, it misses of all alike.
    filled : bool or None
        Whether there should be stuffing or lining in the box; None: not known.
    doubts : tuple of str
        Why nothing is said of the crossover.
    """

    network: Network
    tolerance_percent: Mapping[str, float]
    curve: Curve
    in_box: BoxedDriver
    others: tuple[BoxedDriver, ...]
    filled: bool | None
    rough: float
    known_dc_ohm: float
    missed: ComplexArray | float = 0.0
    doubts: tuple[str, ...] = ()

    def with_box(self, hypothesis: BoxHypothesis) -> BoxedDriver:
        """The driver in the box as a hypothesis has it."""
        known, hz = self.in_box, self.curve.frequency_hz
        mass_line = 1 / (known.known.mass * 2 * np.pi * hz)
        most = MOST_IN_BOX * np.abs(known.impedance_ohm)
        rough = np.minimum(max(hypothesis.rough, self.rough) * mass_line**2 / known.resistance_ohm, most)
        spread = np.hypot(known.spread_ohm, rough * (hz > STANDING_HZ))
        return replace(known, start=hypothesis.start, stds=hypothesis.stds, spread_ohm=spread)

    def drivers(self, in_box: BoxedDriver) -> list[BoxedDriver]:
        """In the order of the network."""
        named = {one.name: one for one in (in_box, *self.others)}
        return [named[place.name] for place in self.network.drivers]

    def with_other(self, name: str) -> list[BoxedDriver]:
        """Drivers of which that of this name is of another kind."""
        return [
            replace(one, stds=other_driver_stds(one.stds)) if one.name == name else one
            for one in self.drivers(self.in_box)
        ]


def expected_speaker(bench: Bench, take: TakeInfo, against: ReferenceTake) -> ExpectedSpeaker:
    """What a take should show, by another one.

    Parameters
    ----------
    bench : Bench
    take : TakeInfo
        Of the finished speaker, or of a driver in its box.
    against : ReferenceTake
    """
    curve = _curve(bench.at_clips(take))
    hz = curve.frequency_hz
    netlist, same = bench.network_of(take.number), take.unit == against.take.unit
    key = (against.take, same, take.state, netlist, str(bench.build.path), hz.tobytes())
    known = against.bench.kept("known speaker", key, lambda: _known_speaker(bench, take, against, hz))
    return replace(known, curve=_as_missed(curve, known.missed))


def _known_speaker(bench: Bench, take: TakeInfo, against: ReferenceTake, hz: FloatArray) -> ExpectedSpeaker:
    stds = _stds(take, against)
    curve = _curve(against.bench.at_clips(against.take))
    worked_on = stds["air"] == WORKED_ON["air"]
    rough, taller = (TREATED_ROUGH, TREATED) if worked_on else (0.0, TALLER)
    filled = _filled(bench, take)
    try:
        network, name, ohm = _through(bench, take, against, hz)
    except StillboxError as error:
        whole = Network("", (), (DriverPlace(WHOLE, INPUT, GROUND, WHOLE),))
        at_clips = against.bench.at_clips(against.take)
        smooth = curve_of_spectrum(at_clips, points_per_octave=FINE)
        here = np.interp(hz, smooth.frequency_hz, smooth.impedance_ohm)
        fit = against.bench.fit(against.take)
        in_box = _in_box(against, WHOLE, hz, here, at_clips, fit, stds, taller)
        return ExpectedSpeaker(network=whole, tolerance_percent={}, curve=curve, in_box=in_box, others=(),
                               filled=filled, rough=rough, known_dc_ohm=_dc_ohm(curve, in_box),
                               doubts=(str(error),))  # fmt: skip
    seen = against.bench.seen(against.take)[1]
    in_box = _in_box(against, name, hz, ohm[name], seen, against.bench.fit(against.take), stds, taller)
    others = tuple(_other(bench, take, against, one, hz, ohm[one]) for one in ohm if one != name)
    tolerance = tolerances_percent(network, bench.description.crossover)
    known = ExpectedSpeaker(network, tolerance, curve, in_box, others, filled, rough, _dc_ohm(curve, in_box))
    own = Model(network, tolerance, known.drivers(in_box), curve)
    missed = own.answer(stepped_from_middle(own).speakers).off[0] if curve.frequency_hz.size == hz.size else 0.0
    return replace(known, missed=missed)


def _as_missed(curve: Curve, missed: ComplexArray | float) -> Curve:
    """A curve without what the model misses of every such speaker; half of that is doubtful."""
    ohm = curve.impedance_ohm * np.exp(missed)
    noise = curve.noise_variance_ohm2 + (DOUBTFUL * np.abs(missed) * np.abs(ohm)) ** 2
    return replace(curve, impedance_ohm=ohm, noise_variance_ohm2=noise)


def stepped_from_middle(model: Model) -> Found:
    """The network as planned, fitted from the middle of all its numbers."""
    speakers = settled(model, model.speakers([None]))
    found = stepped(model, looked_at(model, speakers, COARSE), COARSE_STEPS, COARSE)
    found = stepped(model, looked_at(model, settled(model, found.speakers)), STEPS)
    again = looked_at(model, settled(model, found.speakers))
    return again if again.log_evidence(2 * FARTHEST)[0] > found.log_evidence(2 * FARTHEST)[0] else found


def _dc_ohm(curve: Curve, in_box: BoxedDriver) -> float:
    """What the lowest frequencies show at the clips without the moving cone."""
    moving = motional_ohm(in_box.known.values()[None], curve.frequency_hz)[0][0]
    some = curve.frequency_hz < 2 * curve.frequency_hz[0]
    return float(np.median((curve.impedance_ohm - moving).real[some]))


def own_error(ohm: ComplexArray, stds: Mapping[Name, float]) -> FloatArray:
    """What no number says of a driver, ohm, shape (n,)."""
    found: FloatArray = (UNLIKE if stds["re"] == OTHER_UNIT["re"] else ALIKE) * np.abs(ohm)
    return found


def _through(
    bench: Bench, take: TakeInfo, against: ReferenceTake, hz: FloatArray
) -> tuple[Network, str, dict[str, ComplexArray]]:
    """Network at the take, name of the driver in the box, and impedance of each driver of the speaker that is known."""
    netlist = None if take.of else bench.network_of(take.number)
    if netlist is None:
        raise NotSeenThrough("no netlist of the crossover is kept", "keep one")
    network = network_of_netlist(netlist)
    name = against.bench.seen(against.take)[0]
    if not name:
        raise NotSeenThrough(f"the driver in the box of {against.words} cannot be seen through its crossover",
                             "keep the netlist of that speaker's crossover in its build, or sweep its drivers alone: "
                             "--subject free-air --of")  # fmt: skip
    return network, name, drivers_ohm(against.bench, against.take, network, hz)


def _stds(take: TakeInfo, against: ReferenceTake) -> dict[Name, float]:
    if take.unit != against.take.unit or take.number == against.take.number:
        return dict(OTHER_UNIT)
    return {**SAME_UNIT, **({} if take.state == against.take.state else WORKED_ON)}


def _filled(bench: Bench, take: TakeInfo) -> bool | None:
    description = bench.description
    logged, _ = bench.logged_materials(take.number)
    if not (description.stuffing or description.lining or logged):
        return None
    filling = described_filling(description, take.state, logged)
    return bool(filling.stuffing or filling.lining)


def _curve(spectrum: ImpedanceSpectrum) -> Curve:
    """At the points that count."""
    smooth = curve_of_spectrum(spectrum, points_per_octave=FINE)
    number, hz = np.arange(smooth.frequency_hz.size), smooth.frequency_hz
    some = np.where(hz < BASS_HZ, number % IN_BASS == 0, number % ABOVE == 0)
    some &= (hz > max(LOWEST_HZ, 1.05 * spectrum.frequency_hz[0])) & (hz < HIGHEST_HZ)
    common = tuple(np.interp(hz[some], spectrum.frequency_hz, one) for one in spectrum.common_ohm)
    return Curve(
        hz[some], smooth.impedance_ohm[some], smooth.noise_variance_ohm2[some], smooth.scale_std, common
    )


def _in_box(
    against: ReferenceTake,
    name: str,
    hz: FloatArray,
    ohm: ComplexArray,
    seen: ImpedanceSpectrum,
    fit: ResonanceFit,
    stds: Mapping[Name, float],
    taller: float,
) -> BoxedDriver:
    smooth = curve_of_spectrum(seen, points_per_octave=MOTION_POINTS)
    motional = smooth.impedance_ohm - fit.coil_ohm(smooth.frequency_hz)
    swept = against.bench.free_air(against.take.unit)
    alone = None if swept is None or swept.of not in ("", name) else motion_of(against.bench.fit(swept))
    peaks_hz = tuple(pair.frequency_hz for pair in fit.motional)
    if not peaks_hz:
        raise StillboxError(f"{against.words} shows no resonance of a driver", "set the take against another one")
    motion = fitted_motion(smooth.frequency_hz, motional, len(peaks_hz) > 1, alone, peaks_hz)
    resistance, blocked = _coil(fit, hz)
    spread = np.hypot(small_spread(fit, hz, taller), own_error(ohm, stds))
    inside = hz <= seen.frequency_hz[-1]
    common = tuple(np.interp(hz, seen.frequency_hz, one) * inside for one in seen.common_ohm)
    return BoxedDriver(name, ohm, common, spread, hz, resistance, blocked, motion, motion, stds)


def _other(
    bench: Bench, take: TakeInfo, against: ReferenceTake, name: str, hz: FloatArray, ohm: ComplexArray
) -> BoxedDriver:
    """Another driver: its own box belongs to it."""
    own = against.bench.newest("in-box", unit=against.take.unit, of=name)
    swept = own or against.bench.newest("free-air", unit=against.take.unit, of=name)
    assert swept is not None  # else its impedance would not be known
    fit = against.bench.fit(swept)
    alone = motion_of(fit)
    motion = alone or Motion(1.0, 1.0, 1.0, 1e-9, 0.0, 1.0, 1.0)
    resistance, blocked = _coil(fit, hz)
    stds = dict(OTHER_UNIT if take.unit != against.take.unit else SAME_UNIT)
    spread = np.hypot(small_spread(fit, hz, more_motional=len(fit.motional[1:])), own_error(ohm, stds))
    return BoxedDriver(name, ohm, (), spread, hz, resistance, blocked, motion, motion, stds)


def motion_of(fit: ResonanceFit) -> Motion | None:
    """Mass, compliance and loss of a driver whose main peak stands alone; None without one."""
    if not fit.motional:
        return None
    peak = fit.motional[0]
    rad_s, per_s = abs(peak.pole_rad_s), 2 * peak.residue_ohm_rad_s.real
    if per_s <= 0:
        return None
    mass = 1 / per_s
    return Motion(mass, 1 / (rad_s**2 * mass), rad_s * mass / peak.q, 1e-9, 0.0, 1.0, 1.0)


def _coil(fit: ResonanceFit, hz: FloatArray) -> tuple[float, ComplexArray]:
    """DC resistance, and the impedance of the coil without it."""
    resistance = float(fit.coil_ohm(np.array([fit.band_hz[0]]))[0].real)
    return resistance, fit.coil_ohm(hz) - resistance


def small_spread(fit: ResonanceFit, hz: FloatArray, taller: float = TALLER, more_motional: int = 0) -> FloatArray:
    """How far small resonances of two drivers of one kind lie apart in impedance, ohm, shape (n,)."""
    pairs: Sequence[Resonance] = (*fit.resonances, *fit.broad, *fit.motional[1 : 1 + more_motional])
    power = np.zeros(hz.size)
    for own, moved in _moved(pairs, hz):
        power += (SHIFTED * np.abs(moved)) ** 2 + (taller * np.abs(own)) ** 2
    return np.sqrt(power)


def _moved(pairs: Sequence[Resonance], hz: FloatArray) -> Iterator[tuple[ComplexArray, ComplexArray]]:
    """What each adds, and its derivative by the logarithm of its frequency."""
    step = 1e-4
    for pair in pairs:
        higher = replace(
            pair,
            pole_rad_s=pair.pole_rad_s * (1 + step),
            residue_ohm_rad_s=pair.residue_ohm_rad_s * (1 + step),
        )
        own = pairs_ohm([pair], hz)
        yield own, (pairs_ohm([higher], hz) - own) / step
