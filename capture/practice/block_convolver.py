"""Convolution of a stream with long responses, block by block."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def impulse_responses(spectra: NDArray[np.complex128], direct: bool = False) -> NDArray[np.float64]:
    """Impulse responses, shape (channels, 2 n), of spectra at n bins from the first above 0 Hz to half the rate.

    ``direct`` says that a direct current gets through as the lowest bin does; else nothing of it comes.
    """
    lowest = spectra[:, :1].real if direct else 0.0 * spectra[:, :1]
    responses: NDArray[np.float64] = np.fft.irfft(np.hstack([lowest, spectra]), 2 * spectra.shape[1], axis=1)
    return responses


def without_ahead(responses: NDArray[np.float64]) -> NDArray[np.float64]:
    """With what comes before its cause put to that moment; it stands at the far end.

    Spectra that do not end at half the rate make it; low frequencies stay as they are.
    """
    half = responses.shape[1] // 2
    ahead = np.sum(responses[:, half:], axis=1, keepdims=True)
    return np.hstack([responses[:, :1] + ahead, responses[:, 1:half]])


class BlockConvolver:
    """Convolution of a stream with long responses, without delay (partitioned overlap-save).

    Parameters
    ----------
    responses : ndarray, shape (channels, taps)
    block_frames : int
        Length of every block.
    """

    def __init__(self, responses: NDArray[np.float64], block_frames: int) -> None:
        channels, taps = responses.shape
        self._frames = block_frames
        self._count = -(-taps // block_frames)
        padded = np.zeros((channels, self._count * block_frames))
        padded[:, :taps] = responses
        pieces = padded.reshape(channels, self._count, block_frames)
        self._pieces = np.fft.rfft(pieces, 2 * block_frames, axis=2).transpose(1, 0, 2)
        self._history = np.zeros((self._count, block_frames + 1), dtype=complex)
        self._newest = 0
        self._last = np.zeros(block_frames)
        self._earlier = np.zeros((channels, block_frames + 1), dtype=complex)

    def expecting(self, block: NDArray[np.float64]) -> NDArray[np.float64]:
        """What would come if this were the next block, shape (frames, channels); nothing is kept."""
        return self._answer(self._spectrum(block))

    def __call__(self, block: NDArray[np.float64]) -> NDArray[np.float64]:
        """Next block of the result, shape (frames, channels)."""
        spectrum = self._spectrum(block)
        answer = self._answer(spectrum)
        self._newest = (self._newest - 1) % self._count
        self._history[self._newest] = spectrum
        self._last = block.copy()
        # What all blocks so far give to the next one: the newest of them stands one piece further on then.
        order = (self._newest + np.arange(self._count - 1)) % self._count
        self._earlier = np.einsum("pcf,pf->cf", self._pieces[1:], self._history[order])
        return answer

    def _spectrum(self, block: NDArray[np.float64]) -> NDArray[np.complex128]:
        spectrum: NDArray[np.complex128] = np.fft.rfft(np.concatenate([self._last, block]))
        return spectrum

    def _answer(self, spectrum: NDArray[np.complex128]) -> NDArray[np.float64]:
        total = self._earlier + self._pieces[0] * spectrum
        return np.fft.irfft(total, 2 * self._frames, axis=1)[:, self._frames :].T
