"""Lost, repeated and replaced blocks in a recording, found on a signal whose gain hardly changes with frequency.

That is channel 1, or, where the source has a resistance of its own, what both channels say about the source.

Three ways, as each sees what the others miss:

- the segments of the sweep (see sweep_search) lie at another delay on one side: a block of more than a few frames;
- the phase jumps from one block of the track to the next, and the blocks after it keep the new delay: few frames;
- a block holds much that does not follow the sweep, stands still, or starts with a step: a place where samples were
  replaced, or the very place of a loss.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import RawSamples
from stillbox.capture.recording.recording_checks import SPEAKER_SUBJECTS, Circumstances
from stillbox.capture.recording.sweep_search import FoundSweep
from stillbox.capture.recording.sweep_segments import Segment
from stillbox.capture.recording.sweep_track import SweepTrack, unevenness, usual_around

LEAST_JUMP_RAD = 0.12
LEAST_LOW_JUMP_RAD = 0.5
LOW_HZ = 200.0
"""Below it the blocks are so long, and the segments so few periods, that only large jumps are sure."""

LEAST_SEGMENT_HZ = 60.0
"""Segments below it are too few periods to tell a shift from the phase of the load."""

LEAST_SHIFT_FRAMES = 6
SURE_ALONE_HZ = 1000.0
"""A single segment at the end of the sweep tells of a shift if it lies higher."""

CARRIER_HZ = 2000.0
"""Above it a segment may be found half a period off."""

SURE_JUMP = 6.0
"""A jump counts where it is so many times what noise and hum give."""

NEIGHBOURS = 12
"""Blocks on each side by which a jump is judged."""

LONGEST_JUMP_FRAMES = 64
MOST_UNEVENNESS = 0.15
"""A source whose gain changes more over the low frequencies (see sweep_track) is not judged by its gain."""

LEAST_REST = 0.05
LEAST_LOW_REST = 0.15
"""Power that does not follow the sweep, re the sweep's around it, from which on a block is refused."""

MOST_USUAL_REST = 0.02
"""Power re the sweep's that may be usual for what does not follow it; more is a sweep that lies elsewhere."""

LEAST_STEP = 0.004
"""Step between two samples, re the amplitude of the sweep, from which on it is refused."""

STEP_ORDER = 6
"""Differences taken in a row: they take away the sweep and its distortion, and leave a step ten times as high."""

STEP_TO_RATE = 1 / 24
"""Steps are looked for while the frequency of the sweep re the sample rate is below this."""

STEP_OUTLIER = 4.0
"""A step stands out so many times from the largest differences of the blocks around it."""

LEAST_CHANGE = 0.25
"""Level of a block re the last but one from which on the sweep is said to break off."""

LEAST_STILL_FRAMES = 8


def check_gaps(
    samples: RawSamples,
    source: NDArray[np.float32],
    sweep: FoundSweep,
    tracks: tuple[SweepTrack, SweepTrack],
    case: Circumstances,
    name: str,
) -> None:
    """Refuse a recording that lost, repeated or replaced samples during a sweep.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
    source : ndarray, shape (frames,)
        The signal whose gain hardly changes with frequency: channel 1, or the source worked out from both.
    tracks : pair of SweepTrack
        Of the samples, and of the source.
    name : str
        What the sweep is called in the error.
    """
    gap = _gap(samples, source, sweep, tracks, case)
    if gap is None:
        return
    frame, what = gap
    place_s = (frame - sweep.start) / case.excitation.sample_rate_hz
    raise StillboxError(
        f"the recording has a gap: {what}, {place_s:.2f} s into {name} (frame {frame})",
        "close other programs, use larger audio buffers, and record again",
    )


def _gap(
    samples: RawSamples,
    source: NDArray[np.float32],
    sweep: FoundSweep,
    tracks: tuple[SweepTrack, SweepTrack],
    case: Circumstances,
) -> tuple[int, str] | None:
    """Frame of a gap and what is wrong there, the surest sign first."""
    track, source_track = tracks
    rate_hz = case.excitation.sample_rate_hz
    # A part alone, unlike a speaker, may shape the high frequencies as strongly as the low ones.
    judged = case.on_jig and unevenness(source_track, case.subject == "part") < MOST_UNEVENNESS
    shift = None
    if judged or case.subject in SPEAKER_SUBJECTS:
        shift = _segment_shift(sweep, source_track, rate_hz)
    if shift is None and judged:
        shift = _phase_shift(source_track, rate_hz)
    if shift is not None:
        return shift[0], f"about {abs(shift[1])} frames are {'missing' if shift[1] < 0 else 'there twice'}"
    if (still := _still_run(samples, track, case)) is not None:
        return still[0], f"{still[1]} samples stand still"
    if not judged:
        return None
    if (foreign := _foreign_block(source_track)) is not None:
        return foreign[0], f"{100 * foreign[1]:.0f} % of the power there does not belong to the sweep"
    if (absence := _absence(source_track)) is not None:
        return absence, "the sweep breaks off"
    if (step := _step(source, sweep.start, source_track, rate_hz)) is not None:
        return step[0], f"the signal steps by {100 * step[1]:.0f} % of its amplitude there"
    return None


