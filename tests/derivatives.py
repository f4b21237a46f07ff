"""Derivatives that a model gives, against differences of the model."""

from __future__ import annotations

import numpy as np
import pytest

from stillbox.analysis.lumped.lumped_steps import Model


def assert_derivatives(model: Model, s: np.ndarray, x: np.ndarray) -> None:
    """Assert that the slopes ``model(s, x)[1]()``, shape (n, parameters), are those of ``model(s, x)[0]``."""
    slopes = model(s, x)[1]()
    assert slopes.shape == (s.size, x.size)
    for index in range(x.size):
        move = np.zeros(x.size)
        move[index] = 1e-6
        numeric = (model(s, x + move)[0] - model(s, x - move)[0]) / 2e-6
        assert slopes[:, index] == pytest.approx(numeric, abs=1e-6 * np.abs(numeric).max())
