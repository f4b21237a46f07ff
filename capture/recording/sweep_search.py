"""Find the sweeps of an excitation in a recording, wherever they lie.

In three steps. A correlation with the sweep over the whole recording, at a reduced rate, tells where sweeps may lie.
A second one at the full rate, around those places, gives the frame. Then the sweep is cut into segments and each is
looked for by itself: where the segments agree on a straight line of delay over time, there is a sweep; its slope is
the difference between the clocks of player and recorder. Amplitude and polarity of the channel do not matter.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.reduced_rate import at_reduced_rate
from stillbox.capture.recording.sweep_segments import MOST_CLOCK_DIFFERENCE, Segment, delay_line, find_segments
from stillbox.capture.sweep.excitation import Excitation
from stillbox.capture.sweep.sweep_form import SweepForm, sweep_form

LEAST_SILENCE_S = 0.1
"""Silence that must be there before the first sweep and after each: the noise is known by it, s."""

SEARCH_RATE_HZ = 12_000
"""Rate of the first step; more where the sweep starts high."""

LEAST_PEAK_FRACTION = 0.3
"""A further sweep must correlate at least so strongly, re the strongest."""

LEAST_AGREEMENT = 0.35
"""Part of the sweep's length whose segments must lie on one line; less is no sweep."""

SURE_AGREEMENT = 0.9
"""Agreement that is asked of a sweep before it is called one of another rate: loads can make it look so."""

LEAST_CLOCK_FRAMES = 0.25
"""A difference of clocks that adds up to less over a sweep is left alone, frames."""

CLOCK_ROUNDS = 5
LEVEL_GAIN = 0.03
"""Part of the sweep's length by which different clocks must explain the segments better than equal ones."""

COMMON_RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
MOST_SWEEPS = 200


@dataclass(frozen=True)
class FoundSweep:
    """One sweep in a recording.

    Attributes
    ----------
    start : int
        Frame at which it starts; negative if the recording began later.
    clock_difference : float
        How much slower it runs in the recording than at the excitation's rate, relative.
    agreement : float
        Part of its length that lies on the line of ``start`` and ``clock_difference``, 0 to 1.
    segments : tuple of Segment
        Their lags are re the line.
    """

    start: int
    clock_difference: float
    agreement: float
    segments: tuple[Segment, ...]


@dataclass(frozen=True)
class SweepSearch:
    """Where the whole sweeps lie, in their order, and what else is worth saying.

    Attributes
    ----------
    uneven : tuple of str
        Those of the flags that say of samples lost or doubled between two sweeps.
    """

    sweeps: tuple[FoundSweep, ...]
    flags: tuple[str, ...]
    uneven: tuple[str, ...] = ()

    @property
    def starts(self) -> tuple[int, ...]:
        """Frame at which each whole sweep starts."""
        return tuple(sweep.start for sweep in self.sweeps)


class NoSweepError(StillboxError):
    """Nothing in the recording is like a sweep of the excitation."""


Follow = Callable[[int, Callable[[], FoundSweep]], FoundSweep]
"""From the frame near which a sweep begins, and what looks for it there, to the sweep."""


def find_sweeps(
    channel: NDArray[np.floating], excitation: Excitation, followed: Follow = lambda _, look: look()
) -> SweepSearch:
    """Find every whole sweep in one channel.

    Parameters
    ----------
    channel : ndarray, shape (frames,)
        At the sample rate of the excitation.
    followed : callable, optional
        May know a sweep already.

    Raises
    ------
    StillboxError
        If there is no sweep in it, no whole one, or one that was played or recorded at another rate.
    """
    channel = np.asarray(channel, dtype=np.float32)
    found = _all_sweeps(channel, sweep_form(excitation), followed)
    odd = next((item for item in found if abs(item.clock_difference) > MOST_CLOCK_DIFFERENCE), None)
    if odd is not None:
        raise _other_rate(1 / (1 + odd.clock_difference), excitation)
    whole = tuple(item for item in found if _is_whole(item, len(channel), excitation))
    if not whole:
        if found:
            raise _cut(found[0], len(channel), excitation)
        speed = _other_speed(channel, excitation)
        if speed is not None:
            raise _other_rate(speed, excitation)
        raise NoSweepError(
            "there is no sweep of this excitation in it",
            "give the .json of the excitation that was played, and check that both inputs were connected and turned up",
        )
    uneven = _uneven(whole, excitation)
    return SweepSearch(whole, tuple(_search_flags(whole, len(found), uneven, excitation)), uneven)


