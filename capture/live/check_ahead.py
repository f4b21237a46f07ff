"""The sweeps of a live take but the last are checked while the last one is played: less is left to be done at its end.

What is found here decides nothing. The whole recording is checked as ever when it has ended, with what was computed of
the sweeps that it begins with.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import cast

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import RawSamples, to_raw
from stillbox.capture.recording.sweeps_so_far import SweepsSoFar
from stillbox.capture.sweep.excitation import Excitation

MOST_FRAMES = 4_000_000
"""Longer beginnings are not kept in memory."""


class CheckAhead:
    """Collects what is recorded until the last sweep is to begin, then has it checked in a thread of its own.

    Parameters
    ----------
    excitation : Excitation
    subtype : str
        Of the file that is recorded to.
    check : callable
        Checks the beginning of a recording; what it finds wrong is found again at the end.
    """

    def __init__(
        self, excitation: Excitation, subtype: str, check: Callable[[RawSamples, SweepsSoFar], object]
    ) -> None:
        period = excitation.sweep_frames + excitation.silence_after_frames
        wanted = excitation.silence_before_frames + (excitation.repeats - 1) * period
        self._left = wanted if excitation.repeats > 1 and wanted <= MOST_FRAMES else 0
        self._subtype, self._check = subtype, check
        self._blocks: list[RawSamples] = []
        self._thread: threading.Thread | None = None
        self._so_far: SweepsSoFar | None = None

    def __call__(self, block: NDArray[np.float32]) -> None:
        """Take a recorded block, shape (frames, channels), full scale = 1."""
        if self._left <= 0:
            return
        self._blocks.append(to_raw(block[: self._left], self._subtype))
        self._left -= len(block)
        if self._left <= 0:
            self._thread = threading.Thread(target=self._work, name="check ahead", daemon=True)
            self._thread.start()

    def so_far(self) -> SweepsSoFar | None:
        """What is known of the first sweeps, when the thread has done its work; None where it did not begin."""
        if self._thread is not None:
            self._thread.join()
        return self._so_far

    def _work(self) -> None:
        samples = cast(RawSamples, np.concatenate(self._blocks))
        self._blocks.clear()
        self._so_far = SweepsSoFar(samples)
        with suppress(StillboxError):
            self._check(samples, self._so_far)
