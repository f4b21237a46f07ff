"""The sweep as it is looked for in a recording: it may run faster or slower than the excitation says."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.sweep.excitation import Excitation


@dataclass(frozen=True)
class SweepForm:
    """The sweep that is looked for: it may run faster or slower than the excitation says.

    Attributes
    ----------
    low_hz, high_hz, seconds, constant_s : float
        Band, length and rate constant L (see Excitation).
    sample_rate_hz : int
    """

    low_hz: float
    high_hz: float
    seconds: float
    constant_s: float
    sample_rate_hz: int

    @property
    def frames(self) -> int:
        return round(self.seconds * self.sample_rate_hz)

    def frequency_hz(self, time_s: float) -> float:
        return self.low_hz * math.exp(time_s / self.constant_s)

    def stretched(self, clock_difference: float) -> SweepForm:
        """The same sweep, running slower by the relative ``clock_difference``."""
        return _faster(self, 1 / (1 + clock_difference))

    def samples(self, step: int = 1) -> NDArray[np.float32]:
        """Every ``step``-th sample at full level, as far as it lies below the Nyquist rate that this leaves."""
        rate_hz = self.sample_rate_hz / step
        end_s = min(self.seconds, self.constant_s * math.log(max(0.5 * rate_hz / self.low_hz, 1.01)))
        if step > 1:
            end_s = min(self.seconds, self.constant_s * math.log(0.45 * rate_hz / self.low_hz))
        phase = np.arange(round(end_s * rate_hz)) / (rate_hz * self.constant_s)
        np.exp(phase, out=phase)
        phase *= 2 * np.pi * self.low_hz * self.constant_s
        return np.sin(phase, out=phase).astype(np.float32)


def sweep_form(excitation: Excitation, speed: float = 1.0) -> SweepForm:
    """The sweep of ``excitation`` as it looks when played ``speed`` times too fast."""
    as_told = SweepForm(
        excitation.low_hz,
        excitation.high_hz,
        excitation.seconds,
        excitation.rate_constant_s,
        excitation.sample_rate_hz,
    )
    return _faster(as_told, speed)


def _faster(form: SweepForm, speed: float) -> SweepForm:
    return replace(
        form,
        low_hz=form.low_hz * speed,
        high_hz=form.high_hz * speed,
        seconds=form.seconds / speed,
        constant_s=form.constant_s / speed,
    )
