"""Whether both channels were sampled together: a channel that lost frames lies beside the other from then on."""

from __future__ import annotations

import numpy as np

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import RawSamples
from stillbox.capture.recording.recording_checks import Circumstances
from stillbox.capture.recording.sweep_search import FoundSweep
from stillbox.capture.recording.sweep_segments import find_segments
from stillbox.capture.sweep.sweep_form import sweep_form

MOST_FRAMES = 8.0
"""Inputs of one device lie at most a few frames apart."""

LEAST_HZ = 2_000.0
"""Below it a load may delay by more frames than are lost."""

LOAD_PERIODS = 0.55
"""Granted to each segment: a load turns by a quarter at the most, and a carrier's tops are hardly unequal."""

LEAST_MATCH = 0.3
LEAST_SEGMENTS = 2


def check_offset(second: RawSamples, sweep: FoundSweep, case: Circumstances) -> None:
    """Refuse a recording whose channels lie apart.

    Parameters
    ----------
    second : ndarray, shape (frames,)
        Channel 2.
    sweep : FoundSweep
        As it was found in what channel 1 tells.

    Raises
    ------
    StillboxError
        Says by how many frames.
    """
    if not case.on_jig or case.quiet_second:
        return
    rate_hz = case.excitation.sample_rate_hz
    form = sweep_form(case.excitation).stretched(sweep.clock_difference)
    segments, _ = find_segments(second, form.samples(), sweep.start, form)
    own = {segment.time_s: segment for segment in sweep.segments}
    apart = [
        (segment.lag - own[segment.time_s].lag, LOAD_PERIODS * rate_hz / segment.frequency_hz)
        for segment in segments
        if segment.frequency_hz > LEAST_HZ
        and segment.time_s in own
        and all(part.is_sure(rate_hz) and part.match > LEAST_MATCH for part in (segment, own[segment.time_s]))
    ]
    if len(apart) < LEAST_SEGMENTS:
        return
    frames = float(np.median([lag for lag, _ in apart]))
    if np.median([abs(lag) - granted for lag, granted in apart]) > MOST_FRAMES:
        raise StillboxError(
            f"channel 2 lies {abs(frames):.0f} frames {'behind' if frames > 0 else 'before'} channel 1: one of them "
            "lost samples, or the inputs are not sampled together",
            "use two inputs of one device, larger audio buffers, and record again",
        )
