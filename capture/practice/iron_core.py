"""A coil with an iron core in the time domain: flux that lags behind the current, and saturates.

Between two turns of the current the core obeys Rayleigh's law (Philosophical Magazine 23, 225-245, 1887): from the turn
on the flux changes with the current by ``d + v d |d| / 2``, so that a swing to the amplitude a reaches ``a + v a^2``.
What drives the core is bent before, ``I tanh(i / I)``: it takes no more than a core that is full (a simple law of our
own). Flux that stays is not seen at the terminals, so loops within loops need not close.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.practice.block_convolver import BlockConvolver

SETTLED_A = 1e-9
MOST_ROUNDS = 40


@dataclass(frozen=True)
class IronCore:
    """What an iron core does.

    Attributes
    ----------
    share : float
        Of the small-signal inductance, what the core makes; the rest is air.
    full_a : float
        Current that would fill the core if it went on as it began, A.
    lag_per_a : float
        v of Rayleigh's law: relative growth of the core's inductance per ampere of amplitude.
    """

    share: float
    full_a: float
    lag_per_a: float


@dataclass(frozen=True)
class CoreState:
    """Where a core stands: the drive and flux of the last turn, and the last drive; A, flux re the inductance."""

    turn_a: float = 0.0
    turn_flux_a: float = 0.0
    last_a: float = 0.0


def excess_flux_a(
    core: IronCore, current_a: NDArray[np.float64], state: CoreState
) -> tuple[NDArray[np.float64], CoreState]:
    """Flux beyond that of a coil with the small-signal inductance, re that inductance, and the state after it.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        What flows after ``state``, A.

    Returns
    -------
    excess : ndarray, shape (n,)
        ``flux / L - current``, A.
    state : CoreState
    """
    drive = core.full_a * np.tanh(current_a / core.full_a)
    path = np.concatenate([[state.turn_a, state.last_a], drive])
    # A turn is a place from which the current goes back; standing still is none.
    step = np.diff(path)
    moving = np.flatnonzero(step)
    turns = moving[1:][np.sign(step[moving[1:]]) != np.sign(step[moving[:-1]])]
    begins = np.concatenate([[0], turns])
    at_turn = path[begins]
    flux_at_turn = state.turn_flux_a + np.concatenate([[0.0], np.cumsum(_rayleigh(np.diff(at_turn), core.lag_per_a))])
    leg = np.searchsorted(begins, np.arange(2, path.size), side="left") - 1
    flux = flux_at_turn[leg] + _rayleigh(drive - at_turn[leg], core.lag_per_a)
    return core.share * (flux - current_a), CoreState(float(at_turn[-1]), float(flux_at_turn[-1]), float(path[-1]))


def _rayleigh(change_a: NDArray[np.float64], lag_per_a: float) -> NDArray[np.float64]:
    change: NDArray[np.float64] = change_a + 0.5 * lag_per_a * change_a * np.abs(change_a)
    return change


@dataclass(frozen=True)
class IronResponses:
    """How a coil with iron sits in all else, as impulse responses of shape (channels, taps).

    Attributes
    ----------
    core : IronCore
    current : ndarray
        From the output, full scale = 1, to the current in the coil with its small-signal inductance, A.
    own : ndarray
        From the excess flux to that current.
    inputs : ndarray
        From the excess flux to both inputs, full scale = 1.
    """

    core: IronCore
    current: NDArray[np.float64]
    own: NDArray[np.float64]
    inputs: NDArray[np.float64]


class IronPath:
    """What the core adds to both inputs, block by block: current and flux are sought together, by rounds."""

    def __init__(self, responses: IronResponses, block_frames: int) -> None:
        self._core = responses.core
        self._state = CoreState()
        self._current = BlockConvolver(responses.current, block_frames)
        self._own = BlockConvolver(responses.own, block_frames)
        self._inputs = BlockConvolver(responses.inputs, block_frames)

    def __call__(self, out: NDArray[np.float64]) -> NDArray[np.float64]:
        """Next block at both inputs, shape (frames, 2), for the next block of the output."""
        linear_a = self._current(out)[:, 0]
        excess_a = np.zeros_like(linear_a)
        for _ in range(MOST_ROUNDS):
            before = excess_a
            current_a = linear_a + self._own.expecting(before)[:, 0]
            excess_a, state = excess_flux_a(self._core, current_a, self._state)
            if np.max(np.abs(excess_a - before)) < SETTLED_A:
                break
        self._state = state
        self._own(excess_a)
        return self._inputs(excess_a)
