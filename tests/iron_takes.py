"""Builds with coils swept at several levels in the time domain, through a jig and a card that bends a little itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from reference.iron_coil import Real
from reference.wild_speaker import Jig, through_jig

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.recording.take import LiveRecord
from stillbox.capture.sweep.excitation import Excitation, sweep_samples, sweep_starts

SWEEP = Excitation(seconds=1.5, low_hz=10.0, high_hz=8000.0, repeats=3, silence_before_s=0.6, silence_after_s=0.4)
HEADROOM = 1.25
"""Of the inputs, over the output at full scale."""
CARD_DB = -96.0
"""Third harmonic of an input at full scale, re its first; the other input has three quarters of it."""


@dataclass(frozen=True)
class IronBench:
    """A jig behind an output of ``loudest_v`` (peak at full scale), its own resistance included."""

    jig: Jig
    loudest_v: float
    seed: int
    sweep: Excitation = SWEEP

    def at(self, level_dbfs: float) -> Excitation:
        return self.sweep.model_copy(update={"level_dbfs": level_dbfs})

    def recorded(self, volts: Real, level_dbfs: float, number: int) -> Real:
        """A recording of the voltages of both channels, shape (frames from the sweep's start, 2)."""
        sweep = self.at(level_dbfs)
        samples = np.zeros((sweep.total_frames, 2))
        for start in sweep_starts(sweep):  # the core remembers little of the sweep before
            length = min(len(volts), len(samples) - start)
            samples[start : start + length] = volts[:length] / (HEADROOM * self.loudest_v)
        return self._through_card(samples, number)

    def _through_card(self, samples: Real, number: int) -> Real:
        rng = np.random.default_rng([self.seed, 41, number])
        cubic = 4 * 10 ** (CARD_DB / 20) * np.array([1.0, 0.75])
        return samples + cubic * samples**3 + rng.normal(0, 10 ** (self.jig.noise_dbfs / 20), samples.shape)

    def keep(self, folder: BuildFolder, samples: Real, level_dbfs: float, subject: str, **about: object) -> None:
        sweep = self.at(level_dbfs)
        live = LiveRecord(
            device="bench", host_api="none", kind="sound card", loudest_volts=self.loudest_v / np.sqrt(2),
            output_limit_dbfs=0.0, attempts=1,
        )  # fmt: skip
        folder.add_take(samples, "PCM_24", subject=subject, excitation=sweep, sweep_starts=sweep_starts(sweep),
                        origin="computed", live=live, **about)  # type: ignore[arg-type]  # fmt: skip

    def keep_resistor(self, folder: BuildFolder, subject: str, ohm: float, level_dbfs: float) -> None:
        """A take of open, short or load."""
        number = len(folder.takes())
        quiet = Jig(**{**self.jig.__dict__, "noise_dbfs": -200.0})
        clipped = through_jig(quiet, lambda hz: np.full(hz.size, ohm + 0j), self.at(level_dbfs),
                              np.random.default_rng(number))  # fmt: skip
        about = {"load_ohm": self.jig.marked_load_ohm, "load_tolerance_percent": 0.1} if subject == "load" else {}
        self.keep(folder, self._through_card(clipped / HEADROOM, number), level_dbfs, subject, **about)

    def start(self, path: Path, loud_dbfs: float | None = None) -> BuildFolder:
        """With open, short and load at the loudest level; without one, with none of them."""
        folder = BuildFolder.create(path)
        folder.set_calibration(self.jig.marked_ohm, self.jig.tolerance_percent)
        if loud_dbfs is None:
            return folder
        for subject, ohm in (("open", 1e9), ("short", 0.0), ("load", self.jig.load_ohm)):
            self.keep_resistor(folder, subject, ohm, loud_dbfs)
        return folder


def levels_of(loudest_dbfs: float, step_db: float, count: int) -> Sequence[float]:
    """From the quietest to the loudest."""
    return [loudest_dbfs - step_db * back for back in range(count - 1, -1, -1)]


def iron_bench(seed: int, reference_ohm: float, loudest_v: float) -> IronBench:
    """A jig of that resistor, its resistors good to 0.1 %."""
    rng = np.random.default_rng([seed, 42])
    jig = Jig(reference_ohm, reference_ohm, 0.1, 8.2, 8.2, 0.1, rng.uniform(0.05, 0.5), rng.uniform(-106, -100))
    return IronBench(jig, loudest_v, seed)


@dataclass(frozen=True)
class Bending:
    """A coil without memory: flux ``L i / (1 + (i / limit_a)^2)^(1/2)``, by repeated correction in the spectrum.

    ``R i + d flux / dt = u``: the linear part is solved at each frequency, what bends stands on the right.
    """

    henry: float
    limit_a: float
    ohm: float

    behind: Callable[[Real], Real] = np.zeros_like
    """Impedance in series, of what is on the clips with it, over frequency."""

    def current(self, drive_v: Real, rate_hz: float, loop_ohm: float, rounds: int = 30) -> Real:
        """Periodic over the length of the drive, shape of ``drive_v``."""
        hz = np.fft.rfftfreq(drive_v.size, 1 / rate_hz)
        omega = 2j * np.pi * hz
        spectrum, impedance = np.fft.rfft(drive_v), loop_ohm + self.ohm + omega * self.henry + self.behind(hz)
        current = np.fft.irfft(spectrum / impedance, drive_v.size)
        for _ in range(rounds):
            bent = self.henry * current * ((1 + (current / self.limit_a) ** 2) ** -0.5 - 1)
            current = np.fft.irfft((spectrum - omega * np.fft.rfft(bent)) / impedance, drive_v.size)
        return current

    def swept(self, bench: IronBench, level_dbfs: float, number: int) -> Real:
        """A recording, shape (frames, 2)."""
        jig, rate_hz = bench.jig, bench.sweep.sample_rate_hz
        drive = np.append(sweep_samples(bench.at(level_dbfs)) * bench.loudest_v, np.zeros(rate_hz // 4))
        current = self.current(drive, rate_hz, jig.source_ohm + jig.reference_ohm)
        source = drive - jig.source_ohm * current
        return bench.recorded(np.stack([source, source - jig.reference_ohm * current], axis=1), level_dbfs, number)

    def steady(self, bench: IronBench, level_dbfs: float, hz: float) -> tuple[float, float, Real]:
        """Current (peak), inductance and harmonics of the current 0 to 5, dB, at one frequency."""
        count = 256
        drive = bench.loudest_v * 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * np.arange(count) / count)
        loop = bench.jig.source_ohm + bench.jig.reference_ohm
        current = np.fft.rfft(self.current(drive, hz * count, loop)) * 2 / count
        impedance = np.fft.rfft(drive)[1] * 2 / count / current[1] - loop - self.behind(np.array([hz]))[0]
        with np.errstate(divide="ignore"):
            harmonics = 20 * np.log10(np.abs(current[:6] / current[1]))
        return float(abs(current[1])), float(impedance.imag / (2 * np.pi * hz)), harmonics
