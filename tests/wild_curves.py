"""Impedance curves of wild takes, and where their intervals hold the truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from reference.wild_bench import WildTake

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.recording.take import TakeInfo

LOWEST_HZ = 15.0


def kept(take: WildTake, path: Path) -> tuple[Bench, TakeInfo]:
    """The take in a build of its own."""
    folder = BuildFolder.create(path)
    folder.set_calibration(take.reference_ohm)
    info = take.keep_in(folder, "in-box", state="stock")
    return Bench(folder), info


def curve_of(take: WildTake, path: Path) -> ImpedanceCurve:
    """Its curve, from a build of its own."""
    bench, info = kept(take, path)
    return bench.curve(info)


def held(curve: ImpedanceCurve, take: WildTake, as_swept: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies from ``LOWEST_HZ`` on, and whether the 95 % interval of |Z| holds the truth there."""
    assert take.truth is not None
    inside = curve.frequency_hz >= LOWEST_HZ
    hz, impedance = curve.frequency_hz[inside], curve.impedance_ohm[inside]
    along = np.stack([impedance.real, impedance.imag], axis=-1) / np.abs(impedance)[:, None]
    std = np.sqrt(np.einsum("ni,nij,nj->n", along, curve.covariance_ohm2[inside], along))
    error = np.abs(impedance) - np.abs(take.truth.impedance_ohm(hz, as_swept=as_swept))
    return hz, np.abs(error) < 1.96 * std
