"""Memory that a long take needs: it grows with the frames, told here by takes of 4 s and 16 s.

At 192 kHz a second of stereo is 3 MB in double precision. One of 176 s stays below 1 GB
(tests/benchmarks/speed.py); sweeps as short as these keep the whole response, which long ones cut at 8 s.
"""

from __future__ import annotations

import numpy as np
import pytest
from invoked import measure
from reference.recordings import write_recording

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import Excitation, excitation_samples, write_excitation

RATE_HZ = 192_000
MOST_MB_PER_SECOND = {"import": 4.9, "curve": 9.0}


@pytest.fixture(scope="module")
def peaks_mb(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[float, dict[str, float]]]:
    """Seconds of takes of three sweeps, and the most memory of import and curve."""
    peaks = []
    for seconds in (0.8, 4.8):
        excitation = Excitation(seconds=seconds, sample_rate_hz=RATE_HZ, high_hz=24_000.0, silence_before_s=0.3)
        signal = excitation_samples(excitation)
        folder = tmp_path_factory.mktemp("long")
        write_excitation(excitation, folder / "sweep.wav")
        noise = 1e-5 * np.random.default_rng(1).standard_normal((signal.size, 2))
        write_recording(folder / "take.wav", signal[:, None] * [1.0, 0.44] + noise, RATE_HZ)
        build = BuildFolder.create(folder / "build")
        build.set_calibration(10.0, 1.0)
        options = ("--excitation", folder / "sweep.json", "--subject", "in-box")
        steps = {
            "import": measure("import", build.path, folder / "take.wav", *options, patience_s=60.0),
            "curve": measure("curve", build.path, "1", "--csv", folder / "curve.csv", patience_s=60.0),
        }
        for step in steps.values():
            assert step.status == 0, step.err
        peaks.append((signal.size / RATE_HZ, {name: step.memory_mb for name, step in steps.items()}))
    return peaks


@pytest.mark.parametrize("step", ["import", "curve"])
def test_memory_grows_slowly_with_the_length(peaks_mb: list[tuple[float, dict[str, float]]], step: str) -> None:
    (short_s, short), (long_s, long) = peaks_mb
    per_second = (long[step] - short[step]) / (long_s - short_s)
    assert per_second < MOST_MB_PER_SECOND[step]
