"""Contact and impedance at the clips: the part of a check that is there at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.result import CheckSuspect, Item
from stillbox.analysis.impedance.contact import USUAL_OHM
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum, curve_of_spectrum
from stillbox.analysis.maths.number_words import frequency_words, ohm_words
from stillbox.analysis.sweeps.sweep_rest import SweepRest, sweep_rest
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import TakeInfo

RATED_OHM = (2.0, 4.0, 6.0, 8.0, 16.0)
LEAST_OF_RATED = 0.8
"""IEC 60268-5: between the rated frequencies |Z| is not less than 80 % of the rated impedance (from memory)."""
STOP_OF_LEAST = 0.5
LOOKED_AT_HZ = (20.0, 20_000.0)
OPEN_OHM, SHORT_OHM = 1_000.0, 0.5
"""In the middle of the band: more than any speaker has, less than any speaker and its wires have."""
OVER_NOISE = 8.0
"""Times its noise: so far a ratio goes by chance in no take."""
CONTACT_LIMIT = 20.0
"""Times what clips usually do from one clipping to the next."""
EDGE = 1.3
"""Nearer to the ends of the band the ratio is not known so well."""
POINTS = 24
BLOCKS_OF_DRIFT = 0.2
"""Of a sweep: so much of it off is no moment but a drift."""


@dataclass(frozen=True)
class AtTheClips:
    """What the take shows before anything is known of the speaker.

    Attributes
    ----------
    frequency_hz, impedance_ohm : ndarray, shape (n,)
    rest : SweepRest or None
        None where it could not be had.
    """

    items: tuple[Item, ...]
    suspects: tuple[CheckSuspect, ...]
    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    rest: SweepRest
    connected: bool


def at_the_clips(bench: Bench, take: TakeInfo, least_expected_ohm: float | None) -> AtTheClips:
    """Contact, lowest impedance and what both ask of an amplifier.

    Parameters
    ----------
    least_expected_ohm : float or None
        Lowest impedance of what the take is set against.
    """
    spectrum = bench.at_clips(take)
    curve = curve_of_spectrum(spectrum, points_per_octave=POINTS)
    inside = (curve.frequency_hz >= LOOKED_AT_HZ[0]) & (curve.frequency_hz <= LOOKED_AT_HZ[1])
    hz, ohm = curve.frequency_hz[inside], curve.impedance_ohm[inside]
    rest = rest_of(bench, take)
    middle = float(np.median(np.abs(ohm)))
    connection, suspect = _connection(middle)
    if suspect is not None:
        return AtTheClips((connection,), (suspect,), hz, ohm, rest, connected=False)
    steady, unsteady = _steadiness(bench, take, spectrum, rest)
    lowest = lowest_impedance(hz, ohm, bench.description.rated_ohm, least_expected_ohm)
    items = (connection, *steady, lowest, amplifier_load(hz, ohm, lowest.low or 0.0))
    return AtTheClips(items, unsteady, hz, ohm, rest, connected=True)


def rest_of(bench: Bench, take: TakeInfo) -> SweepRest:
    """What is left of the sweeps of a take, computed once."""
    ratio = bench.ratio(take)
    return bench.kept(
        "sweep rest", take, lambda: sweep_rest(bench.build.load(take), ratio.frequency_hz, ratio.ratio), ratio
    )


def _connection(middle_ohm: float) -> tuple[Item, CheckSuspect | None]:
    limits = f"a speaker with its wires has between {SHORT_OHM:g} and {OPEN_OHM:g} ohm in the middle of the band"
    named = ("connection", middle_ohm, None, SHORT_OHM, OPEN_OHM, "ohm", limits)
    if middle_ohm > OPEN_OHM:
        remedy = "look at clips, plugs, terminals and the wire to the crossover: nothing is connected"
        item = Item(named[0], "look", *named[1:], remedy)
        evidence = (f"{ohm_words(middle_ohm)} at the clips",)
        return item, CheckSuspect("open", None, None, None, 1.0, evidence, "the clips are open", remedy)
    if middle_ohm < SHORT_OHM:
        remedy = "connect no amplifier; look for clips that touch, strands across the terminals, pinched wires"
        item = Item(named[0], "stop", *named[1:], remedy)
        evidence = (f"{ohm_words(middle_ohm)} at the clips over the whole band",)
        return item, CheckSuspect("short", None, None, None, 1.0, evidence, "the clips are shorted", remedy)
    return Item(named[0], "good", *named[1:]), None


def _steadiness(
    bench: Bench, take: TakeInfo, spectrum: ImpedanceSpectrum, rest: SweepRest
) -> tuple[tuple[Item, ...], tuple[CheckSuspect, ...]]:
    """Whether the contact comes and goes, within a sweep or between the sweeps."""
    calibration = bench.calibration(take)
    ratio = bench.ratio(take)
    here = np.interp(calibration.frequency_hz, ratio.frequency_hz, ratio.ratio)
    per_ratio = np.interp(rest.swept_hz, calibration.frequency_hz, np.abs(calibration.derivative(here)))
    low, high = spectrum.frequency_hz[0] * EDGE, spectrum.frequency_hz[-1] / EDGE
    inside = (rest.swept_hz > low) & (rest.swept_hz < high)
    off, noise = (rest.ratio_off * per_ratio)[:, inside], (rest.ratio_noise * per_ratio)[inside]
    limit = np.maximum(OVER_NOISE * noise, CONTACT_LIMIT * USUAL_OHM)
    bad = off > limit
    jumps = [jump for jump in ratio.jumps if jump.kind == "resistance"]
    largest = float(np.max(np.where(bad, off, 0.0), initial=0.0)) or float(np.median(off))
    limit_from = (
        f"{CONTACT_LIMIT:g} times what clean clips change from one clipping to the next ({USUAL_OHM:g} ohm, usual "
        f"size, common practice), and {OVER_NOISE:g} times the noise of this take"
    )
    if len(rest.ratio_off) < 2:
        limit_from += "; one sweep alone shows steps only"
    named = ("contact", largest, 0.0, 0.0, float(np.median(limit)), "ohm", limit_from)
    if not bad.any() and not jumps:
        return (Item(named[0], "good", *named[1:]),), ()
    share = float(bad.mean(axis=1).max()) if bad.size else 0.0
    times = int(np.sum(np.diff(np.concatenate([np.zeros((len(bad), 1)), bad], axis=1), axis=1) > 0)) or len(jumps)
    at_hz = rest.swept_hz[inside][np.unravel_index(int(np.argmax(off)), off.shape)[1]]
    remedy = "clean and press the clips, move plugs, terminals and each joint of the crossover while a tone plays"
    if share > BLOCKS_OF_DRIFT:
        words = "the contact at the clips drifts from sweep to sweep"
    else:
        words = f"a contact comes and goes ({times} time{'s' * (times != 1)} in this take)"
    evidence = (
        f"up to {ohm_words(largest)} off in one sweep of the others, while {frequency_words(at_hz)} was swept",
    )
    suspect = CheckSuspect("intermittent", None, None, float(largest), 1.0, evidence, words, remedy)
    return (Item(named[0], "look", *named[1:], remedy),), (suspect,)


def rated_by(least_ohm: float) -> float:
    """The greatest usual rated impedance of which ``least_ohm`` is at least 80 %."""
    return max((rated for rated in RATED_OHM if least_ohm >= LEAST_OF_RATED * rated), default=RATED_OHM[0])


def lowest_impedance(hz: FloatArray, ohm: ComplexArray, rated_ohm: float | None, expected_ohm: float | None) -> Item:
    """Least |Z| with its frequency and phase, against the rated impedance."""
    size = np.abs(ohm)
    place = int(np.argmin(size))
    least, at_hz, phase = float(size[place]), float(hz[place]), float(np.degrees(np.angle(ohm[place])))
    if rated_ohm is not None:
        rated, why = rated_ohm, f"rated_ohm = {rated_ohm:g} in build.toml"
    elif expected_ohm is not None:
        rated = rated_by(expected_ohm)
        why = f"rated {rated:g} ohm, as fits what it is set against; say rated_ohm in build.toml"
    else:
        rated, why = RATED_OHM[1], "rated 4 ohm is taken, as most amplifiers bear; say rated_ohm in build.toml"
    limit = LEAST_OF_RATED * rated
    place_words = f"lowest at {frequency_words(at_hz)}, phase {phase:.0f}°"
    limit_from = f"IEC 60268-5: 80 % of the rated impedance ({why}); {place_words}"
    if least < STOP_OF_LEAST * limit:
        remedy = "connect no amplifier: find what shorts the speaker there, first of all shorted capacitors and solder"
        return Item("lowest impedance", "stop", least, expected_ohm, limit, None, "ohm", limit_from, remedy)
    if least < limit:
        remedy = f"ask whether the amplifier bears {rated_by(least):g} ohm; or rate the speaker so, if that was planned"
        return Item("lowest impedance", "look", least, expected_ohm, limit, None, "ohm", limit_from, remedy)
    return Item("lowest impedance", "good", least, expected_ohm, limit, None, "ohm", limit_from)


def amplifier_load(hz: FloatArray, ohm: ComplexArray, limit_ohm: float) -> Item:
    """The resistor that would heat the transistors of an ideal class-B amplifier as much at the peak.

    With full swing V and current of phase phi the peak of ``(V - v) i`` is V^2/|Z| max (1 - sin x) sin(x - phi); of a
    resistor it is V^2/(4 R) (Benjamin, JAES 42(9), 1994, from memory; derived anew).
    """
    turn = np.linspace(0, np.pi, 181)
    phase = np.angle(ohm)
    # while the current is positive: x = turn + phase
    heat = np.max((1 - np.sin(turn[:, None] + phase)) * np.sin(turn)[:, None], axis=0)
    like = np.abs(ohm) / (4 * heat)
    place = int(np.argmin(like))
    words = (
        f"at {frequency_words(float(hz[place]))} its phase of {np.degrees(phase[place]):.0f}° heats an amplifier like "
        "a resistor of so much (ideal class B); no limit of a standard: compare with what the amplifier is rated for"
    )
    return Item("amplifier load", "good", float(like[place]), None, None, None, "ohm", words)
