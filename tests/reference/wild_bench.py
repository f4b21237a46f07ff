"""Takes as a real bench makes them: a speaker in a jig, with one or more kinds of wildness, and their truth.

Independent of the code under test: from ``capture.sweep.excitation`` only how a sweep is defined. The parts are
``bench_speaker`` (physics), ``wild_circuit`` (solution in time), ``wild_disturbances`` (what happens in a room),
``wild_truth`` (what is true of each take, with its own error) and ``wild_draw`` (what each kind does).

``kind`` is one name of ``WILDNESS``, or several joined by ``+``; ``strength`` is ``mild`` or ``strong``.
The same (kind, strength, seed, excitation) always gives the same take.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from reference.bench_speaker import Bends, WildSpeaker, draw_speaker
from reference.wild_circuit import Changes, WildJig, solve, solve_passive, whole_line
from reference.wild_disturbances import warming_ohm
from reference.wild_draw import KINDS, Happening, Occasion, Strength
from reference.wild_truth import WildTruth, bent_more
from stillbox.capture.sweep.excitation import FADE_IN_RATIO, FADE_OUT_RATIO, Excitation

Floats = NDArray[np.float64]

WILDNESS: dict[str, dict[str, str]] = {name: {"mild": kind.mild, "strong": kind.strong} for name, kind in KINDS.items()}
"""Name of each kind -> what it is when mild and when strong."""

PLAIN_JIG = WildJig()
"""10 ohm and no faults of its own: takes in it need no standards."""

LEAST_SILENCE_S = 1.0
"""Silence before the first and after the last sweep in each take, s, even where the excitation has less."""

RINGING_S = 1.5
"""Silence put behind a take while it is solved, so that the end does not ring into the beginning."""

BACKGROUND_DBFS = -108.0
"""White noise of each input that every take has, dB re full scale, rms."""


@dataclass(frozen=True)
class WildTake:
    """A recording with what is true of it.

    Attributes
    ----------
    samples : ndarray, shape (frames, 2)
        Channel 1 (source side of the reference resistor) and 2 (clips side), full scale = 1.
    sweep_starts : tuple of int
        Frame at which each sweep starts.
    subtype : str
        In what a sound card would have stored it: PCM_24, or PCM_16 for the 16-bit kinds.
    truth : WildTruth or None
        None for standards.
    """

    samples: Floats
    sweep_starts: tuple[int, ...]
    sample_rate_hz: int
    reference_ohm: float
    excitation: Excitation
    subtype: str = "PCM_24"
    truth: WildTruth | None = None
    load_ohm: float | None = None

    @property
    def first_frame(self) -> int:
        """How much later than in the excitation the sweeps lie in the recording, frames."""
        return self.sweep_starts[0] - self.excitation.silence_before_frames

    def keep_in(self, folder: Any, subject: str, **about: Any) -> Any:
        """Add to a build folder as a new take; returns what ``folder.add_take`` returns."""
        load_ohm = self.load_ohm if subject in ("load", "check-resistor") else None
        return folder.add_take(
            self.samples,
            self.subtype,
            subject=subject,
            excitation=self.excitation,
            sweep_starts=list(self.sweep_starts),
            origin="computed",
            load_ohm=load_ohm,
            **about,
        )


@dataclass(frozen=True)
class WildPair:
    """Two takes of the same state, and what changed in truth between them without anybody working on the box.

    ``air_factor`` is the factor on all standing waves (and the port's tuning); ``changed`` says in words what did.
    """

    first: WildTake
    second: WildTake
    air_factor: float
    changed: tuple[str, ...]


def wild_jig(seed: int) -> WildJig:
    """A jig with faults that standards can show: leads, input impedance, channels a few per cent apart."""
    rng = np.random.default_rng([seed, 3])
    return WildJig(
        source_ohm=rng.uniform(0.2, 3.0),
        reference_ohm=rng.uniform(8.0, 22.0),
        lead_ohm=rng.uniform(0.01, 0.08),
        lead_h=rng.uniform(0.2e-6, 1.0e-6),
        input_ohm=rng.uniform(5e3, 2e4),
        input_f=rng.uniform(0.2e-9, 1.5e-9),
        gain_1=rng.uniform(0.95, 1.0),
        gain_2=rng.uniform(0.95, 1.0),
    )


def wild_speaker(seed: int, *, small_resonances: bool = True, vented: bool | None = None) -> WildSpeaker:
    """The speaker that takes of this seed are of."""
    return draw_speaker(np.random.default_rng([seed, 1]), vented=vented, small_resonances=small_resonances)


def wild_take(
    kind: str,
    strength: Strength,
    seed: int,
    excitation: Excitation,
    *,
    state: WildSpeaker | None = None,
    small_resonances: bool = True,
    occasion: Occasion = "first",
    jig: WildJig = PLAIN_JIG,
    background_dbfs: float | None = BACKGROUND_DBFS,
) -> WildTake:
    """One take of the speaker ``state`` (else of the seed's own speaker) with what ``kind`` does to it.

    ``occasion`` ``second`` draws all disturbances anew and applies what happened between two takes (moved in the room,
    warmer air, remounted, played in). ``background_dbfs`` None leaves out even the inputs' own noise.
    """
    names = [] if kind == "clean" else kind.split("+")
    speaker = wild_speaker(seed, small_resonances=small_resonances) if state is None else state
    for name in names:
        speaker = KINDS[name].change_speaker(speaker, _stream(seed, name, "speaker"), strength, occasion)
    take_rng = _stream(seed, kind + strength, occasion)
    starts, frames = _layout(excitation, take_rng)
    rate = excitation.sample_rate_hz
    solved_frames = scipy.fft.next_fast_len(frames + round(RINGING_S * rate), real=True)
    s = whole_line(solved_frames, rate)

    happening = Happening(frames, rate, starts, excitation, speaker, occasion)
    for name in names:
        KINDS[name].happen(happening, _stream(seed, name + strength, occasion), strength)
    source_v = source_volts(excitation, jig, starts, solved_frames, happening.clock)
    straight = replace(speaker, bends=Bends())
    if speaker.bends != Bends():
        peak_m = float(np.max(np.abs(solve(straight, jig, source_v, s).place_m)))
        speaker = replace(speaker, bends=speaker.bends.with_unit(peak_m))
    series = happening.series_ohm
    if happening.warming_share:
        current = solve(straight, jig, source_v, s).current_a
        rise = warming_ohm(current[:frames], rate, happening.warming_time_s, happening.warming_share * speaker.re_ohm)
        series = rise if series is None else series + rise
    changes = Changes(*(_longer(x, solved_frames) for x in (series, happening.stiffness_n_m, happening.force_n)))
    solved = solve(speaker, jig, source_v, s, changes)
    volts = scipy.fft.irfft(np.stack([solved.channel_1, solved.channel_2]), solved_frames)[:, :frames].T
    samples = _through_inputs(volts / jig.full_scale_v, happening, take_rng, background_dbfs)
    more = bent_more(speaker, jig, excitation, source_v, starts[0])
    period = (excitation.sweep_frames + excitation.silence_after_frames) * happening.clock
    starts = [starts[0] + round(index * period) for index in range(excitation.repeats)]
    steps = tuple(happening.steps)
    truth = WildTruth(speaker, excitation, tuple(starts), series, happening.stiffness_n_m, *more, steps)
    return WildTake(samples, tuple(starts), rate, jig.reference_ohm, excitation, happening.subtype, truth)


def wild_pair(
    kind: str,
    strength: Strength,
    seed: int,
    excitation: Excitation,
    *,
    small_resonances: bool = True,
    jig: WildJig = PLAIN_JIG,
) -> WildPair:
    """Two takes of one state: the same speaker, the disturbances drawn anew, and what ``kind`` does in between."""
    takes = [
        wild_take(
            kind, strength, seed, excitation, small_resonances=small_resonances, occasion=occasion, jig=jig
        )
        for occasion in ("first", "second")
    ]
    names = [] if kind == "clean" else kind.split("+")
    changed = tuple(KINDS[name].between for name in names if KINDS[name].between)
    factor = 1.0
    for name in names:
        factor *= KINDS[name].air_factor(_stream(seed, name, "speaker"), strength)
    return WildPair(takes[0], takes[1], factor, changed)


def wild_standards(
    seed: int, excitation: Excitation, jig: WildJig | None = None, load_ohm: float = 8.2
) -> dict[Literal["open", "short", "load"], WildTake]:
    """Takes of the standards in the jig (else the seed's), with the inputs' own noise."""
    jig = wild_jig(seed) if jig is None else jig
    made: dict[Literal["open", "short", "load"], WildTake] = {}
    for number, (name, ohm) in enumerate((("open", np.inf), ("short", 0.0), ("load", load_ohm))):
        rng = np.random.default_rng([seed, 4, number])
        starts, frames = _layout(excitation, rng)
        n = scipy.fft.next_fast_len(frames + round(0.2 * excitation.sample_rate_hz), real=True)
        source_v = source_volts(excitation, jig, starts, n)
        channels = solve_passive(jig, source_v, whole_line(n, excitation.sample_rate_hz), ohm)
        samples = scipy.fft.irfft(np.stack(channels), n)[:, :frames].T / jig.full_scale_v
        samples += rng.normal(size=samples.shape) * 10 ** (BACKGROUND_DBFS / 20)
        made[name] = WildTake(  # type: ignore[index]
            samples,
            tuple(starts),
            excitation.sample_rate_hz,
            jig.reference_ohm,
            excitation,
            load_ohm=load_ohm if name == "load" else None,
        )
    return made


def source_volts(
    excitation: Excitation, jig: WildJig, starts: list[int], frames: int, clock: float = 1.0
) -> Floats:
    """What the source plays, V, evaluated from the sweep's formula where the recorder's clock runs ``clock`` fast.

    The recorder counts ``clock`` frames while the player plays one, so the signal is stretched by it about frame 0.
    """
    rate = excitation.sample_rate_hz
    constant_s = excitation.rate_constant_s
    into_s, out_s = constant_s * np.log(FADE_IN_RATIO), constant_s * np.log(FADE_OUT_RATIO)
    wave = np.zeros(frames)
    length_s = excitation.sweep_frames / rate
    for index in range(excitation.repeats):
        start = starts[0] + index * (excitation.sweep_frames + excitation.silence_after_frames) * clock
        first = int(np.ceil(start))
        last = min(first + int(np.ceil(length_s * clock * rate)), frames)
        t = (np.arange(first, last) - start) / (rate * clock)
        t = t[t < length_s]
        sweep = np.sin(2 * np.pi * excitation.low_hz * constant_s * np.exp(t / constant_s))
        sweep *= np.where(t < into_s, 0.5 - 0.5 * np.cos(np.pi * np.minimum(t / into_s, 1)), 1.0)
        left = excitation.seconds - t
        sweep *= np.where(left < out_s, 0.5 - 0.5 * np.cos(np.pi * np.minimum(left / out_s, 1)), 1.0)
        wave[first : first + t.size] += sweep
    return wave * (10 ** (excitation.level_dbfs / 20) * jig.full_scale_v)


def _layout(excitation: Excitation, rng: np.random.Generator) -> tuple[list[int], int]:
    """Starts of the sweeps, and frames of the whole recording, which begins early and ends late."""
    rate = excitation.sample_rate_hz
    before = max(excitation.silence_before_s, LEAST_SILENCE_S) + rng.uniform(0.02, 0.3)
    after = max(LEAST_SILENCE_S - excitation.silence_after_s, 0.0) + rng.uniform(0.02, 0.2)
    period = excitation.sweep_frames + excitation.silence_after_frames
    first = round(before * rate)
    return [first + index * period for index in range(excitation.repeats)], (
        first + excitation.repeats * period + round(after * rate)
    )


def _stream(seed: int, name: str, what: str) -> np.random.Generator:
    return np.random.default_rng([seed, 2, zlib.crc32(name.encode()), zlib.crc32(what.encode())])


def _longer(signal: Floats | None, frames: int) -> Floats | None:
    """Led back from its end to its beginning, as the solution is periodic."""
    if signal is None:
        return None
    return np.concatenate([signal, np.linspace(signal[-1], signal[0], frames - signal.size)])


def _through_inputs(
    samples: Floats, happening: Happening, rng: np.random.Generator, background_dbfs: float | None
) -> Floats:
    samples = samples * (1 + happening.gain) + happening.noise
    if background_dbfs is not None:
        samples = samples + rng.normal(size=samples.shape) * 10 ** (background_dbfs / 20)
    if happening.subtype == "PCM_16":
        dither = rng.random(samples.shape) + rng.random(samples.shape) - 1 if happening.dither else 0.0
        samples = np.round(samples * 2**15 + dither) / 2**15
    return samples
