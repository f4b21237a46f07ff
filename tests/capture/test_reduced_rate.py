"""The reduced rate in which sweeps are looked for, against SciPy's."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from places import ROOT
from scipy import signal

from stillbox.capture.recording.reduced_rate import at_reduced_rate


@pytest.mark.parametrize("step", [1, 2, 5, 13])
@pytest.mark.parametrize("frames", [1, 12, 1_000, 200_003])
def test_it_is_what_scipy_makes(frames: int, step: int) -> None:
    channel = np.random.default_rng(frames).standard_normal((frames, 2)).astype(np.float32)[:, 0]
    expected, found = signal.resample_poly(channel, 1, step), at_reduced_rate(channel, step)
    assert (found.shape, found.dtype) == (expected.shape, expected.dtype)
    np.testing.assert_allclose(found, expected, rtol=0, atol=5e-6)


def test_a_recording_is_searched_without_all_of_signal_processing() -> None:
    """Loading it took as long as the rest of a short take."""
    code = (
        "import sys, numpy as np\n"
        "from stillbox.capture.recording.sweep_search import _reduced_correlation\n"
        "from stillbox.capture.sweep.excitation import Excitation\n"
        "from stillbox.capture.sweep.sweep_form import sweep_form\n"
        "_reduced_correlation(np.zeros(96_000, np.float32), sweep_form(Excitation(seconds=1.0)), 4)\n"
        "sys.exit('scipy.signal' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0