def _all_sweeps(
    channel: NDArray[np.float32], form: SweepForm, followed: Follow = lambda _, look: look()
) -> list[FoundSweep]:
    """Whole and cut sweeps, by start."""
    sweep = form.samples()
    step = _search_step(form)
    starts = [_exact_start(channel, sweep, rough_start, 2 * step) for rough_start in _rough_starts(channel, form, step)]
    found = (followed(start, partial(_follow, channel, sweep, start, form)) for start in starts)
    return sorted((item for item in found if item.agreement >= LEAST_AGREEMENT), key=lambda item: item.start)


def _follow(channel: NDArray[np.float32], sweep: NDArray[np.float32], start: int, form: SweepForm) -> FoundSweep:
    """Find the line of delay over time near ``start``.

    A sweep that is stretched by e correlates best where the frequencies match, which is ``e L`` away from where the
    phases do: so the sweep is stretched by what was found, and looked for again, until nothing is left.
    """
    first_start, first_sweep = start, sweep
    stretched, difference = form, 0.0
    for _ in range(CLOCK_ROUNDS):
        segments, counted_s = find_segments(channel, sweep, start, stretched)
        level_gain = 0.0 if difference else LEVEL_GAIN
        offset, slope, agreement = delay_line(segments, counted_s, form.sample_rate_hz, level_gain)
        start += round(offset)
        difference = (1 + difference) * (1 + slope) - 1
        if abs(slope) * stretched.frames < LEAST_CLOCK_FRAMES or agreement < LEAST_AGREEMENT:
            break
        stretched = form.stretched(difference)
        sweep = stretched.samples()
    if abs(difference) > MOST_CLOCK_DIFFERENCE and agreement < SURE_AGREEMENT:
        segments, counted_s = find_segments(channel, first_sweep, first_start, form)
        offset, difference, agreement = delay_line(segments, counted_s, form.sample_rate_hz, math.inf)
        start = first_start + round(offset)
    segments = [replace(segment, lag=segment.lag - round(offset)) for segment in segments]
    return FoundSweep(start, difference, agreement, tuple(segments))


def with_new_segments(channel: NDArray[np.float32], sweep: FoundSweep, excitation: Excitation) -> FoundSweep:
    """The same sweep with its segments looked for again, by its start and clock."""
    form = sweep_form(excitation).stretched(sweep.clock_difference)
    segments, _ = find_segments(channel, form.samples(), sweep.start, form)
    return replace(sweep, segments=tuple(segments))


def _search_step(form: SweepForm) -> int:
    """Frames to one frame of the reduced rate: keeps at least three octaves of the sweep below its Nyquist rate."""
    return max(1, int(form.sample_rate_hz / max(SEARCH_RATE_HZ, 18 * form.low_hz)))


def _rough_starts(channel: NDArray[np.float32], form: SweepForm, step: int) -> list[int]:
    """Frames near which a sweep may start, strongest first; cut ones too."""
    magnitude, lowest_lag = _reduced_correlation(channel, form, step)
    reach = int(0.9 * form.frames / step)
    strongest = float(magnitude.max(initial=0.0))
    starts: list[int] = []
    while strongest > 0 and len(starts) < MOST_SWEEPS:
        peak = int(np.argmax(magnitude))
        lag = (peak + lowest_lag) * step
        inside = min(form.frames, len(channel) - lag) - max(0, -lag)
        # A cut sweep has less to correlate with; below a tenth of its length it is not worth looking at.
        if magnitude[peak] <= LEAST_PEAK_FRACTION * strongest * max(inside / form.frames, 0.1):
            break
        starts.append(lag)
        magnitude[max(0, peak - reach) : peak + reach] = 0
    return starts


def _reduced_correlation(channel: NDArray[np.float32], form: SweepForm, step: int) -> tuple[NDArray[np.float32], int]:
    """Magnitude of the correlation at the reduced rate, and the lag of its first value in reduced frames."""
    from scipy import fft

    template = form.samples(step)
    count = len(template)
    reduced = at_reduced_rate(channel, step)
    size = fft.next_fast_len(len(reduced) + count, real=True)
    spectrum = fft.rfft(reduced, size)
    spectrum *= np.conj(fft.rfft(template, size))
    return np.abs(np.roll(fft.irfft(spectrum, size), count)), -count


def _exact_start(channel: NDArray[np.float32], sweep: NDArray[np.float32], rough_start: int, reach: int) -> int:
    """Frame of the strongest correlation at the full rate, within ``reach`` of a rough start."""

    def strength(start: int) -> float:
        first, last = max(0, start), min(len(channel), start + len(sweep))
        if last <= first:
            return 0.0
        return abs(float(np.dot(channel[first:last], sweep[first - start : last - start])))

    return max(range(rough_start - reach, rough_start + reach + 1), key=strength)


