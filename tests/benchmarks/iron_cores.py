"""Coils with iron over the level, alone and in a finished speaker: against the steady state of the same circuits.

Takes are integrated in time (`reference.iron_coil`), with hysteresis, gap, eddy currents, a source with a resistance
of its own, and inputs that bend themselves (third harmonic -96 dB at full scale). Truth is integrated at single
frequencies. Air coils are linear; every second amplifier before them bends by 2 %.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from iron_speakers import draw_speakers
from iron_takes import SWEEP, IronBench, iron_bench, levels_of
from reference.iron_coil import SATURATED, Circuit, Real, Steady, draw_coils, on_jig, steady, swept
from scipy.interpolate import PchipInterpolator
from table import Row, at_least, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.speaker_levels import speaker_levels
from stillbox.analysis.levels.level_series import LevelSeries, level_series
from stillbox.capture.sweep.excitation import sweep_samples

COILS, QUICK_COILS = 8, 2
SPEAKERS, QUICK_SPEAKERS = 3, 1
AIR_COILS, QUICK_AIR_COILS = 20, 5
REFERENCE_OHM, AT_HZ = 4.7, (70.0, 140.0, 300.0)
LEVELS = tuple(levels_of(-1.0, 5.0, 6))
HARMONIC_DB, OVER_FLOOR_DB = 0.3, 15.0
INDUCTANCE_PERCENT, SATURATION_PERCENT, COVERED_PERCENT = 0.5, 10.0, 90.0


@dataclass
class Tally:
    """Deviations of what was read from what is true."""

    harmonic_db: list[float] = field(default_factory=list)
    inductance_percent: list[float] = field(default_factory=list)
    current_percent: list[float] = field(default_factory=list)
    saturation_percent: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    missed_iron: list[str] = field(default_factory=list)
    iron_takes: int = 0
    open_ends: int = 0

    def levels(self, series: LevelSeries, true: Steady, current: Real, relative: bool) -> None:
        """Each level against the steady state; ``relative``: inductance over that of the quietest."""
        harmonics_db = 20 * np.log10(np.maximum(np.abs(current), 1e-12) / np.abs(current[:, 1:2]))
        quietest = series.levels[0].inductance
        for number, level in enumerate(series.levels):
            assert level.inductance is not None and quietest is not None
            self.current_percent.append(100 * abs(level.current / abs(current[number, 1]) - 1))
            scale = true.inductance_h[0] / quietest.value if relative else 1.0
            self.inductance_percent.append(100 * abs(scale * level.inductance.value / true.inductance_h[number] - 1))
            for order, harmonic in level.harmonics.items():
                if harmonics_db[number, order] > harmonic.floor_db + OVER_FLOOR_DB:
                    found = -np.inf if harmonic.db is None else harmonic.db
                    self.harmonic_db.append(abs(found - harmonics_db[number, order]))

    def onset(self, series: LevelSeries, current: Real, inductance: Real) -> None:
        """Where a tenth of the largest inductance is gone, from fine steps of the level."""
        place = np.linspace(np.log(current[0]), np.log(current[-1]), 5000)
        smooth = PchipInterpolator(np.log(current), inductance)(place)
        gone = np.flatnonzero(smooth < SATURATED * np.maximum.accumulate(smooth))
        if series.saturation is None or not gone.size:
            # Both beyond the loudest take, or one of them: then the loudest is the nearest that can be said.
            true = np.exp(place[gone[0]]) if gone.size else np.inf
            if true < 0.95 * series.loudest.current or series.saturation is not None:
                self.saturation_percent.append(100.0)
            return
        true = float(np.exp(place[gone[0]]))
        self.saturation_percent.append(100 * abs(series.saturation.current / true - 1))
        high = np.inf if series.saturation.high is None else series.saturation.high
        self.covered.append(bool(series.saturation.low <= true <= high))
        self.open_ends += series.saturation.high is None


def rows(quick: bool = False) -> list[Row]:
    """Coils alone, in speakers, and air coils."""
    alone, built_in = Tally(), Tally()
    _coils(QUICK_COILS if quick else COILS, alone)
    _speakers(QUICK_SPEAKERS if quick else SPEAKERS, built_in)
    count = QUICK_AIR_COILS if quick else AIR_COILS
    accused = list(_accused_air_coils(count))
    found = at_most(
        f"iron: of {alone.iron_takes} takes with a third harmonic {OVER_FLOOR_DB:g} dB above the floor not called iron",
        len(alone.missed_iron), 0, "{:.0f}", ", ".join(alone.missed_iron),
    )  # fmt: skip
    air = at_most(f"iron: of {count} air coils called iron", len(accused), 0, "{:.0f}", ", ".join(accused))
    return [*_rows_of("coil", alone), found, air, *_rows_of("speaker", built_in)]


def _rows_of(what: str, tally: Tally) -> list[Row]:
    harmonics, count = tally.harmonic_db, len(tally.harmonic_db)
    return [
        at_most(
            f"iron, {what}: harmonics {OVER_FLOOR_DB:g} dB above the floor, 95 % of {count}",
            float(np.quantile(harmonics, 0.95)), HARMONIC_DB, "{:.2f} dB",
            f"median {np.median(harmonics):.3f}, largest {max(harmonics):.2f} dB",
        ),
        at_most(
            f"iron, {what}: inductance over the level, largest of {len(tally.inductance_percent)}",
            max(tally.inductance_percent), INDUCTANCE_PERCENT, "{:.2f} %",
            f"current: {max(tally.current_percent):.2f} %",
        ),
        at_most(
            f"iron, {what}: where it saturates, largest of {len(tally.saturation_percent)}",
            max(tally.saturation_percent), SATURATION_PERCENT, "{:.1f} %",
        ),
        at_least(
            f"iron, {what}: where it saturates within its interval, of {len(tally.covered)}",
            100 * sum(tally.covered) / max(len(tally.covered), 1), COVERED_PERCENT, "{:.0f} %",
            f"{tally.open_ends} with an open upper end",
        ),
    ]  # fmt: skip


def _coils(count: int, tally: Tally) -> None:
    drawn = draw_coils(61, count, iron=True, about_a=(0.3, 4.0))
    benches = [iron_bench(6100 + k, REFERENCE_OHM, float(1.7 * drawn.about_a[k] * 5.2)) for k in range(count)]

    def circuit(which: Real) -> Circuit:
        source = np.array([benches[k].jig.source_ohm for k in which])
        return on_jig(drawn.cores.taken(which), drawn.winding_ohm[which], np.full(which.size, REFERENCE_OHM), source)

    def drives(which: Real, dbfs: Real) -> Real:
        return np.array([benches[k].loudest_v for k in which]) * 10 ** (dbfs / 20)

    which, dbfs = np.repeat(np.arange(count), len(LEVELS)), np.tile(LEVELS, count)
    volts = swept(circuit(which), SWEEP, drives(which, dbfs))
    fine = np.arange(LEVELS[0], 5.0, 1.0)
    for k in range(count):
        with tempfile.TemporaryDirectory() as path:
            folder = benches[k].start(Path(path) / "build", LEVELS[-1])
            for number, level in enumerate(LEVELS):
                column = volts[:, k * len(LEVELS) + number]
                benches[k].keep(folder, benches[k].recorded(column, level, number), level, "part", of="L1")
            bench = Bench(folder)
            takes = bench.takes_of("part")
            for hz in AT_HZ:
                same, series = np.full(len(LEVELS), k), level_series(bench, takes, hz)
                assert series is not None
                true = steady(circuit(same), np.full(same.size, hz), drives(same, np.array(LEVELS)), 5, 512)
                tally.levels(series, true, true.current_a, relative=False)
                many = np.full(fine.size, k)
                onset = steady(circuit(many), np.full(fine.size, hz), drives(many, fine), 5, 256)
                tally.onset(series, np.abs(onset.current_a[:, 1]), onset.inductance_h)
                if hz == AT_HZ[1]:
                    _each_take_alone(bench, series, true, k, tally)


def _each_take_alone(bench: Bench, series: LevelSeries, true: Steady, number: int, tally: Tally) -> None:
    """One take has to do where the third harmonic is there."""
    for level, third_db in zip(series.levels, true.harmonic_db(3), strict=True):
        if third_db > level.harmonics[3].floor_db + OVER_FLOOR_DB:
            tally.iron_takes += 1
            alone = level_series(bench, [level.take], series.at_hz)
            if alone is None or alone.core != "iron":
                tally.missed_iron.append(f"coil {number} at {level.take.excitation.level_dbfs:g} dBFS")


def _speakers(count: int, tally: Tally) -> None:
    speakers, levels = draw_speakers(62, count), np.array(LEVELS[1:])
    which, dbfs = np.repeat(np.arange(count), levels.size), np.tile(levels, count)
    volts = swept(speakers.circuit(which), SWEEP, speakers.drives(which, dbfs), rest_s=0.3)
    fine = np.arange(levels[0], 5.0, 1.0)
    for k in range(count):
        with tempfile.TemporaryDirectory() as path:
            columns = [(float(level), volts[:, k * levels.size + n]) for n, level in enumerate(levels)]
            bench = Bench(speakers.build(k, Path(path) / "build", columns))
            found = speaker_levels(bench, bench.takes_of("in-box")[-1])
            assert found is not None
            hz = found.series.at_hz

            def run(level_dbfs: Real, number: int = k, at_hz: float = hz) -> tuple[Steady, Real]:
                same = np.full(level_dbfs.size, number)
                true = steady(speakers.circuit(same), np.full(same.size, at_hz),
                              speakers.drives(same, level_dbfs), 14, 256)  # fmt: skip
                reference_ohm = speakers.benches[number].jig.reference_ohm
                return true, (true.seen_v[..., 0] - true.seen_v[..., 1]) / reference_ohm

            tally.levels(found.series, *run(levels), relative=True)
            true, current = run(fine)
            tally.onset(found.series, np.abs(current[:, 1]), true.inductance_h)


def _accused_air_coils(count: int) -> Iterable[str]:
    """Air coils called iron; five on each jig, two levels each."""
    drawn = draw_coils(63, count, iron=False)
    for first in range(0, count, 5):
        jig = iron_bench(6300 + first, REFERENCE_OHM, 12.0)
        with tempfile.TemporaryDirectory() as path:
            folder = jig.start(Path(path) / "build", -1.0)
            for k in range(first, min(first + 5, count)):
                coil = drawn.cores.core_h[k], drawn.cores.eddy_ohm[k], drawn.winding_ohm[k]
                for number, level in enumerate((-15.0, -1.0), 10 * k):
                    samples = _air_take(jig, coil, level, bent=k % 2 == 1, number=number)
                    jig.keep(folder, samples, level, "part", of=f"L{k}")
            bench = Bench(folder)
            for k in range(first, min(first + 5, count)):
                series = level_series(bench, [t for t in bench.takes_of("part") if t.of == f"L{k}"], AT_HZ[1])
                if series is None or series.core == "iron":
                    yield f"L{k}"


def _air_take(jig: IronBench, coil_of: tuple[float, float, float], level: float, bent: bool, number: int) -> Real:
    """A linear coil of that inductance, eddy resistance and winding resistance."""
    henry, eddy_ohm, ohm = coil_of
    sweep = jig.at(level)
    drive = np.append(sweep_samples(sweep), np.zeros(sweep.sample_rate_hz // 4)) * jig.loudest_v
    if bent:  # 2 % of third harmonic at full scale
        drive = drive + 0.08 * drive**3 / jig.loudest_v**2
    s = 2j * np.pi * np.fft.rfftfreq(drive.size, 1 / sweep.sample_rate_hz)
    coil = ohm + s * henry * eddy_ohm / (s * henry + eddy_ohm)
    source = np.fft.rfft(drive) / (jig.jig.source_ohm + jig.jig.reference_ohm + coil)
    channels = [np.fft.irfft(source * way, drive.size) for way in (jig.jig.reference_ohm + coil, coil)]
    return jig.recorded(np.stack(channels, axis=1), level, number)
