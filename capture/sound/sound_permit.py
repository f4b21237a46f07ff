"""The permit without which no device plays: what it allows, and that what is to be played keeps to it.

Only the gate (`capture.sound.sound_gate`) hands permits out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError

EDGE = 0.8
"""Below this part of the lowest frequency allowed hardly anything may lie: what begins there is not sharply cut."""

MOST_POWER_BELOW = 1e-3
"""Part of the power that may lie there: beginning and end of a sound that itself keeps above the limit."""

PIECE_FRAMES = 2**16
_GRANTING = object()


@dataclass(frozen=True)
class OutputLimit:
    """What the output may do.

    Attributes
    ----------
    peak : float
        Peak that the output never exceeds, full scale = 1.
    volts : float or None
        Voltage at the clips that a sine of this peak has with nothing on them, V rms; None where the output was
        never measured.
    lowest_hz : float
        Nothing below it is played; 0 for no limit.
    reason : str
        What sets the limit, in words.
    """

    peak: float
    volts: float | None
    lowest_hz: float
    reason: str

    @property
    def dbfs(self) -> float:
        return 20 * math.log10(self.peak)


class SoundPermit:
    """The right to play on one device within one limit; `capture.sound.sound_gate` hands it out.

    Attributes
    ----------
    limit : OutputLimit
    """

    def __init__(self, device_name: str, limit: OutputLimit, granting: object = None) -> None:
        if granting is not _GRANTING:
            raise TypeError("a permit to play comes from stillbox.capture.sound.sound_gate alone")
        self._device_name = device_name
        self.limit = limit

    @classmethod
    def _grant(cls, device_name: str, limit: OutputLimit) -> SoundPermit:
        """For the gate alone (a test asserts it)."""
        return cls(device_name, limit, _GRANTING)

    def require(self, device_name: str, samples: NDArray[np.floating], sample_rate_hz: int) -> None:
        """First line of every device's play function.

        Parameters
        ----------
        samples : ndarray, shape (frames,)
            What is to be played.

        Raises
        ------
        StillboxError
            If the permit is for another device, the limit is none, or the samples go below the lowest frequency.
        """
        if device_name != self._device_name:
            raise StillboxError(
                f"leave was given to play on {self._device_name}, not on {device_name}; nothing was played",
                "begin anew",
            )
        if not 0 <= self.limit.peak <= 1:
            raise StillboxError(f"the limit of the output is {self.limit.peak:g} of full scale", "it must be 0 to 1")
        lowest_hz = self.limit.lowest_hz
        if lowest_hz > 0 and share_below(samples, sample_rate_hz, EDGE * lowest_hz) > MOST_POWER_BELOW:
            raise StillboxError(
                f"what was to be played goes below {lowest_hz:g} Hz, the lowest that [limits] in build.toml allows; "
                "nothing was played",
                "",
            )


def share_below(samples: NDArray[np.floating], sample_rate_hz: int, frequency_hz: float) -> float:
    """Part of the power of ``samples``, shape (frames,), that lies below ``frequency_hz``; 0 for silence.

    In pieces of 2^16 frames that overlap by half, under Hann windows, so that what is steady does not smear.
    """
    below = total = 0.0
    piece = min(PIECE_FRAMES, max(2, samples.size))
    window = np.hanning(piece + 1)[:-1]
    last = round(frequency_hz * piece / sample_rate_hz)
    for start in range(-piece // 2, samples.size, piece // 2):
        part = np.zeros(piece)
        inside = samples[max(0, start) : start + piece]
        part[max(0, -start) : max(0, -start) + inside.size] = inside
        power = np.abs(np.fft.rfft(part * window)) ** 2
        below += float(power[:last].sum())
        total += float(power.sum())
    return below / total if total else 0.0