def _is_whole(sweep: FoundSweep, frames: int, excitation: Excitation) -> bool:
    silence = round(LEAST_SILENCE_S * excitation.sample_rate_hz)
    return sweep.start >= silence and sweep.start + excitation.sweep_frames + silence <= frames


def _cut(sweep: FoundSweep, frames: int, excitation: Excitation) -> StillboxError:
    rate_hz = excitation.sample_rate_hz
    before_s = sweep.start / rate_hz
    after_s = (frames - sweep.start - excitation.sweep_frames) / rate_hz
    if before_s < LEAST_SILENCE_S:
        what = f"the recording begins {_around(before_s, 'before the sweep', 'after the start of the sweep')}"
        remedy = "start the recorder before the player"
    else:
        what = f"the recording ends {_around(after_s, 'after the sweep', 'before the end of the sweep')}"
        remedy = "stop the recorder after the player"
    return StillboxError(f"the sweep is truncated: {what}, {LEAST_SILENCE_S:g} s of silence are needed there", remedy)


def _around(seconds: float, inside: str, outside: str) -> str:
    return f"{abs(seconds):.3f} s {inside if seconds >= 0 else outside}"


def _search_flags(
    whole: tuple[FoundSweep, ...], found: int, uneven: tuple[str, ...], excitation: Excitation
) -> list[str]:
    rate_hz = excitation.sample_rate_hz
    flags = []
    if len(whole) < excitation.repeats:
        cut = f" ({found - len(whole)} more cut off)" if found > len(whole) else ""
        flags.append(f"{len(whole)} of {excitation.repeats} sweeps are whole{cut}; those are used")
    elif len(whole) > excitation.repeats:
        flags.append(f"{len(whole)} sweeps where the excitation has {excitation.repeats}; all are used")
    flags += uneven
    if whole[0].start < 0.5 * excitation.silence_before_frames:
        silence_s = whole[0].start / rate_hz
        flags.append(f"only {silence_s:.2f} s of silence before the sweep: the noise is known less well")
    return flags


def _uneven(whole: tuple[FoundSweep, ...], excitation: Excitation) -> tuple[str, ...]:
    """A sentence for each two sweeps that do not lie as far apart as they were played."""
    said = []
    period = excitation.sweep_frames + excitation.silence_after_frames
    for number, (one, other) in enumerate(itertools.pairwise(whole), start=1):
        expected = period * (1 + one.clock_difference)
        surplus = other.start - one.start - round(expected)
        if MOST_CLOCK_DIFFERENCE * period + 2 < abs(surplus) < period / 2:
            amount = f"{abs(surplus)} frames {'more' if surplus > 0 else 'less'}"
            said.append(f"between sweeps {number} and {number + 1} lie {amount} than were played")
    return tuple(said)


def _other_speed(channel: NDArray[np.float32], excitation: Excitation) -> float | None:
    """How many times too fast the sweep runs in the recording, where a mix-up of rates explains it."""
    ratios = {one / other for one, other in itertools.permutations(COMMON_RATES_HZ, 2)} - {1.0}
    promising = []
    for speed in sorted(ratios):
        form = sweep_form(excitation, speed)
        if form.low_hz > 0.1 * form.sample_rate_hz:
            continue
        magnitude, _ = _reduced_correlation(channel, form, _search_step(form))
        # Peak over the usual level: what lines up with this speed in units of what does not.
        promising.append((float(magnitude.max()) / (float(np.sqrt(np.mean(magnitude**2))) or 1.0), speed))
    for _, speed in sorted(promising, reverse=True)[:3]:
        if _all_sweeps(channel, sweep_form(excitation, speed)):
            return speed
    return None


def _other_rate(speed: float, excitation: Excitation) -> StillboxError:
    rate_hz = excitation.sample_rate_hz
    mixed = [
        f"{one} and {other} Hz"
        for one, other in itertools.permutations(COMMON_RATES_HZ, 2)
        if math.isclose(one / other, speed, rel_tol=1e-6) and rate_hz in (one, other)
    ]
    guess = f", as if {mixed[0]} had been mixed up" if mixed else ""
    return StillboxError(
        f"the sweep runs {speed:.4f} times as fast as that of the excitation{guess}: wrong rate",
        f"set player and recorder to {rate_hz} Hz and record again",
    )
