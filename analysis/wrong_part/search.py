"""The best of many speakers, each by its own steps, all at once; and how likely each is by all that it can be.

The cost of a speaker is minus the logarithm of its probability density: of the curve, whose points are off by circular
complex noise with a variance that follows from where the current goes, and of its numbers. Steps are those of Gauss and
Newton, damped (Levenberg and Marquardt). The probability of a hypothesis is the integral over its numbers (Laplace's
approximation; MacKay, Information Theory, Inference, and Learning Algorithms, chapter 28 [M]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.wrong_part.many_speakers import Answer, Model, Speakers
from stillbox.capture.arrays import FloatArray

LONGEST_STEP = 1.0
"""Of any number that is free."""
FARTHEST = 2.3
"""Of the logarithm of a free number from its middle: a factor of ten."""
FARTHEST_KNOWN = 8.0
"""Of any other number."""
LEAST_GAIN = 0.01
"""Nats that a step must gain for another to be worth it."""


@dataclass(frozen=True)
class Found:
    """Speakers where they fit best so far.

    Attributes
    ----------
    speakers : Speakers
    cost : ndarray, shape (speakers,)
    normal : ndarray, shape (speakers, numbers, numbers)
        What the curve tells of the numbers (Fisher's information).
    gradient : ndarray, shape (speakers, numbers)
        Of the cost.
    off_percent : ndarray, shape (speakers,)
        How far model and curve lie apart, percent, rms, points by what they tell.
    reduced : ndarray, shape (speakers,)
        The same over what was to be expected, squared: 1 where the model is as good as it should be.
    """

    speakers: Speakers
    cost: FloatArray
    normal: FloatArray
    gradient: FloatArray
    off_percent: FloatArray
    reduced: FloatArray

    def some(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Found:
        """Some of them."""
        return Found(self.speakers.some(which), *(table[which] for table in self.tables))

    @property
    def tables(self) -> tuple[FloatArray, ...]:
        """All but the speakers, in the order of the fields."""
        return self.cost, self.normal, self.gradient, self.off_percent, self.reduced

    def posterior(self) -> FloatArray:
        """Curve and what was known beforehand together, shape of ``normal``."""
        size = self.normal.shape[-1]
        whole: FloatArray = self.normal + np.eye(size) / self.speakers.std[:, None, :] ** 2
        return whole

    def covariance_of(self, row: int) -> FloatArray:
        """Of the numbers of one speaker."""
        found: FloatArray = np.linalg.inv(self.posterior()[row])
        return found

    def log_evidence(self, free_width: float) -> FloatArray:
        """Logarithm of the probability of the curve with each; a free number is even over so much of its logarithm."""
        std = self.speakers.std
        free = np.isinf(std)
        _, whole = np.linalg.slogdet(self.posterior())
        prior = -2 * np.sum(np.log(np.where(free, 1.0, std)), axis=1)
        wide = free.sum(axis=1) * (0.5 * np.log(2 * np.pi) - np.log(free_width))
        evidence: FloatArray = self.speakers.log_weight - self.cost - 0.5 * whole + 0.5 * prior + wide
        return evidence


def looked_at(model: Model, speakers: Speakers, error: float = 0.0) -> Found:
    """Speakers as they are."""
    answer = model.answer(speakers, error)
    weight = np.sqrt(2 / answer.variance)
    rows = (answer.slopes * weight[:, None, :]).view(float)  # real and imaginary parts side by side
    left = (answer.off * weight).view(float)
    normal = rows @ np.swapaxes(rows, 1, 2)
    prior = 1 / speakers.std**2
    gradient = (rows @ left[..., None])[..., 0] + prior * speakers.theta
    power = np.abs(answer.off) ** 2 / answer.variance
    off_percent = 100 * np.sqrt(power.sum(axis=1) / (1 / answer.variance).sum(axis=1))
    return Found(speakers, cost_of(answer, speakers), normal, gradient, off_percent, power.mean(axis=1))


def cost_of(answer: Answer, speakers: Speakers) -> FloatArray:
    """Of each speaker, nats."""
    curve = np.abs(answer.off) ** 2 / answer.variance + np.log(answer.variance)
    cost: FloatArray = np.sum(curve, axis=1) + 0.5 * np.sum((speakers.theta / speakers.std) ** 2, axis=1)
    return cost


def stepped(model: Model, found: Found, steps: int, error: float = 0.0) -> Found:
    """After some steps each; who gains nothing more rests."""
    damping = np.full(found.cost.size, 1e-3)
    going = np.arange(found.cost.size)
    for _ in range(steps):
        checked()
        now = found.some(going)
        tried = looked_at(model, now.speakers.at(_next_theta(now, damping[going])), error)
        gained = now.cost - tried.cost
        better = gained > 0
        damping[going] = np.where(better, np.maximum(damping[going] / 10, 1e-9), damping[going] * 10)
        found = _replaced(found, going[better], tried.some(better))
        going = going[~better | (gained > LEAST_GAIN)]
        if not going.size:
            break
    return found


def _next_theta(found: Found, damping: FloatArray) -> FloatArray:
    """One step from each."""
    whole = found.posterior()
    size = np.einsum("kii->ki", whole)
    matrix = whole + np.eye(whole.shape[-1]) * (damping[:, None] * size + 1e-12)[:, None, :]
    step = np.linalg.solve(matrix, -found.gradient[..., None])[..., 0]
    free = np.isinf(found.speakers.std)
    longest = np.max(np.where(free, np.abs(step), np.abs(step) / 6), axis=1)
    step *= np.minimum(1.0, LONGEST_STEP / np.maximum(longest, 1e-12))[:, None]
    bound = np.where(free, FARTHEST, FARTHEST_KNOWN)
    theta: FloatArray = np.clip(found.speakers.theta + step, -bound, bound)
    return theta


def _replaced(found: Found, which: NDArray[np.intp], by: Found) -> Found:
    """With some speakers farther on."""

    def put(one: FloatArray, other: FloatArray) -> FloatArray:
        new = one.copy()
        new[which] = other
        return new

    speakers = found.speakers.at(put(found.speakers.theta, by.speakers.theta))
    return Found(speakers, *map(put, found.tables, by.tables))


def joined(one: Found, other: Found) -> Found:
    """All speakers of both."""
    speakers = Speakers(*map(_both, one.speakers.tables, other.speakers.tables))
    return Found(speakers, *map(_both, one.tables, other.tables))


def _both(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.concatenate([one, other])
