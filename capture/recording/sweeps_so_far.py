"""What is found out about the sweeps of a recording while it goes on.

A sweep that has come in stays as it is. So what was computed from the beginning of a recording, of a sweep that lies
whole in it, holds for the recording when it has ended: it is the same sum of the same samples.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

import numpy as np

from stillbox.capture.recording.audio_file import RawSamples
from stillbox.capture.sweep.excitation import Excitation

Value = TypeVar("Value")

_BEYOND_S, _BEYOND_OF_SWEEP = 0.15, 3e-3
"""So far behind the end of a sweep it is still looked at, s and part of its length: for lost blocks, other clocks."""


class SweepsSoFar:
    """Values of the sweeps that are in the beginning of a recording; of others nothing is kept.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        The beginning, raw.
    """

    def __init__(self, samples: RawSamples) -> None:
        self._samples = samples
        self._values: dict[Hashable, Any] = {}

    def hold_for(self, samples: RawSamples) -> bool:
        """Whether a recording begins with just these samples."""
        same = samples.dtype == self._samples.dtype and samples.shape[1:] == self._samples.shape[1:]
        return same and np.array_equal(samples[: len(self._samples)], self._samples)

    def of(self, what: Hashable, start: int, excitation: Excitation, compute: Callable[[], Value]) -> Value:
        """The value of this name, of the sweep that begins at ``start``; what is raised is not kept.

        Parameters
        ----------
        compute : callable
            Leans on ``what`` and on the samples up to a little behind the sweep, and on nothing else.
        """
        beyond = round(_BEYOND_S * excitation.sample_rate_hz + _BEYOND_OF_SWEEP * excitation.sweep_frames)
        if start + excitation.sweep_frames + beyond > len(self._samples):
            return compute()
        if what not in self._values:
            self._values[what] = compute()
        value: Value = self._values[what]
        return value