def _segment_shift(sweep: FoundSweep, track: SweepTrack, rate_hz: int) -> tuple[int, int] | None:
    """Frame and size of a change of delay between neighbouring segments; negative where frames are missing."""
    noise = track.noise_gain[:, 0] / np.maximum(np.abs(track.gain[:, 0]), 1e-12)
    usual_match = float(np.median([segment.match for segment in sweep.segments]))

    def is_fit(segment: Segment) -> bool:
        clear = float(np.interp(segment.frequency_hz, track.frequency_hz, noise)) < 0.1
        inside = segment.frequency_hz > max(LEAST_SEGMENT_HZ, 1.5 * track.frequency_hz[0])
        return clear and inside and segment.is_sure(rate_hz) and segment.match > 0.5 * usual_match

    fit = [segment for segment in sweep.segments if is_fit(segment)]
    # The place may lie inside a segment, which then tells neither delay: look across one, too.
    for index, skipped in itertools.product(range(1, len(fit)), (0, 1)):
        before, after = fit[max(0, index - 3) : index], fit[index + skipped : index + skipped + 3]
        # Loads delay different frequencies differently: only segments that agree with each other tell of a shift.
        if len(before) < 2 or not (len(after) > 1 or (after and after[0].frequency_hz > SURE_ALONE_HZ)):
            continue
        low_1, high_1 = _common_lag(before, rate_hz)
        low_2, high_2 = _common_lag(after, rate_hz)
        if low_1 <= high_1 and low_2 <= high_2 and (high_2 < low_1 or low_2 > high_1):
            step = np.median([segment.lag for segment in after]) - np.median([segment.lag for segment in before])
            # Less is for the phase to tell; loads may do it too.
            if abs(step) > max(LEAST_SHIFT_FRAMES, 0.2 * rate_hz / after[0].frequency_hz):
                time_s = 0.5 * (before[-1].time_s + after[0].time_s)
                return sweep.start + round(time_s * rate_hz), round(float(step))
    return None


def _common_lag(segments: list[Segment], rate_hz: int) -> tuple[float, float]:
    """Lowest and highest lag that all segments allow, crossed if there is none.

    Granted is the phase of a good channel, and half a period high up, where the carrier's tops are hardly unequal.
    """
    slack = [
        max(2.0, (0.05 if segment.frequency_hz < CARRIER_HZ else 0.55) * rate_hz / segment.frequency_hz)
        for segment in segments
    ]
    lags = [segment.lag for segment in segments]
    return max(map(float.__sub__, lags, slack)), min(map(float.__add__, lags, slack))


def _phase_shift(track: SweepTrack, rate_hz: int) -> tuple[int, int] | None:
    """Frame and size of a small change of delay, found by the phase of neighbouring blocks."""
    gain, frequency_hz = track.gain[:, 0], track.frequency_hz
    if len(gain) < 2 * NEIGHBOURS:
        return None
    turn = np.angle(gain[1:] * np.conj(gain[:-1]))
    usual = usual_around(turn)
    # A jump inside of a block shows in two turns, so look two blocks ahead.
    ahead = np.angle(gain[2:] * np.conj(gain[:-2]) * np.exp(-1j * (usual[1:] + usual[:-1])))
    noise = SURE_JUMP * track.noise_gain[:, 0] / np.maximum(np.abs(gain), 1e-12)
    least = np.where(frequency_hz < LOW_HZ, LEAST_LOW_JUMP_RAD, LEAST_JUMP_RAD)
    limit = np.maximum(least[:-2], np.hypot(noise[2:], noise[:-2]))
    limit[~_at_level(track)[1:-1]] = np.inf
    for index in np.flatnonzero(np.abs(ahead) > limit):
        amount = _kept_delay(gain, frequency_hz, int(index), rate_hz)
        expected = -2 * math.pi * amount * frequency_hz[index + 1] / rate_hz
        if amount and abs(np.angle(np.exp(1j * (ahead[index] - expected)))) < 0.5 * abs(ahead[index]):
            return int(track.first_frame[index + 1]), amount
    return None


def _kept_delay(
    gain: NDArray[np.complex128], frequency_hz: NDArray[np.float64], index: int, rate_hz: int
) -> int:
    """Frames by which the blocks behind ``index + 1`` lie later than those before, 0 if no such delay explains them.

    A resonance of the load may turn the phase quickly too, but turns it back.
    """
    before = slice(max(0, index - NEIGHBOURS), index + 1)
    after = slice(index + 2, index + 2 + NEIGHBOURS)
    if len(gain[after]) < NEIGHBOURS // 3:
        return 0
    level = np.mean(gain[before] / np.maximum(np.abs(gain[before]), 1e-12))
    phases = np.angle(gain[after] * np.conj(level))
    amounts = np.arange(-LONGEST_JUMP_FRAMES, LONGEST_JUMP_FRAMES + 1)
    turns = 2 * np.pi * np.outer(amounts, frequency_hz[after]) / rate_hz
    misfit = np.mean(np.angle(np.exp(1j * (phases + turns))) ** 2, axis=1)
    best = int(np.argmin(misfit))
    none = float(misfit[LONGEST_JUMP_FRAMES])
    return int(amounts[best]) if none > 0.08**2 and misfit[best] < 0.25 * none else 0


