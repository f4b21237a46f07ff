"""From circuits to what the analysis takes: recordings in memory, impedances of them, and builds on disk."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from reference.analytic import impedance_ohm
from reference.recordings import CLEAN, Chain, Device, record, record_standard
from reference.speaker_circuit import SpeakerCircuit

from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.sweeps.transfer import channel_ratio
from stillbox.calibration.jig import fit_jig
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.recording.take import Recording, Subject, TakeInfo
from stillbox.capture.sweep.excitation import Excitation, sweep_starts

LOAD_OHM = 8.2


def remembered(circuit: SpeakerCircuit) -> Callable[[np.ndarray], np.ndarray]:
    """The circuit's impedance over frequency, computed once for each grid: for many recordings of one speaker."""
    known: dict[tuple[int, float], np.ndarray] = {}

    def device(frequency_hz: np.ndarray) -> np.ndarray:
        grid = (frequency_hz.size, float(frequency_hz[-1]))
        if grid not in known:
            known[grid] = impedance_ohm(circuit, frequency_hz)
        return known[grid]

    return device


def recording(samples: np.ndarray, excitation: Excitation, first_frame: int = 0) -> Recording:
    """Samples as a take of which the sweeps are known to begin ``first_frame`` later than in the excitation."""
    info = TakeInfo(
        number=1,
        subject="in-box",
        created=datetime(2024, 1, 1, tzinfo=UTC),
        excitation=excitation,
        sweep_starts=tuple(first_frame + start for start in sweep_starts(excitation)),
        frames=len(samples),
        origin="computed",
        audio_file="none.flac",
        samples_sha256="0" * 64,
    )
    return Recording(info, samples)


def spectrum_of(
    device: Device, excitation: Excitation, chain: Chain = CLEAN, seed: int = 0, gate_s: float | None = None
) -> ImpedanceSpectrum:
    """Impedance at full resolution as measured through a chain that needs no calibration."""
    samples = record(device, excitation, chain, seed)
    ratio = channel_ratio(recording(samples, excitation, chain.offset_frames), gate_s)
    jig = fit_jig(chain.jig.kind, chain.jig.reference_ohm, ratio.frequency_hz, {})
    return ImpedanceSpectrum(
        frequency_hz=ratio.frequency_hz,
        impedance_ohm=jig.impedance_from_ratio(ratio.ratio),
        noise_variance_ohm2=jig.noise_variance(ratio.ratio, ratio.noise_variance),
        calibration_variance_ohm2=np.zeros(ratio.frequency_hz.size),
        scale_std=0.0,
        warnings=ratio.warnings,
    )


@dataclass
class RecordedBuild:
    """A build on disk whose takes come through one chain; every take has noise of its own."""

    folder: BuildFolder
    excitation: Excitation
    chain: Chain = CLEAN
    seed: int = 0

    @classmethod
    def create(
        cls,
        path: Path,
        excitation: Excitation,
        chain: Chain = CLEAN,
        seed: int = 0,
        inside_mm: tuple[float, float, float] | None = None,
        standards: Iterable[Subject] = (),
    ) -> RecordedBuild:
        """Make the build, say its reference resistor, and record the standards."""
        build = cls(BuildFolder.create(path, inside_mm), excitation, chain, seed)
        build.folder.set_calibration(chain.jig.reference_ohm)
        for subject in standards:
            build.add_standard(subject)
        return build

    def add(self, device: Device, subject: Subject, **about: Any) -> TakeInfo:
        """Record a device as a new take; ``about`` as in TakeAbout."""
        return self.keep(record(device, self.excitation, self.chain, self._next_seed()), subject, **about)

    def add_standard(self, subject: Any) -> TakeInfo:
        """Record a calibration standard."""
        samples = record_standard(subject, self.excitation, self.chain, self._next_seed(), LOAD_OHM)
        load_ohm = LOAD_OHM if subject in ("load", "check-resistor") else None
        return self.keep(samples, subject, load_ohm=load_ohm)

    def _next_seed(self) -> int:
        self.seed += 1
        return self.seed

    def keep(self, samples: np.ndarray, subject: Any, **about: Any) -> TakeInfo:
        """Keep a recording as it is as a new take."""
        starts = [self.chain.offset_frames + start for start in sweep_starts(self.excitation)]
        return self.folder.add_take(
            samples,
            "PCM_24",
            subject=subject,
            excitation=self.excitation,
            sweep_starts=starts,
            origin="computed",
            jig=self.chain.jig.kind,
            **about,
        )
