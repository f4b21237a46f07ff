"""Builds with takes of parts as ladders, through a jig whose load has an inductance and whose clips never sit alike."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from reference.wild_parts import Part, draw_part
from reference.wild_speaker import Jig, through_jig

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import Excitation, sweep_starts

SWEEP = Excitation(seconds=3.0, low_hz=10.0, high_hz=22_000.0, level_dbfs=-6.0, repeats=1, silence_before_s=0.5,
                   silence_after_s=1.0)  # fmt: skip

CLIPS_STD_OHM = 0.002
"""Good clips, from one time to the next."""


@dataclass(frozen=True)
class PartBench:
    """A jig with its card, and its load as it is: ``load_h`` in series; standards known to 0.1 %."""

    jig: Jig
    load_h: float
    seed: int
    sweep: Excitation = SWEEP

    def clipped(self, impedance: Callable[[np.ndarray], np.ndarray], number: int) -> np.ndarray:
        """The two channels with that impedance on the clips, shape (frames, 2)."""
        rng = np.random.default_rng([self.seed, 5, number])
        contact = 0.012 + rng.normal(0, CLIPS_STD_OHM)
        return through_jig(self.jig, lambda hz: contact + impedance(2 * np.pi * np.maximum(hz, 0.5)), self.sweep, rng)

    def keep(
        self,
        folder: BuildFolder,
        subject: str,
        impedance: Callable[[np.ndarray], np.ndarray],
        of: str = "",
        unit: str = "A",
    ) -> None:
        """Sweep what has that impedance over omega, and add the take."""
        load = {"load_ohm": self.jig.marked_load_ohm, "load_tolerance_percent": self.jig.load_tolerance_percent}
        folder.add_take(
            self.clipped(impedance, len(folder.takes())),
            "PCM_24",
            subject=subject,  # type: ignore[arg-type]
            unit=unit,
            of=of,
            excitation=self.sweep,
            sweep_starts=sweep_starts(self.sweep),
            origin="computed",
            **(load if subject == "load" else {}),  # type: ignore[typeddict-item]
        )

    def keep_warming(self, folder: BuildFolder, ohms: Sequence[float], of: str) -> None:
        """A resistor with another resistance in each sweep of its take."""
        sweep = self.sweep.model_copy(update={"repeats": len(ohms)})
        starts = sweep_starts(sweep)
        samples = np.zeros((sweep.total_frames, 2))
        for start, ohm in zip(starts, ohms, strict=True):
            rng = np.random.default_rng([self.seed, 8, start])
            first = 0 if start == starts[0] else start - sweep.sample_rate_hz // 50
            clipped = partial(_resistance, 0.012 + ohm)
            samples[first:] = through_jig(self.jig, clipped, sweep, rng)[first:]
        folder.add_take(samples, "PCM_24", subject="part", of=of, excitation=sweep, sweep_starts=starts,
                        origin="computed")  # fmt: skip

    def build(self, path: Path, parts: Sequence[Part], shorts: int = 4, unit: str = "A") -> BuildFolder:
        """Open, load, so many takes of short, and the parts under their names."""
        folder = BuildFolder.create(path)
        folder.set_calibration(self.jig.marked_ohm, self.jig.tolerance_percent)
        self.keep(folder, "open", lambda omega: np.full(omega.size, 1e9 + 0j))
        self.keep(folder, "load", lambda omega: self.jig.load_ohm + 1j * omega * self.load_h)
        for _ in range(shorts):
            self.keep(folder, "short", lambda omega: np.full(omega.size, 0j))
        for part in parts:
            self.keep(folder, "part", part.impedance, part.name, unit)
        return folder


def _resistance(ohm: float, hz: np.ndarray) -> np.ndarray:
    return np.full(hz.size, ohm + 0j)


def part_bench(seed: int) -> PartBench:
    """A bench with a load of 0.1 to 1.6 microhenry."""
    rng = np.random.default_rng([seed, 6])
    load_ohm = float(rng.choice([8.2, 10.0]))
    jig = Jig(
        reference_ohm=10.0 * (1 + rng.uniform(-1, 1) * 1e-3),
        marked_ohm=10.0,
        tolerance_percent=0.1,
        load_ohm=load_ohm * (1 + rng.uniform(-1, 1) * 1e-3),
        marked_load_ohm=load_ohm,
        load_tolerance_percent=0.1,
        source_ohm=rng.uniform(0.05, 1.0),
        noise_dbfs=rng.uniform(-104, -97),
    )
    return PartBench(jig, float(np.exp(rng.uniform(np.log(0.1e-6), np.log(1.6e-6)))), seed)


def drawer_of(seed: int) -> tuple[Part, ...]:
    """Seven parts as a crossover has them."""
    rng = np.random.default_rng([seed, 7])
    plans = (
        ("capacitor", (1.0e-6, 2.2e-6, 3.3e-6, 4.7e-6)),
        ("capacitor", (6.8e-6, 10e-6, 15e-6)),
        ("capacitor", (22e-6, 47e-6, 100e-6)),
        ("coil", (0.1e-3, 0.22e-3, 0.47e-3)),
        ("coil", (1.0e-3, 2.7e-3, 10e-3)),
        ("resistor", (1.0, 3.3, 6.8)),
        ("resistor", (2.2, 15.0, 33.0)),
    )
    parts = [draw_part(rng, "", kind, float(rng.choice(values))) for kind, values in plans]
    letters = {"capacitor": "C", "coil": "L", "resistor": "R"}
    return tuple(replace(part, name=f"{letters[part.kind]}{number}") for number, part in enumerate(parts, 1))
