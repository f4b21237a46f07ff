"""Finished two-ways whose woofer stands behind a coil with an iron core, swept at several levels in the time domain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from iron_takes import IronBench, iron_bench
from reference.iron_coil import Circuit, Drawn, LowPass, Real, draw_coils, in_speaker
from reference.wild_speaker import Jig, through_jig

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network


@dataclass(frozen=True)
class IronSpeakers:
    """So many speakers with their jigs, as one batch."""

    coils: Drawn
    rest: LowPass
    benches: tuple[IronBench, ...]

    def circuit(self, which: Real) -> Circuit:
        """Of these numbers, in that order."""
        jigs = [self.benches[number].jig for number in which]
        return in_speaker(
            self.coils.cores.taken(which), self.coils.winding_ohm[which], self.rest.taken(which),
            np.array([jig.reference_ohm for jig in jigs]), np.array([jig.source_ohm for jig in jigs]),
        )  # fmt: skip

    def drives(self, which: Real, level_dbfs: Real) -> Real:
        """Peaks of the source, V."""
        return np.array([self.benches[number].loudest_v for number in which]) * 10 ** (level_dbfs / 20)

    def woofer_ohm(self, number: int, hz: Real) -> Real:
        rest, s = self.rest, 2j * np.pi * np.maximum(hz, 0.5)
        coil = 1 / (1 / (s * rest.le_h[number]) + 1 / rest.eddy_ohm[number])
        return rest.re_ohm[number] + coil + _cone(s, rest.fs_hz[number], rest.qms[number], rest.motional_ohm[number])

    def tweeter_ohm(self, number: int, hz: Real) -> Real:
        ohm, s = self.rest.tweeter_ohm[number], 2j * np.pi * np.maximum(hz, 0.5)
        return ohm + _cone(s, self.rest.tweeter_fs_hz[number], 2.0, 0.7 * ohm)

    def netlist(self, number: int) -> str:
        rest, coils = self.rest, self.coils
        return "\n".join([
            "* two-way", f"RL1 in x {coils.winding_ohm[number]:.9g}",
            f"L1 x a {coils.cores.small_signal_h[number]:.9g}",
            f"RC1 a y {rest.capacitor_ohm[number]:.9g}", f"C1 y 0 {rest.capacitor_f[number]:.9g}", "Xwoofer a 0 any",
            "RC2 in z 0.02", f"C2 z b {rest.tweeter_f[number]:.9g}", f"L2 b 0 {rest.shunt_h[number]:.9g}",
            "Xtweeter b 0 any", "",
        ])  # fmt: skip

    def build(self, number: int, path: Path, levels: Sequence[tuple[float, Real]]) -> BuildFolder:
        """Standards, drivers alone, and the speaker at ``levels``: dBFS and the voltages of both channels."""
        bench = self.benches[number]
        folder = bench.start(path, levels[-1][0])
        quiet = Jig(**{**bench.jig.__dict__, "noise_dbfs": -103.0})
        for name, ohm in (("woofer", self.woofer_ohm), ("tweeter", self.tweeter_ohm)):
            rng = np.random.default_rng([number, len(name)])
            taken = through_jig(quiet, lambda hz, ohm=ohm: ohm(number, hz), bench.at(-20.0), rng)  # type: ignore[misc]
            bench.keep(folder, taken, -20.0, "free-air", of=name)
        for index, (level, volts) in enumerate(levels):
            bench.keep(folder, bench.recorded(volts, level, 80 + index), level, "in-box", state="stock")
        keep_network(folder, self.netlist(number))
        return folder


def _cone(s: Real, fs_hz: float, q: float, ohm: float) -> Real:
    omega = 2 * np.pi * fs_hz
    return 1 / (1 / ohm + s * q / (omega * ohm) + omega * q / (s * ohm))


def draw_speakers(seed: int, count: int) -> IronSpeakers:
    """Common sizes, no source."""
    rng = np.random.default_rng([seed, 51])

    def between(low: float, high: float) -> Real:
        return rng.uniform(low, high, count)

    coils = draw_coils(seed, count, iron=True, about_a=(0.4, 2.0))
    rest = LowPass(
        capacitor_f=between(6e-6, 15e-6), capacitor_ohm=between(0.02, 0.3), re_ohm=between(3.2, 6.4),
        le_h=between(0.3e-3, 0.8e-3), eddy_ohm=between(8.0, 25.0), fs_hz=between(45.0, 80.0), qms=between(2.0, 5.0),
        motional_ohm=between(15.0, 40.0), tweeter_f=between(2.2e-6, 6.8e-6), shunt_h=between(0.22e-3, 0.47e-3),
        tweeter_ohm=between(3.5, 6.4), tweeter_fs_hz=between(700.0, 1400.0),
    )  # fmt: skip
    about = coils.about_a * (4.7 + rest.re_ohm + 0.6)
    benches = tuple(iron_bench(1000 * seed + number, 4.7, float(1.8 * about[number])) for number in range(count))
    return IronSpeakers(coils, rest, benches)