def _foreign_block(track: SweepTrack) -> tuple[int, float] | None:
    """First frame of a block with much power that is neither sweep nor noise, and its share."""
    sweep_power = 0.5 * np.abs(track.gain[:, 0]) ** 2
    usual = usual_around(sweep_power)
    rest = track.rest_power[:, 0]
    # Where half of the sweep lies elsewhere, what is usual is no measure.
    most = MOST_USUAL_REST * float(np.median(sweep_power + rest))
    granted = 2 * max(float(track.noise_power[0]), min(float(np.median(rest)), most))
    share = (rest - granted) / np.maximum(usual, 1e-20)
    share[~_at_level(track)] = 0
    least = np.where(track.frequency_hz < LOW_HZ, LEAST_LOW_REST, LEAST_REST)
    worst = int(np.argmax(share / least))
    return (int(track.first_frame[worst]), min(float(share[worst]), 1.0)) if share[worst] > least[worst] else None


def _absence(track: SweepTrack) -> int | None:
    """Frame at which the source falls silent, or comes back, from one block to the next but one."""
    level = np.abs(track.gain[:, 0])
    change = level[2:] / np.maximum(level[:-2], 1e-12)
    sudden = np.flatnonzero((change < LEAST_CHANGE) | (change > 1 / LEAST_CHANGE))
    return int(track.first_frame[sudden[0] + 1]) if len(sudden) else None


def _at_level(track: SweepTrack) -> NDArray[np.bool_]:
    """Blocks where the source is not much below its usual level: near a null its phase means nothing."""
    level = np.sqrt(np.abs(track.gain[:, 0]) ** 2 + 2 * track.rest_power[:, 0])
    loud: NDArray[np.bool_] = level > 0.5 * np.median(level)
    return loud


def _still_run(samples: RawSamples, track: SweepTrack, case: Circumstances) -> tuple[int, int] | None:
    """Frame and length of a run of equal samples that no sweep has, on any channel."""
    first, last = int(track.first_frame[0]), int(track.first_frame[-1] + track.frames[-1])
    middles = track.first_frame + track.frames // 2
    for index in range(samples.shape[1]):
        starts, lengths = _equal_runs(samples[first:last, index])
        long = np.flatnonzero(lengths > LEAST_STILL_FRAMES)
        if len(long) == 0:
            continue
        frames = first + starts[long]
        amplitude = np.interp(frames, middles, _usual_level(track, index))
        frequency_hz = np.interp(frames, middles, track.frequency_hz)
        # Near its top a sine stays within one step q for sqrt(2 q / a) / (pi f).
        steps = np.minimum(case.quantum / np.maximum(amplitude, 1e-12), 1.0)
        natural = np.sqrt(2 * steps) * case.excitation.sample_rate_hz / (np.pi * frequency_hz)
        odd = (lengths[long] > LEAST_STILL_FRAMES + 3 * natural) & (steps < 1 / 64)
        if odd.any():
            worst = int(np.argmax(np.where(odd, lengths[long], 0)))
            return int(frames[worst]), int(lengths[long][worst])
    return None


def _equal_runs(channel: RawSamples) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where runs of two or more equal samples start, and how long they are."""
    equal = np.concatenate([[False], channel[1:] == channel[:-1], [False]])
    edges = np.flatnonzero(equal[1:] != equal[:-1])
    return edges[::2], edges[1::2] - edges[::2] + 1


def _usual_level(track: SweepTrack, index: int) -> NDArray[np.float64]:
    return usual_around(np.abs(track.gain[:, index]))


def _step(source: NDArray[np.float32], start: int, track: SweepTrack, rate_hz: int) -> tuple[int, float] | None:
    """Frame and relative size of a step between two samples while the sweep is slow."""
    slow = track.frequency_hz < STEP_TO_RATE * rate_hz
    if np.count_nonzero(slow) < NEIGHBOURS:
        return None
    # The fade-in before the first block is looked at, too.
    borders = np.concatenate([[start], track.first_frame[slow]])
    last = int((track.first_frame + track.frames)[slow][-1])
    rough = np.abs(np.diff(source[start : last + STEP_ORDER].astype(np.float64), STEP_ORDER))
    peaks = np.maximum.reduceat(rough, borders - start)
    usual = usual_around(peaks)
    # A step is the sum of impulses: its differences have the coefficients of one order less.
    height = math.comb(STEP_ORDER - 1, (STEP_ORDER - 1) // 2)
    level = float(np.median(np.abs(track.gain[slow, 0])))
    excess = peaks / np.maximum(STEP_OUTLIER * usual, height * LEAST_STEP * level)
    worst = int(np.argmax(excess))
    if excess[worst] <= 1:
        return None
    begin = int(borders[worst])
    end = int(borders[worst + 1]) if worst + 1 < len(borders) else last
    place = begin + int(np.argmax(rough[begin - start : end - start])) + STEP_ORDER // 2
    return place, float(peaks[worst]) / (height * level)
