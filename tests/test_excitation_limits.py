"""An excitation whose recording could not be read again is refused."""

from __future__ import annotations

import pytest

from capture.audio_file import MOST_SAMPLES
from capture.errors import StillboxError
from capture.excitation import make_excitation


def test_the_longest_signal_can_still_be_recorded_and_read() -> None:
    longest = make_excitation(seconds=60.0, sample_rate_hz=192_000, repeats=10, silence_after_s=1.0)
    # Stereo, with half a minute before and after.
    assert 2 * (longest.total_frames + 60 * 192_000) < MOST_SAMPLES
    with pytest.raises(StillboxError, match=r"1479667200 frames, at most .*; choose fewer repeats or shorter sweeps"):
        make_excitation(seconds=120.0, sample_rate_hz=192_000, repeats=64)
